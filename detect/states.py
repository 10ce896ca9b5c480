"""The aircraft's configuration over the sortie: gear, flap, power, propulsion, with their events.

Every state is a `Course`; where a switch or position recorded it that is the answer, with
confidence 1. A state nobody recorded is told from the aircraft's response where that speaks
clearly (finding STATE_INFERRED, events of low confidence), else it is 'unknown' (NOT_ATTEMPTED).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..shared.findings import ConfigState, Event, Finding, Run, Segment
from ..shared.recording import Recording
from ..shared.settings import Settings
from .course import UNKNOWN, Course, Told, constant_course, course_of_labels
from .engine import Engine, read_engine, with_speed_as_load
from .flaps import recorded_flap
from .flight import Flight, find_flight
from .gear import recorded_gear
from .governor import is_governed
from .power import power_labels
from .propulsion import propulsion_labels
from .signal import Grid
from .unrecorded import Known, movable_of, told_from_response, who_vouches

CONFIGURATION = ("gear", "flap", "power", "propulsion")
_WANTED = {
    "gear": "no switch, position or word of it is recorded, and the drag does not show it for certain; "
    "write aircraft.retractable_gear = true or false in the settings",
    "flap": "no position, angle or selection of it is recorded, and the angle of attack does not tell",
}
_WANTED_STILL = (
    "no switch, position or word of it is recorded, and too little was flown in calm air, or too few channels are "
    "recorded, to tell it from the drag"
)


@dataclass(frozen=True, slots=True, eq=False)
class States:
    """labels: state channel -> words on the grid (n,); courses: the same as step functions.

    movable: which of gear and flap may move on this aircraft.
    """

    labels: Mapping[str, NDArray[np.object_]]
    courses: Mapping[str, Course]
    events: tuple[Event, ...]
    findings: tuple[Finding, ...]
    flight: Flight
    engine: Engine | None
    movable: frozenset[str] = frozenset({"gear", "flap"})


def find_states(grid: Grid, settings: Settings, recording: Recording, *, gear_moves: str | None = None) -> States:
    """Gear, flap, power and propulsion over the grid's time, with gear and flap events. gear_moves: see `run.detect`."""
    flight = find_flight(grid, recording)
    engine = _engine(recording, grid, settings, flight)
    gear, flap = recorded_gear(recording), recorded_flap(recording, settings)
    if gear is None and settings.aircraft.retractable_gear is False:
        gear = Told(constant_course("gear", "fixed", *_span(grid)), (), ())
    if gear is None or flap is None:
        wanted = {name for name, told in (("gear", gear), ("flap", flap)) if told is None}
        vouched = who_vouches(settings, recording) or gear_moves
        told = told_from_response(wanted, grid, recording, settings=settings, known=Known(flight, engine, vouched))
        gear = gear or told.get("gear") or _nothing("gear", grid, vouched)
        flap = flap or told.get("flap") or _nothing("flap", grid, None)
    power, propulsion, engine_findings = _engine_courses(engine, grid)
    courses = {"gear": gear.course, "flap": flap.course, "power": power, "propulsion": propulsion}
    return States(
        {name: course.labels(grid.time_s) for name, course in courses.items()},
        courses,
        (*gear.events, *flap.events),
        (*flight.findings, *gear.findings, *flap.findings, *engine_findings),
        flight,
        engine,
        movable_of(settings, engine),
    )


def _engine(recording: Recording, grid: Grid, settings: Settings, flight: Flight) -> Engine | None:
    """The engine's history; its speed stands for its load where nothing better is and no governor holds it."""
    engine = read_engine(recording, grid, flight.airborne)
    if engine is None or engine.load_channel is not None or engine.speed_channel is None:
        return engine
    governed = settings.aircraft.governed_propeller
    if governed is None:
        governed = is_governed(engine)
    return with_speed_as_load(engine) if governed is False else engine


def _span(grid: Grid) -> tuple[float, float]:
    return (float(grid.time_s[0]), float(grid.time_s[-1]) + grid.step_s) if len(grid) else (0.0, 0.0)


def _nothing(channel: str, grid: Grid, vouched: str | None) -> Told:
    """No channel tells: 'unknown' all along, and a finding that says so. vouched: who said that the gear moves."""
    wanted, facts = (_WANTED[channel], {}) if vouched is None else (_WANTED_STILL, {"vouched": vouched})
    finding = Finding("NOT_ATTEMPTED", f"{channel} was not told: {wanted}", where=channel, facts=facts)
    return Told(constant_course(channel, UNKNOWN, *_span(grid)), (), (finding,))


def _engine_courses(engine: Engine | None, grid: Grid) -> tuple[Course, Course, tuple[Finding, ...]]:
    if engine is None:
        finding = Finding("NOT_ATTEMPTED", "power and propulsion were not told: no engine channel is recorded")
        unknown = [constant_course(c, UNKNOWN, *_span(grid)) for c in ("power", "propulsion")]
        return unknown[0], unknown[1], (finding,)
    power = power_labels(engine)
    propulsion = propulsion_labels(engine, power)
    findings = []
    if not engine.idle_seen:
        findings.append(
            Finding("STATE_UNKNOWN", "no idle power was seen in flight, so none is named", where=engine.load_channel)
        )
    return (
        course_of_labels("power", engine.time_s, power, engine.step_s),
        course_of_labels("propulsion", engine.time_s, propulsion, engine.step_s),
        tuple(findings),
    )


def state_runs(states: States) -> tuple[Run, ...]:
    """Every state as run-length rows, channel by channel, in time order."""
    return tuple(run for name in CONFIGURATION for run in states.courses[name].runs())


def config_states(states: States, grid: Grid) -> tuple[ConfigState, ...]:
    """The stretches of the grid's time over which all four states stay the same."""
    if not len(grid):
        return ()
    start, stop = _span(grid)
    cuts = {start, *(float(t) for c in states.courses.values() for t in (*c.starts_s, c.stop_s) if start < t < stop)}
    times = np.array([*sorted(cuts), stop])
    words: dict[str, NDArray[Any]] = {name: states.courses[name].labels(times[:-1]) for name in CONFIGURATION}
    out: list[ConfigState] = []
    for k, (a, b) in enumerate(pairwise(times)):
        state = ConfigState(Segment(float(a), float(b)), **{name: str(words[name][k]) for name in CONFIGURATION})
        if out and all(getattr(out[-1], name) == getattr(state, name) for name in CONFIGURATION):
            state = ConfigState(
                Segment(out[-1].segment.start_s, state.segment.stop_s),
                **{name: getattr(state, name) for name in CONFIGURATION},
            )
            out.pop()
        out.append(state)
    return tuple(out)
