"""Arithmetic over any window of a series at O(1) a window, and the exact search for the best ones.

A criterion of steadiness is seldom hereditary: a window may satisfy a limit on its trend while
one of its parts does not. So nothing is grown from a seed: every window of the lattice is
measured, and of all sets of windows that do not overlap the best is taken. What makes this cheap
is that every measure is a few look-ups in cumulative sums and in a doubling table of extremes,
and that hereditary limits (a range, a gap) bound the windows worth measuring.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..shared.recording import Floats
from .signal import Flags, Indices


class Series:
    """One signal with what is needed to measure any of its windows [i, j) at once.

    values: float64 (n,), NaN for missing samples, which every measure leaves out. All methods
    take int64 arrays of one shape, i < j <= n, and return float64 of that shape; NaN for an empty window.
    """

    def __init__(self, values: Floats) -> None:
        self.values = values
        self.known = np.isfinite(values)
        self.offset = float(values[self.known].mean()) if self.known.any() else 0.0
        self._centred = np.where(self.known, values - self.offset, 0.0)
        self._place = np.arange(len(values), dtype=np.float64) - len(values) / 2

    @cached_property
    def _count(self) -> Floats:
        return _cumulative(self.known.astype(np.float64))

    @cached_property
    def _sum(self) -> Floats:
        return _cumulative(self._centred)

    @cached_property
    def _square(self) -> Floats:
        return _cumulative(self._centred * self._centred)

    @cached_property
    def _moment(self) -> Floats:
        return _cumulative(self._centred * self._place)

    @cached_property
    def _places(self) -> tuple[Floats, Floats]:
        place = np.where(self.known, self._place, 0.0)
        return _cumulative(place), _cumulative(place * place)

    @cached_property
    def _highest(self) -> Floats:
        return _doubling(np.where(self.known, self.values, -np.inf), np.maximum)

    @cached_property
    def _lowest(self) -> Floats:
        return _doubling(np.where(self.known, self.values, np.inf), np.minimum)

    def count(self, i: Indices, j: Indices) -> Floats:
        """Number of samples that are not missing."""
        return self._count[j] - self._count[i]

    def mean(self, i: Indices, j: Indices) -> Floats:
        """Mean."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray((self._sum[j] - self._sum[i]) / self.count(i, j) + self.offset)

    def deviation(self, i: Indices, j: Indices) -> Floats:
        """Standard deviation about the mean."""
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = (self._sum[j] - self._sum[i]) / self.count(i, j)
            variance = (self._square[j] - self._square[i]) / self.count(i, j) - mean * mean
        return np.sqrt(np.maximum(variance, 0.0))

    def slope(self, i: Indices, j: Indices) -> Floats:
        """Least-squares slope per sample; NaN for fewer than two samples."""
        count = self.count(i, j)
        first, second = self._places
        place, places = first[j] - first[i], second[j] - second[i]
        with np.errstate(invalid="ignore", divide="ignore"):
            spread = places - place * place / count
            moment = self._moment[j] - self._moment[i] - place * (self._sum[j] - self._sum[i]) / count
            return np.where(count >= 2, moment / spread, np.nan)

    def highest(self, i: Indices, j: Indices) -> Floats:
        """Largest sample; minus infinity when all are missing."""
        return _extreme(self._highest, i, j, np.maximum)

    def lowest(self, i: Indices, j: Indices) -> Floats:
        """Smallest sample; infinity when all are missing."""
        return _extreme(self._lowest, i, j, np.minimum)

    def width(self, i: Indices, j: Indices) -> Floats:
        """Largest less smallest sample; zero when all are missing."""
        return np.maximum(self.highest(i, j) - self.lowest(i, j), 0.0)

    def reach(self, starts: Indices, width: float, *, gaps: bool = False) -> Indices:
        """For each start the largest stop with every [start, stop) no wider than `width`.

        `gaps`: missing samples are passed over; otherwise the window ends before the first one.
        """
        n = len(self.values)
        stop = starts.copy()
        high, low = np.full(len(starts), -np.inf), np.full(len(starts), np.inf)
        for level in range(len(self._highest) - 1, -1, -1):
            place = np.minimum(stop, n - 1)
            new_high = np.maximum(high, self._highest[level, place])
            new_low = np.minimum(low, self._lowest[level, place])
            fits = (stop + (1 << level) <= n) & ~(new_high > new_low + width)
            stop = np.where(fits, stop + (1 << level), stop)
            high, low = np.where(fits, new_high, high), np.where(fits, new_low, low)
        if gaps:
            return stop
        return np.minimum(stop, next_true(~self.known)[starts])


def _cumulative(values: Floats) -> Floats:
    out = np.zeros(len(values) + 1)
    np.cumsum(values, out=out[1:])
    return out


