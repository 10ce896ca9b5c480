"""Stabilised points: the steady windows of a sortie, and the stretches that were nearly steady and why not.

A point is a window of the sortie in which every criterion of `criteria` holds. Of all sets of
such windows the one worth most is found exactly (`windows.best_windows`): length counts, allowances
used up count against it a little, and a further point has its cost, so that a long steady stretch
is one point and not several. The edges are then moved out sample by sample as far as the criteria
hold, and neighbours that are one point become one (`joining`).

Kinds: level; glide (descending, no power); climb; descent (with power, or power not known); turn
(level, steady bank). A gliding turn is no point of any kind.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..shared.findings import ConfigState, Reason, Segment, StabilisedPoint, Statistic
from ..shared.recording import Recording
from ..shared.settings import PointCriteria, Settings
from .candidates import refused_windows
from .criteria import FAMILIES, score_windows, weigh_windows
from .joining import flying, joined, settled_ones
from .quantities import Quantities, quantities_of
from .reaches import reaches_of, settled
from .refusals import explain_windows
from .signal import Grid, Indices
from .states import States
from .statistics import SegmentStatistics
from .windows import Family, Window, best_windows, lattice_lengths

DETECTOR = "steady-window/1"
LATTICE_S = 1.0
FINE_S = 60.0
COARSE = 5  # beyond a minute every fifth length is tried; the edges are refined by as much afterwards
COST_SHARE = 0.8  # of the shortest window: what a further point must be worth to be a point of its own
NO_POWER = ("idle", "off")
NO_POWER_PROPULSION = ("idle", "governed", "windmilling", "stopped")
REFUSED_CHANNELS = (
    "calibrated_airspeed",
    "indicated_airspeed",
    "true_airspeed",
    "pressure_altitude",
    "geometric_climb_rate",
    "sink_rate",
)


def find_points(
    grid: Grid, states: States, settings: Settings, recording: Recording
) -> tuple[tuple[StabilisedPoint, ...], tuple[StabilisedPoint, ...]]:
    """Accepted points with the statistics of every channel, and refused candidates with every reason.

    Both in order of time; a refused candidate has the statistics of speed, height and climb only.
    """
    if not len(grid):
        return (), ()
    q = quantities_of(grid, states.labels, states.flight.airborne, movable=states.movable)
    windows = steady_windows(q, settings.points)
    candidates = refused_windows(q, settings.points, windows)
    scores = score_windows(q, windows, settings.points)
    reasons = explain_windows(q, candidates, settings)
    maker = _PointMaker(q, grid, states.labels, SegmentStatistics(recording))
    broken = [(w, why) for w, why in zip(candidates, reasons, strict=True) if why]
    return maker.accepted(windows, scores), maker.refused(broken)


def steady_windows(q: Quantities, limits: PointCriteria) -> list[Window]:
    """Windows that meet every criterion, in order of time, edges to the grid's own step."""
    step = max(1, round(LATTICE_S / q.step_s))
    starts = np.arange(0, len(q.airborne), step, dtype=np.int64)
    seconds = step * q.step_s
    shortest = int(np.ceil(limits.minimum_duration / seconds - 1e-9))
    longest = max(shortest, int(limits.maximum_duration / seconds))
    families = _families(q, starts, limits, (shortest * step, longest * step))
    lengths = lattice_lengths(shortest, longest, int(FINE_S / seconds), COARSE)
    found = best_windows(families, starts, step=step, lengths=lengths, cost=COST_SHARE * shortest)
    return settled_ones(q, joined(q, _refined(q, found, step * COARSE, limits), limits), limits)


def _families(q: Quantities, starts: Indices, limits: PointCriteria, span: tuple[int, int]) -> list[Family]:
    """The families with their hereditary limits; span: samples of the shortest and the longest window."""

    def family(name: str, reach: Indices) -> Family:
        known = settled(q, name, shortest=span[0])
        return Family(name, reach, lambda i, j: weigh_windows(q, name, i, j, limits, known))

    return [family(name, reach) for name, reach in reaches_of(q, starts, limits, most=span[1]).items()]


