"""The course of a state: one word at a time, each from its start to the next one's start.

Every state source (switches, positions, engine, inference) ends in a `Course`; labels on any
clock and run-length rows both come from it, so they cannot differ.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..shared.findings import Event, Finding, Run, Segment
from ..shared.recording import Floats

UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """Value k of one state channel holds over [starts_s[k], starts_s[k + 1]), the last to stop_s."""

    channel: str
    starts_s: Floats
    values: tuple[str, ...]
    stop_s: float

    def labels(self, time_s: Floats) -> NDArray[np.object_]:
        """The state at each of the times, which never fall; 'unknown' outside the course."""
        places = np.searchsorted(time_s, np.append(self.starts_s, self.stop_s), side="left")
        edges = np.concatenate(([0], np.minimum(places, places[-1]), [len(time_s)]))
        words = np.array([UNKNOWN, *self.values, UNKNOWN], dtype=object)
        return np.repeat(words, np.diff(edges))  # filling an array of words takes ten times as long

    def at(self, time_s: float) -> str:
        """The state at one time."""
        return str(self.labels(np.array([time_s]))[0])

    def runs(self) -> tuple[Run, ...]:
        """The course as rows, in time order."""
        stops = [*self.starts_s[1:], self.stop_s]
        return tuple(
            Run(self.channel, value, Segment(float(start), float(stop)))
            for value, start, stop in zip(self.values, self.starts_s, stops, strict=True)
            if stop > start
        )


def make_course(channel: str, changes: Iterable[tuple[float, str]], stop_s: float) -> Course:
    """A course from (time, value) changes in time order; equal neighbours become one stretch."""
    starts: list[float] = []
    values: list[str] = []
    for time_s, value in changes:
        if starts and time_s <= starts[-1]:  # nothing lasts no time: the later word wins
            starts.pop()
            values.pop()
        if not values or values[-1] != value:
            starts.append(time_s)
            values.append(value)
    return Course(channel, np.array(starts, dtype=np.float64), tuple(values), stop_s)


def constant_course(channel: str, value: str, start_s: float, stop_s: float) -> Course:
    """One word for the whole time."""
    return Course(channel, np.array([start_s], dtype=np.float64), (value,), stop_s)


def course_of_labels(channel: str, time_s: Floats, labels: NDArray[Any], step_s: float) -> Course:
    """A course from labels on a uniform clock."""
    if not len(time_s):
        return Course(channel, np.empty(0), (), 0.0)
    cuts = np.concatenate(([0], np.flatnonzero(labels[1:] != labels[:-1]) + 1))
    changes = [(float(time_s[i]), str(labels[i])) for i in cuts]
    return make_course(channel, changes, float(time_s[-1]) + step_s)


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What was told of one state: its course, its events, what was odd."""

    course: Course
    events: tuple[Event, ...]
    findings: tuple[Finding, ...]
