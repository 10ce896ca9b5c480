"""detect: a Recording to what happened in it. Pure: the same recording and settings, the same answer."""

from __future__ import annotations

from ..shared.findings import Detection
from ..shared.recording import Recording
from ..shared.settings import Settings
from .events import find_events
from .phases import find_phases, phase_runs
from .points import find_points
from .signal import make_grid
from .states import config_states, find_states, state_runs


def detect(recording: Recording, settings: Settings) -> Detection:
    """States, events, phases and stabilised points of one sortie.

    A channel that is missing is a finding (NOT_ATTEMPTED), never a failure.
    """
    grid = make_grid(recording)
    states = find_states(grid, settings, recording)
    events, event_findings = find_events(grid, states, settings)
    phases = find_phases(grid, states.flight.airborne, tuple(e for e in events if e.kind == "go_around"))
    points, refused = find_points(grid, states, settings, recording)
    return Detection(
        points=points,
        refused=refused,
        events=events,
        runs=(*state_runs(states), *phase_runs(phases)),
        states=config_states(states, grid),
        phases=phases,
        findings=(*states.findings, *event_findings),
        settings_hash=settings.digest(),
    )