def _refined(q: Quantities, windows: list[Window], reach: int, limits: PointCriteria) -> list[Window]:
    """Each window with its edges moved out by less than `reach` samples, as far as it stays good."""
    out: list[Window] = []
    for family in FAMILIES:
        chosen = [(k, w) for k, w in enumerate(windows) if w.family == family]
        if chosen:
            which, i, j = _edges(windows, chosen, reach, len(q.airborne))
            weight = np.where(flying(q, i, j), weigh_windows(q, family, i, j, limits), 0.0)
            length = np.where(weight > 0, j - i, 0)
            for k, window in chosen:
                here = np.flatnonzero(which == k)
                best = here[np.argmax(length[here])]
                grown = Window(int(i[best]), int(j[best]), family, float(weight[best]))
                out.append(grown if length[best] else window)
    return sorted(out, key=lambda w: w.first)


def _edges(
    windows: list[Window], chosen: list[tuple[int, Window]], reach: int, n: int
) -> tuple[Indices, Indices, Indices]:
    """All pairs of edges to try: index of the window, first, stop. Half the room to a neighbour each."""
    which, firsts, stops = [], [], []
    for k, window in chosen:
        least = (windows[k - 1].stop + window.first + 1) // 2 if k else 0
        most = (window.stop + windows[k + 1].first) // 2 if k + 1 < len(windows) else n
        first = np.arange(max(window.first - reach + 1, least), window.first + 1)
        stop = np.arange(window.stop, min(window.stop + reach - 1, most) + 1)
        i, j = np.meshgrid(first, stop, indexing="ij")
        which.append(np.full(i.size, k))
        firsts.append(i.ravel())
        stops.append(j.ravel())
    return np.concatenate(which), np.concatenate(firsts).astype(np.int64), np.concatenate(stops).astype(np.int64)


class _PointMaker:
    """Windows to points, with what all of them share."""

    def __init__(
        self, q: Quantities, grid: Grid, labels: Mapping[str, NDArray[Any]], statistics: SegmentStatistics
    ) -> None:
        self.q, self.grid, self.labels, self.statistics = q, grid, labels, statistics

    def accepted(self, windows: Sequence[Window], scores: Sequence[float]) -> tuple[StabilisedPoint, ...]:
        found = self.statistics.over_all([self._segment(w) for w in windows])
        return tuple(self._point(w, one, score, ()) for w, one, score in zip(windows, found, scores, strict=True))

    def refused(self, broken: Sequence[tuple[Window, tuple[Reason, ...]]]) -> tuple[StabilisedPoint, ...]:
        found = self.statistics.over_all([self._segment(w) for w, _ in broken], REFUSED_CHANNELS)
        return tuple(self._point(w, one, 0.0, why) for (w, why), one in zip(broken, found, strict=True))

    def _point(
        self, window: Window, found: Mapping[str, Statistic], score: float, reasons: tuple[Reason, ...]
    ) -> StabilisedPoint:
        segment, state = self._segment(window), self._state(window)
        return StabilisedPoint(segment, self._kind(window, state), state, found, round(score, 4), DETECTOR, reasons)

    def _segment(self, window: Window) -> Segment:
        start = float(self.grid.time_s[window.first])
        return Segment(start, start + (window.stop - window.first) * self.grid.step_s)

    def _state(self, window: Window) -> ConfigState:
        words = {n: _commonest(v[window.first : window.stop]) for n, v in self.labels.items()}
        channels = ("gear", "flap", "power", "propulsion")
        return ConfigState(self._segment(window), **{n: words.get(n, "unknown") for n in channels})

    def _kind(self, window: Window, state: ConfigState) -> str:
        if window.family != "slope":
            return window.family
        if self.q.climb_rate.mean(np.array([window.first]), np.array([window.stop]))[0] > 0:
            return "climb"
        no_power = state.power in NO_POWER or state.propulsion in NO_POWER_PROPULSION
        return "glide" if no_power else "descent"


def _commonest(labels: NDArray[Any]) -> str:
    if (labels == labels[0]).all():  # nearly always: a point has one configuration
        return str(labels[0])
    return str(Counter(labels.tolist()).most_common(1)[0][0])