def _doubling(values: Floats, combine: np.ufunc) -> Floats:
    """Row k holds the extreme of the 2^k samples from each place on (levels, n); short rows end in their last."""
    levels = max(len(values), 1).bit_length()
    table = np.empty((levels, len(values)))
    table[0] = values
    for level in range(1, levels):
        span = 1 << (level - 1)
        good = len(values) - 2 * span + 1
        combine(table[level - 1, :good], table[level - 1, span : span + good], out=table[level, :good])
        table[level, good:] = values[good:]
    return table


def _extreme(table: Floats, i: Indices, j: Indices, combine: np.ufunc) -> Floats:
    level = np.frexp((j - i).astype(np.float64))[1] - 1
    return np.asarray(combine(table[level, i], table[level, j - (1 << level)]))


def next_true(flags: Flags) -> Indices:
    """For each place the first place at or after it where the flag is true; n when there is none."""
    n = len(flags)
    place = np.where(flags, np.arange(n), n)
    return np.minimum.accumulate(place[::-1])[::-1].astype(np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class Family:
    """One kind of window looked for.

    reach: int64 (m,), for each start of the lattice a stop no good window goes beyond (from
    hereditary limits). weigh: for windows [i, j) a weight in 0..1, zero for those that are not good.
    """

    name: str
    reach: Indices
    weigh: Callable[[Indices, Indices], Floats]


@dataclass(frozen=True, slots=True)
class Window:
    """A window [first, stop) in samples, the family it belongs to and its weight."""

    first: int
    stop: int
    family: str
    weight: float


def best_windows(
    families: Sequence[Family], starts: Indices, *, step: int, lengths: Indices, cost: float
) -> list[Window]:
    """The windows that together are worth most, none overlapping, in order of time; exact on the lattice.

    A window is worth its length times its weight, less `cost` (all in steps of `step` samples), so a
    stretch is not cut up without gain. Candidates are all [start, start + length) of the lattice:
    starts 0, step, 2 step ... (m,), lengths rising (in steps). The best set follows by dynamic
    programming over the starts. Of equally good sets the one with the earlier windows is given.
    """
    names = [f.name for f in families]
    table = np.concatenate([_good_windows(f, k, starts, step, lengths) for k, f in enumerate(families)])
    table = table[table[:, 3] > cost]
    table = table[np.lexsort((table[:, 2], -table[:, 1], table[:, 0]))]
    return [
        Window(int(a) * step, int(b) * step, names[int(k)], float(w / (b - a))) for a, b, k, w in _chosen(table, cost)
    ]


def _good_windows(family: Family, place: int, starts: Indices, step: int, lengths: Indices) -> Floats:
    """Good windows: rows first, stop, family, length x weight, in steps."""
    number = np.searchsorted(lengths, (family.reach - starts) // step, side="right")
    i = np.repeat(starts, number)
    running = np.arange(len(i)) - np.repeat(np.cumsum(number) - number, number)
    j = i + lengths[running] * step
    weight = family.weigh(i, j)
    good = weight > 0
    i, j, weight = i[good] // step, j[good] // step, weight[good]
    return np.stack((i, j, np.full(len(i), place), (j - i) * weight), axis=1).astype(np.float64)


def _chosen(table: Floats, cost: float) -> list[Floats]:
    """Rows of the best set. table: rows first, stop, family, worth, by rising first."""
    if not len(table):
        return []
    first, stop = table[:, 0].astype(np.int64), table[:, 1].astype(np.int64)
    worth = table[:, 3] - cost
    edges = np.searchsorted(first, np.arange(int(first[-1]) + 2))
    total = np.zeros(int(stop.max()) + 1)  # worth of the best set at or after each step
    pick = np.full(len(total), -1, dtype=np.int64)
    for at in range(int(first[-1]), -1, -1):
        total[at] = total[at + 1]
        low, high = edges[at], edges[at + 1]
        if low < high:
            gains = worth[low:high] + total[stop[low:high]]
            best = int(gains.argmax())
            if gains[best] >= total[at]:
                total[at], pick[at] = gains[best], low + best
    rows, at = [], 0
    while at <= int(first[-1]):
        if pick[at] >= 0:
            rows.append(table[pick[at]])
            at = int(stop[pick[at]])
        else:
            at += 1
    return rows


def lattice_lengths(shortest: int, longest: int, fine: int, coarse: int) -> Indices:
    """Lengths tried, in steps: every one up to `fine`, from there every `coarse`-th, and the longest."""
    near = np.arange(shortest, min(fine, longest) + 1)
    far = np.arange(max(fine, shortest) + coarse, longest + 1, coarse)
    return np.unique(np.concatenate((near, far, [longest]))).astype(np.int64)
