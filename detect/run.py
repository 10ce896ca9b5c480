"""detect: a Recording to what happened in it. Pure: the same recording and settings, the same answer."""

from __future__ import annotations

from ..shared.findings import Detection, Finding
from ..shared.recording import Recording
from ..shared.settings import Settings
from .clock_doubt import with_clock_doubt
from .events import find_events
from .manoeuvres import find_manoeuvres
from .phases import find_phases, phase_runs
from .points import find_points
from .quantities import lacking_for_points
from .signal import Grid, make_grid
from .states import config_states, find_states, state_runs


def detect(recording: Recording, settings: Settings, *, gear_moves: str | None = None) -> Detection:
    """States, events, phases, manoeuvres and stabilised points of one sortie.

    gear_moves: what else, beside settings and card, is known to say that this aircraft's gear moves, in a word.
    A channel that is missing is a finding (NOT_ATTEMPTED), never a failure.
    """
    grid = make_grid(recording)
    states = find_states(grid, settings, recording, gear_moves=gear_moves)
    events, event_findings = find_events(grid, states, settings)
    flown = find_manoeuvres(grid, states, events, recording=recording, settings=settings)
    go_arounds = tuple(e for e in events if e.kind == "go_around")
    phases = find_phases(grid, states.flight.airborne, go_arounds, flown.legs)
    points, refused = find_points(grid, states, settings, recording)
    return Detection(
        points=points,
        refused=refused,
        events=with_clock_doubt(sorted((*events, *flown.events), key=lambda e: (e.time_s, e.kind)), recording),
        runs=(*state_runs(states), *phase_runs(phases)),
        states=config_states(states, grid),
        phases=phases,
        findings=(*_points_not_sought(grid), *states.findings, *event_findings, *flown.findings),
        settings_hash=settings.digest(),
        manoeuvres=flown.manoeuvres,
    )


def _points_not_sought(grid: Grid) -> tuple[Finding, ...]:
    lacking = lacking_for_points(grid)
    text = f"stabilised points were not looked for: no {' and no '.join(lacking)} that could serve is recorded"
    return (Finding("NOT_ATTEMPTED", text, where="points"),) if lacking else ()
