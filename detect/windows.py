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
from functools import cached_property, lru_cache

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
        self.complete = bool(self.known.all())
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
    def _highest(self) -> _Extremes:
        return _Extremes(np.where(self.known, self.values, -np.inf), np.maximum)

    @cached_property
    def _lowest(self) -> _Extremes:
        return _Extremes(np.where(self.known, self.values, np.inf), np.minimum)

    def count(self, i: Indices, j: Indices) -> Floats:
        """Number of samples that are not missing."""
        if self.complete:
            return (j - i).astype(np.float64)
        return self._count[j] - self._count[i]

    def mean(self, i: Indices, j: Indices) -> Floats:
        """Mean."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray((self._sum[j] - self._sum[i]) / self.count(i, j) + self.offset)

    def deviation(self, i: Indices, j: Indices) -> Floats:
        """Standard deviation about the mean."""
        count = self.count(i, j)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = (self._sum[j] - self._sum[i]) / count
            variance = (self._square[j] - self._square[i]) / count - mean * mean
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
        return self._highest.over(i, j)

    def lowest(self, i: Indices, j: Indices) -> Floats:
        """Smallest sample; infinity when all are missing."""
        return self._lowest.over(i, j)

    def width(self, i: Indices, j: Indices) -> Floats:
        """Largest less smallest sample; zero when all are missing."""
        return np.maximum(self.highest(i, j) - self.lowest(i, j), 0.0)

    def reach(self, starts: Indices, width: float, *, gaps: bool = False, most: int | None = None) -> Indices:
        """For each start the largest stop with every [start, stop) no wider than `width`.

        `gaps`: missing samples are passed over; otherwise the window ends before the first one.
        `most`: longer windows are of no interest: where this many samples fit the stop may be any beyond.
        """
        n = len(self.values)
        stop = starts.copy()
        high, low = np.full(len(starts), -np.inf), np.full(len(starts), np.inf)
        for level in range(max(n if most is None else min(most, n), 1).bit_length() - 1, -1, -1):
            place = np.minimum(stop, n - 1)
            new_high = np.maximum(high, self._highest.row(level)[place])
            new_low = np.minimum(low, self._lowest.row(level)[place])
            fits = (stop + (1 << level) <= n) & ~(new_high > new_low + width)
            stop = np.where(fits, stop + (1 << level), stop)
            high, low = np.where(fits, new_high, high), np.where(fits, new_low, low)
        if gaps:
            return stop
        return np.minimum(stop, next_true(~self.known)[starts])


class Pair:
    """Two signals with what is needed to tell how well one follows the other in any window.

    leader, follower: float64 (n,); samples where either is missing are left out.
    """

    def __init__(self, leader: Floats, follower: Floats) -> None:
        known = np.isfinite(leader) & np.isfinite(follower)
        one, other = (np.where(known, v - (v[known].mean() if known.any() else 0.0), 0.0) for v in (leader, follower))
        rows = (known.astype(np.float64), one, other, one * one, other * other, one * other)
        self._sums = tuple(_cumulative(row) for row in rows)

    def residual(self, i: Indices, j: Indices, *, least: float, most: Floats | float) -> Floats:
        """Root mean square of the follower about a straight line in the leader, its slope kept within least..most."""
        count, one, other, ones, others, both = (row[j] - row[i] for row in self._sums)
        with np.errstate(invalid="ignore", divide="ignore"):
            one, other = one / count, other / count
            along, across = ones / count - one * one, both / count - one * other
            slope = np.clip(np.where(along > 0, across / along, 0.0), least, most)
            left = others / count - other * other - 2 * slope * across + slope * slope * along
        return np.asarray(np.sqrt(np.maximum(left, 0.0)), dtype=np.float64)


def _cumulative(values: Floats) -> Floats:
    out = np.zeros(len(values) + 1)
    np.cumsum(values, out=out[1:])
    return out


class _Extremes:
    """Row k holds the extreme of the 2^k samples from each place on; short rows end in their last.

    Rows are made when first asked for: long ones seldom are.
    """

    def __init__(self, values: Floats, combine: np.ufunc) -> None:
        self.values, self.combine = values, combine
        self.table = np.empty((max(len(values), 1).bit_length(), len(values)))
        self.table[0] = values
        self.made = 1

    def row(self, level: int) -> Floats:
        """Extremes of 2^level samples from each place on: (n,)."""
        while self.made <= level:
            last, span = self.table[self.made - 1], 1 << (self.made - 1)
            good = len(self.values) - 2 * span + 1
            self.combine(last[:good], last[span : span + good], out=self.table[self.made, :good])
            self.table[self.made, good:] = self.values[good:]
            self.made += 1
        return np.asarray(self.table[level], dtype=np.float64)

    def over(self, i: Indices, j: Indices) -> Floats:
        """Extreme of every window [i, j)."""
        if not len(i):
            return np.empty(0)
        level = _levels(len(self.values))[j - i]
        self.row(int(level.max()))
        place = level * len(self.values)
        flat = self.table.ravel()
        return np.asarray(self.combine(flat.take(place + i), flat.take(place + j - (1 << level))))


@lru_cache(maxsize=2)
def _levels(most: int) -> Indices:
    """For each length 0..most the largest power of two no longer: its exponent."""
    return (np.frexp(np.arange(most + 1, dtype=np.float64))[1] - 1).astype(np.int64)


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
    most = int(lengths[-1]) if len(lengths) else 0
    order = (table[:, 0] * (most + 1) + most - (table[:, 1] - table[:, 0])) * len(families) + table[:, 2]
    table = table[np.argsort(order, kind="stable")]  # each family's rows are in order already: merging is quick
    return [
        Window(int(a) * step, int(b) * step, names[int(k)], float(w / (b - a))) for a, b, k, w in _chosen(table, cost)
    ]


def _good_windows(family: Family, place: int, starts: Indices, step: int, lengths: Indices) -> Floats:
    """Good windows: rows first, stop, family, length x weight, in steps; of one start the longest first."""
    number = np.searchsorted(lengths, (family.reach - starts) // step, side="right")
    i = np.repeat(starts, number)
    left = np.repeat(np.cumsum(number), number) - np.arange(len(i)) - 1  # number - 1 ... 0 for each start
    j = i + lengths[left] * step
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
    low = np.flatnonzero(np.diff(first, prepend=-1))
    groups = list(zip(first[low].tolist(), low.tolist(), [*low[1:].tolist(), len(first)], strict=True))
    total = np.zeros(int(stop.max()) + 1)  # worth of the best set at or after each step
    pick = np.full(len(total), -1, dtype=np.int64)
    behind, value = int(first[-1]) + 1, 0.0
    for at, begin, end in reversed(groups):
        total[at + 1 : behind] = value
        gains = worth[begin:end] + total[stop[begin:end]]
        best = int(gains.argmax())
        if gains[best] >= value:
            value, pick[at] = float(gains[best]), begin + best
        total[at], behind = value, at + 1
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
