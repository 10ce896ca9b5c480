"""Everything flown for a purpose, in one list: patterns, turns, speed runs, oscillations, approaches to the stall."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..shared.findings import Event, Finding, Manoeuvre
from ..shared.recording import Recording
from ..shared.settings import Settings
from .decelerations import find_speed_runs
from .legs import Legs
from .limits import find_exceedances
from .loads import find_peak_loads
from .motion import motion_of
from .oscillations import find_oscillations
from .patterns import find_patterns, pattern_manoeuvres
from .phugoids import find_phugoids
from .sideslips import find_sideslips
from .signal import Flags, Grid
from .slow_flight import find_stall_approaches
from .states import States
from .surroundings import changes_before, free_flight, steady_configuration
from .touch_and_goes import find_touch_and_goes
from .turns import find_turns


@dataclass(frozen=True, slots=True, eq=False)
class Flown:
    """What was flown: manoeuvres, further events, the legs of every pattern, what was not looked for."""

    manoeuvres: tuple[Manoeuvre, ...]
    events: tuple[Event, ...]
    legs: tuple[Legs, ...]
    findings: tuple[Finding, ...]


def find_manoeuvres(
    grid: Grid, states: States, events: tuple[Event, ...], *, recording: Recording, settings: Settings
) -> Flown:
    """Manoeuvres and the events that come with them (touch_and_go, high_key, low_key, break_turn, peak_load_factor,
    exceeded_...), each in time order. events: those found before."""
    if not len(grid):
        return Flown((), (), (), ())
    motion = motion_of(grid, states.flight.airborne)
    contacts = tuple(e for e in events if e.kind in ("liftoff", "touchdown"))
    touched = find_touch_and_goes(grid, contacts)
    patterns = find_patterns(motion, grid, states, tuple(e for e in events if e.kind == "go_around"))
    flown, keys = pattern_manoeuvres(patterns, motion, states, (*events, *touched))
    exceeded, limit_findings = find_exceedances(recording, states, settings.aircraft)
    more = (*touched, *keys, *find_peak_loads(recording, grid, motion.airborne), *exceeded)
    steady = steady_configuration(grid, states, events)
    free = free_flight(motion, grid, events)
    stalls = find_stall_approaches(motion, grid, states, events)
    phugoids = find_phugoids(motion, steady)
    fast, fast_findings = find_oscillations(recording, motion, free)
    clear = ~_within(grid, (*stalls, *fast))
    slips = find_sideslips(motion, grid, clear)
    turns = find_turns(motion, settings.points, clear)
    runs = find_speed_runs(
        motion, grid, states, settings.points, steady=steady, new=changes_before(grid, states, steady),
        taken=_within(grid, (*stalls, *phugoids)),
    )  # fmt: skip
    every = (*flown, *stalls, *phugoids, *fast, *slips, *turns, *runs)
    return Flown(
        tuple(sorted(every, key=lambda m: (m.segment.start_s, m.segment.stop_s, m.kind))),
        tuple(sorted(more, key=lambda e: (e.time_s, e.kind))),
        tuple(one.legs for one in patterns),
        (*limit_findings, *fast_findings),
    )


def _within(grid: Grid, manoeuvres: tuple[Manoeuvre, ...]) -> Flags:
    """Where any of the manoeuvres goes on, flag (n,)."""
    out = np.zeros(len(grid), dtype=bool)
    for one in manoeuvres:
        out[grid.index(one.segment.start_s) : grid.index(one.segment.stop_s)] = True
    return out
