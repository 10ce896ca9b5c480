"""detect: a Recording to what happened in it. Pure: the same recording and settings, the same answer."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from ..shared.findings import Detection, Event, Finding, Manoeuvre, Phase, Run
from ..shared.recording import Recording
from ..shared.settings import Settings
from .clock_doubt import with_clock_doubt
from .events import find_events
from .manoeuvres import find_manoeuvres
from .phases import find_phases, phase_runs
from .points import find_points
from .quantities import lacking_for_points, unjudged_for_points
from .signal import Grid, make_grid
from .states import States, config_states, find_states, state_runs


def detect(recording: Recording, settings: Settings, *, gear_moves: str | None = None) -> Detection:
    """States, events, phases, manoeuvres and stabilised points of one sortie.

    gear_moves: what else, beside settings and card, is known to say that this aircraft's gear moves, in a word.
    A channel that is missing is a finding (NOT_ATTEMPTED), never a failure.
    """
    return look(recording, settings, gear_moves=gear_moves).detection


def look(recording: Recording, settings: Settings, *, gear_moves: str | None = None) -> Outline:
    """The first half of `detect`: all but the points, so that the frame can be written while these are sought."""
    grid = make_grid(recording)
    states = find_states(grid, settings, recording, gear_moves=gear_moves)
    events, event_findings = find_events(grid, states, settings)
    flown = find_manoeuvres(grid, states, events, recording=recording, settings=settings)
    go_arounds = tuple(e for e in events if e.kind == "go_around")
    phases = find_phases(grid, states.flight.airborne, go_arounds, flown.legs)
    findings = (*_points_not_sought(grid), *states.findings, *event_findings, *flown.findings)
    return Outline(recording, settings, grid, states, (*events, *flown.events), phases, flown.manoeuvres, findings)


@dataclass(frozen=True, eq=False)
class Outline:
    """What happened in a sortie, its points not yet sought."""

    recording: Recording
    settings: Settings
    grid: Grid
    states: States
    events: tuple[Event, ...]
    phases: tuple[Phase, ...]
    manoeuvres: tuple[Manoeuvre, ...]
    findings: tuple[Finding, ...]

    @cached_property
    def runs(self) -> tuple[Run, ...]:
        """Every state and phase in run-length form."""
        return (*state_runs(self.states), *phase_runs(self.phases))

    @cached_property
    def detection(self) -> Detection:
        """All of it, the points among it: looked for when first asked."""
        points, refused = find_points(self.grid, self.states, self.settings, self.recording)
        return Detection(
            points=points,
            refused=refused,
            events=with_clock_doubt(sorted(self.events, key=lambda e: (e.time_s, e.kind)), self.recording),
            runs=self.runs,
            states=config_states(self.states, self.grid),
            phases=self.phases,
            findings=self.findings,
            settings_hash=self.settings.digest(),
            manoeuvres=self.manoeuvres,
        )


def _points_not_sought(grid: Grid) -> tuple[Finding, ...]:
    lacking, unjudged = lacking_for_points(grid), unjudged_for_points(grid)
    if unjudged and not lacking:
        return (Finding("NOT_ATTEMPTED", f"of stabilised points it was not judged {unjudged}", "doubt", "points"),)
    text = f"stabilised points were not looked for: no {' and no '.join(lacking)} that could serve is recorded"
    return (Finding("NOT_ATTEMPTED", text, where="points"),) if lacking else ()
