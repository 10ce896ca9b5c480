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

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..shared.findings import ConfigState, Reason, Segment, StabilisedPoint, Statistic
from ..shared.recording import Floats, Recording
from ..shared.settings import PointCriteria, Settings
from .air_motion import AirMotion
from .candidates import refused_windows
from .criteria import FAMILIES, score_windows, weigh_windows
from .joining import flying, joined, settled_ones
from .quantities import AIRSPEEDS, ALTITUDES, Quantities, quantities_of
from .reaches import reaches_of, settled
from .refusals import explain_windows
from .signal import Grid, Indices
from .states import States
from .statistics import SegmentStatistics
from .windows import Family, Series, Window, best_windows, in_portions, lattice_lengths

DETECTOR = "steady-window/1"
LATTICE_S = 1.0
FINE_S = 60.0
COARSE = 5  # beyond a minute every fifth length is tried; the edges are refined by as much afterwards
COST_SHARE = 0.8  # of the shortest window: what a further point must be worth to be a point of its own
FEWEST_ROWS = 6  # common practice, no source
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
    settings = _with_enough_rows(settings, grid, recording)
    found = _search(grid, states, settings)
    maker = _PointMaker(found.climb_rate, grid, states.labels, SegmentStatistics(recording))
    refused = [window for window, _ in found.refused]
    good, bad = maker.measured(found.windows), maker.measured(refused, REFUSED_CHANNELS)
    air = AirMotion(recording, *good)
    return (
        maker.points(found.windows, air.laid_over(*good), found.scores, [()] * len(found.windows)),
        maker.points(refused, air.laid_over(*bad), [0.0] * len(refused), [why for _, why in found.refused]),
    )


def _with_enough_rows(settings: Settings, grid: Grid, recording: Recording) -> Settings:
    """The settings with a shortest point that has FEWEST_ROWS rows of airspeed and height: three rows hold anything steady."""
    channels = (grid.first(*AIRSPEEDS), grid.first(*ALTITUDES))
    steps = [recording.holders(name)[0].median_step_s for name in channels if name]
    least = FEWEST_ROWS * max(steps, default=0.0)
    if not settings.points.minimum_duration < least < settings.points.maximum_duration:
        return settings
    points = settings.points.model_copy(update={"minimum_duration": least})
    return settings.model_copy(update={"points": points})


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """Windows with their scores, refused candidates with every reason, and the climb rate on the grid."""

    windows: list[Window]
    scores: list[float]
    refused: list[tuple[Window, tuple[Reason, ...]]]
    climb_rate: Series


def _search(grid: Grid, states: States, settings: Settings) -> _Found:
    """All that is asked of the grid: what the search takes for it is free again when the recording is measured."""
    q = quantities_of(grid, states.labels, states.flight.airborne, movable=states.movable)
    windows = steady_windows(q, settings.points)
    candidates = refused_windows(q, settings.points, windows)
    scores = score_windows(q, windows, settings.points)
    reasons = explain_windows(q, candidates, settings)
    return _Found(
        windows,
        scores,
        [(w, why) for w, why in zip(candidates, reasons, strict=True) if why],
        Series(q.climb_rate.values),
    )


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

    return [family(name, reach) for name, reach in reaches_of(q, starts, limits, least=span[0], most=span[1]).items()]


def _refined(q: Quantities, windows: list[Window], reach: int, limits: PointCriteria) -> list[Window]:
    """Each window with its edges moved out by less than `reach` samples, as far as it stays good."""
    out: list[Window] = []
    for family in FAMILIES:
        chosen = [(k, w) for k, w in enumerate(windows) if w.family == family]
        if chosen:
            which, i, j = _edges(windows, chosen, reach, len(q.airborne))
            weight = in_portions(partial(_weigh_flying, q, limits, family), i, j)
            length = np.where(weight > 0, j - i, 0)
            for k, window in chosen:
                here = np.flatnonzero(which == k)
                best = here[np.argmax(length[here])]
                grown = Window(int(i[best]), int(j[best]), family, float(weight[best]))
                out.append(grown if length[best] else window)
    return sorted(out, key=lambda w: w.first)


def _weigh_flying(q: Quantities, limits: PointCriteria, family: str, i: Indices, j: Indices) -> Floats:
    return np.where(flying(q, i, j), weigh_windows(q, family, i, j, limits), 0.0)


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
        self, climb_rate: Series, grid: Grid, labels: Mapping[str, NDArray[Any]], statistics: SegmentStatistics
    ) -> None:
        self.climb_rate, self.grid, self.labels, self.statistics = climb_rate, grid, labels, statistics
        self.changes = {name: (np.flatnonzero(v[1:] != v[:-1]) + 1).tolist() for name, v in labels.items()}

    def measured(
        self, windows: Sequence[Window], channels: Container[str] | None = None
    ) -> tuple[list[Segment], list[dict[str, Statistic]]]:
        """The windows as stretches, and their statistics, of all channels or of those asked for."""
        segments = [self._segment(w) for w in windows]
        return segments, self.statistics.over_all(segments, channels)

    def points(
        self,
        windows: Sequence[Window],
        found: Sequence[Mapping[str, Statistic]],
        scores: Sequence[float],
        reasons: Sequence[tuple[Reason, ...]],
    ) -> tuple[StabilisedPoint, ...]:
        """The windows as points with their statistics, score and reasons."""
        return tuple(map(self._point, windows, found, scores, reasons))

    def _point(
        self, window: Window, found: Mapping[str, Statistic], score: float, reasons: tuple[Reason, ...]
    ) -> StabilisedPoint:
        segment, state = self._segment(window), self._state(window)
        return StabilisedPoint(segment, self._kind(window, state), state, found, round(score, 4), DETECTOR, reasons)

    def _segment(self, window: Window) -> Segment:
        start = float(self.grid.time_s[window.first])
        return Segment(start, start + (window.stop - window.first) * self.grid.step_s)

    def _state(self, window: Window) -> ConfigState:
        words = {name: self._word(name, window) for name in self.labels}
        channels = ("gear", "flap", "power", "propulsion")
        return ConfigState(self._segment(window), **{n: words.get(n, "unknown") for n in channels})

    def _word(self, name: str, window: Window) -> str:
        """The commonest word of a state over the window."""
        labels, changes = self.labels[name], self.changes[name]
        if bisect_right(changes, window.first) == bisect_left(changes, window.stop):  # nearly always one alone
            return str(labels[window.first])
        return str(Counter(labels[window.first : window.stop].tolist()).most_common(1)[0][0])

    def _kind(self, window: Window, state: ConfigState) -> str:
        if window.family != "slope":
            return window.family
        if self.climb_rate.mean(np.array([window.first]), np.array([window.stop]))[0] > 0:
            return "climb"
        no_power = state.power in NO_POWER or state.propulsion in NO_POWER_PROPULSION
        return "glide" if no_power else "descent"
