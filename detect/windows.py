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
from functools import cached_property, wraps

import numpy as np

from ..shared.recording import Floats
from .extremes import Extremes
from .pruning import least_lengths, stretches_of
from .signal import Flags, Indices

COARSE = 5  # each so many-th start and length is tried first, to know which others can still be in the best set
FEW_WINDOWS = 1 << 12  # what to try first would take longer than to measure them all
AT_ONCE = 1 << 14  # windows weighed together: the dozens of measures of more do not stay near the processor

# windows: first, stop, place of the family, length x weight, in steps
_Table = tuple[Indices, Indices, Indices, Floats]
Measured = Callable[["Series", Indices, Indices], Floats]


def _remembered(measure: Measured) -> Measured:
    """A measure that knows its last answer: several criteria ask the same of the very same windows."""
    name = measure.__name__

    @wraps(measure)
    def ask(series: Series, i: Indices, j: Indices) -> Floats:
        last = series.answers.get(name)
        if last is None or last[0] is not i or last[1] is not j:
            last = series.answers[name] = (i, j, measure(series, i, j))
        return last[2]

    return ask


class Series:
    """One signal with what is needed to measure any of its windows [i, j) at once.

    values: float64 (n,), NaN for missing samples, which every measure leaves out. All methods
    take int64 arrays of one shape, i < j <= n, and return float64 of that shape; NaN for an empty window. Neither
    is to be changed afterwards: asked once more of the same arrays a measure gives the same array.
    """

    def __init__(self, values: Floats) -> None:
        self.values = values
        self.known = np.isfinite(values)
        self.complete = bool(self.known.all())
        self.answers: dict[str, tuple[Indices, Indices, Floats]] = {}

    @cached_property
    def offset(self) -> float:
        """Mean of the whole, which sums are taken about."""
        known = self.values if self.complete else self.values[self.known]
        return float(known.mean()) if len(known) else 0.0

    def _centred(self) -> Floats:
        if self.complete:
            return self.values - self.offset
        return np.where(self.known, self.values - self.offset, 0.0)

    def _place(self) -> Floats:
        return np.arange(len(self.values), dtype=np.float64) - len(self.values) / 2

    @cached_property
    def _count(self) -> Floats:
        return _cumulative(self.known.astype(np.float64))

    @cached_property
    def _sum(self) -> Floats:
        return _cumulative(self._centred())

    @cached_property
    def _square(self) -> Floats:
        return _cumulative(self._centred() ** 2)

    @cached_property
    def _moment(self) -> Floats:
        return _cumulative(self._centred() * self._place())

    @cached_property
    def _places(self) -> tuple[Floats, Floats]:
        place = np.where(self.known, self._place(), 0.0)
        return _cumulative(place), _cumulative(place * place)

    @cached_property
    def _highest(self) -> Extremes:
        return Extremes(self.values if self.complete else np.where(self.known, self.values, -np.inf), np.maximum)

    @cached_property
    def _lowest(self) -> Extremes:
        return Extremes(self.values if self.complete else np.where(self.known, self.values, np.inf), np.minimum)

    @_remembered
    def count(self, i: Indices, j: Indices) -> Floats:
        """Number of samples that are not missing."""
        if self.complete:
            return (j - i).astype(np.float64)
        return np.asarray(self._count.take(j) - self._count.take(i))

    @_remembered
    def total(self, i: Indices, j: Indices) -> Floats:
        """Sum of what the samples differ by from the mean of the whole, `offset`."""
        return np.asarray(self._sum.take(j) - self._sum.take(i))

    @_remembered
    def mean(self, i: Indices, j: Indices) -> Floats:
        """Mean."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(self.total(i, j) / self.count(i, j) + self.offset)

    @_remembered
    def deviation(self, i: Indices, j: Indices) -> Floats:
        """Standard deviation about the mean."""
        count = self.count(i, j)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = self.total(i, j) / count
            variance = (self._square.take(j) - self._square.take(i)) / count - mean * mean
        return np.sqrt(np.maximum(variance, 0.0))

    @_remembered
    def slope(self, i: Indices, j: Indices) -> Floats:
        """Least-squares slope per sample; NaN for fewer than two samples."""
        count = self.count(i, j)
        middle, spread = self._places_of(i, j, count)
        with np.errstate(invalid="ignore", divide="ignore"):
            moment = self._moment.take(j) - self._moment.take(i) - middle * self.total(i, j)
            return np.where(count >= 2, moment / spread, np.nan)

    def _places_of(self, i: Indices, j: Indices, count: Floats) -> tuple[Floats, Floats]:
        """Mean place of the known samples of each window, and the sum of squares about it."""
        if self.complete:
            return (i + j - 1) / 2 - len(self.values) / 2, (count * count - 1.0) * count / 12.0
        first, second = self._places
        place, places = first.take(j) - first.take(i), second.take(j) - second.take(i)
        with np.errstate(invalid="ignore", divide="ignore"):
            return place / count, places - place * place / count

    @_remembered
    def highest(self, i: Indices, j: Indices) -> Floats:
        """Largest sample; minus infinity when all are missing."""
        return self._highest.over(i, j)

    @_remembered
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
            new_high = np.maximum(high, self._highest.row(level).take(stop, mode="clip"))
            new_low = np.minimum(low, self._lowest.row(level).take(stop, mode="clip"))
            fits = (stop <= n - (1 << level)) & ~(new_high > new_low + width)
            stop += fits * (1 << level)
            np.copyto(high, new_high, where=fits)
            np.copyto(low, new_low, where=fits)
        if gaps:
            return stop
        return np.minimum(stop, next_true(~self.known)[starts])


class Pair:
    """Two signals with what is needed to tell how well one follows the other in any window.

    leader, follower: float64 (n,); samples where either is missing are left out.
    """

    def __init__(self, leader: Floats, follower: Floats) -> None:
        known = np.isfinite(leader) & np.isfinite(follower)
        self.complete = bool(known.all())
        one, other = (np.where(known, v - (v[known].mean() if known.any() else 0.0), 0.0) for v in (leader, follower))
        rows = (known.astype(np.float64), one, other, one * one, other * other, one * other)
        self._sums = tuple(_cumulative(row) for row in rows)

    def count(self, i: Indices, j: Indices) -> Floats:
        """Number of samples that neither of the two misses."""
        return np.asarray(
            (j - i).astype(np.float64) if self.complete else self._sums[0].take(j) - self._sums[0].take(i)
        )

    def scatter(self, i: Indices, j: Indices) -> Floats:
        """Standard deviation of the follower: no residual about a line is larger where its slope may be nought."""
        count = self.count(i, j)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = (self._sums[2].take(j) - self._sums[2].take(i)) / count
            return np.sqrt(np.maximum((self._sums[4].take(j) - self._sums[4].take(i)) / count - mean * mean, 0.0))

    def residual(self, i: Indices, j: Indices, *, least: float, most: Floats | float) -> Floats:
        """Root mean square of the follower about a straight line in the leader, its slope kept within least..most."""
        one, other, ones, others, both = (row.take(j) - row.take(i) for row in self._sums[1:])
        count = self.count(i, j)
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


def next_true(flags: Flags) -> Indices:
    """For each place the first place at or after it where the flag is true; n when there is none."""
    n = len(flags)
    places = np.append(np.flatnonzero(flags), n).astype(np.int64)
    return np.repeat(places, np.diff(places[:-1], prepend=-1, append=n - 1))


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
    programming over the starts, of the windows that can be in it (`pruning`). Of equally good sets the one with
    the earlier windows is given.
    """
    if not len(starts):
        return []
    lattice = _Lattice(families, starts // step, step, lengths, cost)
    table = _good_windows(lattice, _promising(lattice), np.arange(len(starts)))
    best = _chosen(table, cost)
    return [
        Window(int(a) * step, int(b) * step, families[k].name, float(w / (b - a)))
        for a, b, k, w in zip(*(column[best].tolist() for column in table), strict=True)
    ]


class _Lattice:
    """Windows [first, first + length) of several families, in steps; counts: (m,), how many lengths a start has."""

    def __init__(self, families: Sequence[Family], first: Indices, step: int, lengths: Indices, cost: float) -> None:
        self.families, self.first, self.step, self.lengths, self.cost = families, first, step, lengths, cost
        self.counts = [np.searchsorted(lengths, f.reach // step - first, side="right") for f in families]


def _promising(lattice: _Lattice) -> Indices:
    """For each start the number of lengths that are too short to be in the best set; of few windows all may be."""
    lengths, first = lattice.lengths, lattice.first
    if sum(int(count.sum()) for count in lattice.counts) < FEW_WINDOWS:
        return np.zeros(len(first), np.int64)
    most = np.concatenate(([0], lengths))[np.maximum.reduce(lattice.counts)]
    stretches = stretches_of(first + most)
    some = np.flatnonzero((most > 0) & stretches.promising(int(lengths[-1])) & (first % COARSE == 0))
    tried = _good_windows(lattice, np.zeros(len(first), np.int64), some, every=COARSE)
    best = _chosen(tried, lattice.cost)
    found = stretches.worths(tried[0][best], tried[3][best] - lattice.cost)
    return np.searchsorted(lengths, least_lengths(stretches, found, lattice.cost), side="left")


def _good_windows(lattice: _Lattice, short: Indices, which: Indices, *, every: int = 1) -> _Table:
    """Windows worth their cost, in order of the first step, of one first step the longest first, then by family.

    short: for each start how many of its lengths are not measured; which: the starts; every: only each so many-th of
    the lengths, from the longest down.
    """
    parts = [_family_windows(lattice, k, short[which], which, every) for k in range(len(lattice.families))]
    first, stop, place, worth = (np.concatenate(column) for column in zip(*parts, strict=True))
    longest = int(lattice.lengths[-1])
    order = np.argsort((first * (longest + 1) + longest - (stop - first)) * len(parts) + place, kind="stable")
    return first[order], stop[order], place[order], worth[order]


def _family_windows(lattice: _Lattice, place: int, short: Indices, which: Indices, every: int) -> _Table:
    family, count = lattice.families[place], lattice.counts[place][which]
    number = -(-np.maximum(count - short, 0) // every)
    back = np.arange(int(number.sum())) - np.repeat(np.cumsum(number) - number, number)
    first = np.repeat(lattice.first[which], number)
    length = lattice.lengths[np.repeat(count, number) - 1 - every * back]
    stop = first + length
    worth = length * in_portions(family.weigh, first * lattice.step, stop * lattice.step)
    good = worth > lattice.cost
    first = first[good]
    return first, stop[good], np.full(len(first), place, dtype=np.int64), worth[good]


def in_portions(weigh: Callable[[Indices, Indices], Floats], i: Indices, j: Indices) -> Floats:
    """The weights of windows [i, j), AT_ONCE at a time."""
    parts = range(0, len(i), AT_ONCE)
    return np.concatenate([np.empty(0), *(weigh(i[k : k + AT_ONCE], j[k : k + AT_ONCE]) for k in parts)])


def _chosen(table: _Table, cost: float) -> Indices:
    """Rows of the best set. table: by rising first step."""
    first, stop, _, worth = table
    if not len(first):
        return np.empty(0, np.int64)
    gain = worth - cost
    low = np.flatnonzero(np.diff(first, prepend=-1))
    groups = list(zip(first[low].tolist(), low.tolist(), [*low[1:].tolist(), len(first)], strict=True))
    total = np.zeros(int(stop.max()) + 1)  # worth of the best set at or after each step
    pick = np.full(len(total), -1, dtype=np.int64)
    behind, value = int(first[-1]) + 1, 0.0
    for at, begin, end in reversed(groups):
        total[at + 1 : behind] = value
        gains = gain[begin:end] + total.take(stop[begin:end])
        best = int(gains.argmax())
        if gains[best] >= value:
            value, pick[at] = float(gains[best]), begin + best
        total[at], behind = value, at + 1
    rows, at, last = [], 0, int(first[-1])
    while at <= last:
        if pick[at] >= 0:
            rows.append(pick[at])
            at = int(stop[pick[at]])
        else:
            at += 1
    return np.array(rows, dtype=np.int64)


def lattice_lengths(shortest: int, longest: int, fine: int, coarse: int) -> Indices:
    """Lengths tried, in steps: every one up to `fine`, from there every `coarse`-th, and the longest."""
    near = np.arange(shortest, min(fine, longest) + 1)
    far = np.arange(max(fine, shortest) + coarse, longest + 1, coarse)
    return np.unique(np.concatenate((near, far, [longest]))).astype(np.int64)
