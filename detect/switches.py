"""Switches as a recorder holds them: one row a sample, contacts that bounce, rows that are missing.

A burst of edges closer together than the settling time is one edge: its time is that of the
first change, its value the one that stayed, and how long it took to settle is kept. A burst that
ends where it began is a glitch: counted, not an edge. (Contact bounce of relays and limit
switches lasts milliseconds to tenths of a second; half a second to a second as the limit is
common practice, no source.)
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..shared.frame import gap_limit_s
from ..shared.on_change import is_on_change, stamp_step_s
from ..shared.recording import Floats, Recording, Track

SETTLE_S = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Rows of one channel that hold a value: time_s (n,), values (n,) of float64 or str.

    until_s: for a recorder that writes changes only, when the last value ceases to hold: the end of
    the recording; such a row stands at the change itself, known to step_s. None for rows at a rate.
    """

    channel: str
    time_s: Floats
    values: NDArray[Any]
    step_s: float
    gap_s: float
    until_s: float | None = None


@dataclass(frozen=True, slots=True)
class Edge:
    """One settled change: first changed row, value before and after, seconds until it stayed."""

    time_s: float
    before: Any
    after: Any
    settled_s: float
    changes: int
    uncertainty_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Switch:
    """A switch's whole story: initial value, edges in time order, spans without rows."""

    channel: str
    start_s: float
    stop_s: float
    initial: Any
    edges: tuple[Edge, ...]
    gaps: tuple[tuple[float, float], ...]
    glitches: int
    bounces: int
    step_s: float

    def at(self, time_s: float) -> Any:
        """The settled value at a time; None outside the rows and in gaps."""
        if not self.start_s <= time_s < self.stop_s or any(a <= time_s < b for a, b in self.gaps):
            return None
        value = self.initial
        for edge in self.edges:
            if edge.time_s > time_s:
                break
            value = edge.after
        return value

    def times(self) -> list[float]:
        """Every time at which the value may change, the gaps' ends among them."""
        ends = [t for gap in self.gaps for t in gap]
        return [self.start_s, *(e.time_s for e in self.edges), *ends, self.stop_s]


def holder_of(recording: Recording, channel: str) -> Track | None:
    """The track that holds the channel with at least one value, the main one first."""
    for track in recording.holders(channel):
        column = track.columns[channel]
        if column.is_text:
            if any(value is not None for value in column.values):
                return track
        elif np.isfinite(column.values).any():
            return track
    return None


def samples_of(recording: Recording, channel: str) -> Samples | None:
    """The channel's rows at its own recorder's rate, rows without a value left out."""
    track = holder_of(recording, channel)
    if track is None:
        return None
    column = track.columns[channel]
    if column.is_text:
        keep = np.array([value is not None for value in column.values], dtype=bool)
    else:
        keep = np.asarray(np.isfinite(column.values), dtype=bool)
    step_s = track.median_step_s if len(track.time_s) > 1 else 1.0
    until_s = None
    if is_on_change(track):
        step_s, until_s = stamp_step_s(track), end_of(recording)
    return Samples(channel, track.time_s[keep], column.values[keep], step_s, gap_limit_s(track), until_s)


def end_of(recording: Recording) -> float:
    """The last row of any recorder, seconds."""
    return max(float(t.time_s[-1]) for t in recording.tracks if len(t.time_s))


def read_switch(samples: Samples, settle_s: float = SETTLE_S) -> Switch:
    """The settled edges of a switch. settle_s: changes closer together than this are one burst."""
    time_s, values = samples.time_s, samples.values
    settle_s = max(settle_s, 1.5 * samples.step_s)
    changed = np.flatnonzero(values[1:] != values[:-1]) + 1
    edges, glitches, bounces = [], 0, 0
    for burst in _bursts(time_s[changed], settle_s):
        first, last = changed[burst[0]], changed[burst[1]]
        count = burst[1] - burst[0] + 1
        before, after = values[first - 1], values[last]
        if before == after:
            glitches += 1
            continue
        bounces += count > 1
        edges.append(
            Edge(
                float(time_s[first]),
                before,
                after,
                float(time_s[last] - time_s[first]),
                int(count),
                samples.step_s if samples.until_s is not None else float(time_s[first] - time_s[first - 1]),
            )
        )
    holes = np.flatnonzero(np.diff(time_s) > samples.gap_s)
    gaps = tuple((float(time_s[i]) + samples.step_s, float(time_s[i + 1])) for i in holes)
    stop_s = max(float(time_s[-1]) + samples.step_s, samples.until_s or 0.0)
    return Switch(
        samples.channel, float(time_s[0]), stop_s, values[0], tuple(edges), gaps, glitches, bounces, samples.step_s
    )


def _bursts(times: Floats, settle_s: float) -> list[tuple[int, int]]:
    """Index ranges (first, last) of changes that follow each other within the settling time."""
    if not len(times):
        return []
    cuts = np.flatnonzero(np.diff(times) > settle_s)
    firsts = np.concatenate(([0], cuts + 1))
    lasts = np.concatenate((cuts, [len(times) - 1]))
    return [(int(a), int(b)) for a, b in zip(firsts, lasts, strict=True)]
