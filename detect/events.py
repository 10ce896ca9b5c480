"""Every event of a sortie in one list: configuration, ground contact, engine, propeller, stalls."""

from __future__ import annotations

from ..shared.findings import Event, Finding
from ..shared.settings import Settings
from .engine_events import power_events, running_events
from .go_arounds import find_go_arounds
from .governor import is_governed, rpm_events
from .signal import Grid
from .stalls import find_stalls
from .states import States


def find_events(grid: Grid, states: States, settings: Settings) -> tuple[tuple[Event, ...], tuple[Finding, ...]]:
    """All events in time order, and what was not looked for, with the reason."""
    stalls, findings = find_stalls(grid, states.flight.airborne, settings.aircraft)
    engine_events, engine_findings = _engine_events(states, settings)
    power = tuple(e for e in engine_events if e.kind.startswith("power_"))
    go_arounds = find_go_arounds(grid, states.flight.airborne, power)
    events = [*states.events, *states.flight.events, *engine_events, *stalls, *go_arounds]
    return tuple(sorted(events, key=lambda e: (e.time_s, e.kind))), (*findings, *engine_findings)


def _engine_events(states: States, settings: Settings) -> tuple[tuple[Event, ...], tuple[Finding, ...]]:
    engine = states.engine
    if engine is None:
        text = "engine, power and rpm events were not looked for: no engine channel is recorded"
        return (), (Finding("NOT_ATTEMPTED", text),)
    findings = []
    power = power_events(engine)
    if engine.load_channel is None:
        text = "power events were not looked for: no power lever, manifold pressure or fuel flow is recorded"
        findings.append(Finding("NOT_ATTEMPTED", text))
    governed = settings.aircraft.governed_propeller
    if governed is None:
        governed = is_governed(engine)
    if engine.speed_channel is None or governed is None:
        text = "rpm commands were not looked for: "
        text += "no engine speed is recorded" if engine.speed_channel is None else "nothing shows a governor"
        findings.append(Finding("NOT_ATTEMPTED", text))
    commands = rpm_events(engine, power) if governed and engine.speed_channel else ()
    return (*running_events(engine), *power, *commands), tuple(findings)
