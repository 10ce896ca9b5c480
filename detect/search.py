"""Where several signals change together: the two-line likelihood-ratio search.

A search takes signals scaled to unit noise (d, n), a penalty for each change and the shortest
stretch, and returns the change points: rising int64 indices, each the first sample of a new
stretch. `two_line_search` is the one detection uses; `kernel.kernel_search` is the reference.

How it works: at every sample and for a few window widths, two straight lines (one each side)
are compared with one line through both. The jump of level and the jump of slope at the joint are
uncorrelated, so the gain in squared residuals is the sum of two squares and costs O(1) a sample.
Its peaks are the first guess. Then, until nothing changes: a stretch that gains by one more change
is split at its best place, each change moves to its best place nearby, two that bracket one jump become one,
those that gain less than the penalty go, smallest first. O(n x channels) a round, a few rounds.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Protocol

import numpy as np

from ..shared.recording import Floats
from .cost import LineCost, MeanCost
from .signal import Indices

WIDTHS = (10, 30)
PEAK_SHARE = 0.5  # of the penalty: what a window sees is less than what the whole stretch gains


class Search(Protocol):
    """A way to find change points; searches are interchangeable."""

    def __call__(self, signals: Floats, penalty: float, minimum: int) -> Indices:
        """Change points of signals (d, n) in unit noise."""
        ...


def two_line_search(signals: Floats, penalty: float, minimum: int = 2, widths: Sequence[int] = WIDTHS) -> Indices:
    """Change points of a piecewise straight-line description, see the module's head.

    signals: float64 (d, n), finite, unit noise. penalty: gain in squared residuals a change must
    bring. minimum: samples of the shortest stretch. widths: samples each side.
    """
    length = signals.shape[1]
    if length < 2 * minimum or not signals.shape[0]:
        return np.empty(0, np.int64)
    cost = LineCost(signals)
    fitting = sorted({max(1, min(w, length // 2)) for w in widths})
    gain = two_line_gain(cost, fitting)
    reach = max(fitting[0] // 2, 1)
    changes = _peaks(gain, PEAK_SHARE * penalty, reach)
    changes = changes[(changes >= minimum) & (changes <= length - minimum)]
    rounds = _Rounds(cost, penalty, minimum)
    for _ in range(MAXIMUM_ROUNDS):
        before = changes
        changes = rounds.split(changes)
        changes = rounds.merged(_moved(cost, changes, max(reach * 2, 2), minimum))
        changes = _dropped(cost, changes, penalty)
        if np.array_equal(changes, before):
            break
    return changes


MAXIMUM_ROUNDS = 12
TINY = 1e-9


def two_line_gain(cost: LineCost, widths: Sequence[int]) -> Floats:
    """Largest gain over the widths of two lines over one, at every sample as a joint: (n,)."""
    best = np.zeros(cost.length)
    for width in widths:
        if 2 * width > cost.length:
            continue
        middle = np.arange(cost.length - width + 1) + (width - 1) / 2.0 - cost.length / 2.0
        spread = max(width * (width * width - 1) / 12.0, TINY)  # one sample has no slope
        total = cost.sums[:, width:] - cost.sums[:, :-width]
        slope = (cost.moments[:, width:] - cost.moments[:, :-width] - middle * total) / spread
        level = total / width
        half = width / 2.0
        step = (level[:, width:] - slope[:, width:] * half) - (level[:, :-width] + slope[:, :-width] * half)
        bend = slope[:, width:] - slope[:, :-width]
        gain = np.einsum("ij,ij->j", step, step) / (2 * (1.0 / width + half * half / spread))
        gain += np.einsum("ij,ij->j", bend, bend) * (spread / 2.0)
        part = best[width : width + len(gain)]
        np.maximum(part, gain, out=part)
    return best


def _peaks(gain: Floats, height: float, reach: int) -> Indices:
    """Samples above height that are the largest within `reach` either side."""
    padded = np.concatenate((np.full(reach, -np.inf), gain, np.full(reach, -np.inf)))
    highest = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).max(axis=1)
    found = np.flatnonzero((gain > height) & (gain >= highest))
    if not len(found):
        return found.astype(np.int64)
    return found[np.concatenate(([True], np.diff(found) > reach))].astype(np.int64)


def _moved(cost: LineCost, changes: Indices, half: int, minimum: int) -> Indices:
    """Each change at its best place within `half` samples, its neighbours held still: odd ones, then even ones."""
    for parity in (0, 1):
        borders = np.concatenate(([0], changes, [cost.length])).astype(np.int64)
        which = np.arange(1, len(borders) - 1)[parity::2]
        if not len(which):
            continue
        low, high = borders[which - 1][:, None], borders[which + 1][:, None]
        trial = borders[which][:, None] + np.arange(-half, half + 1)
        allowed = (trial >= low + minimum) & (trial <= high - minimum)
        trial = np.where(allowed, trial, borders[which][:, None])
        low, high = np.broadcast_to(low, trial.shape), np.broadcast_to(high, trial.shape)
        total = np.where(allowed, cost.error(low, trial) + cost.error(trial, high), np.inf)
        best = total.argmin(axis=1)
        rows = np.arange(len(which))
        moved = np.where(np.isfinite(total[rows, best]), trial[rows, best], borders[which])
        changes = changes.copy()
        changes[which - 1] = moved
    return np.unique(changes)


class _Rounds:
    """What of a round needs trying all places; stretches that stay as they were are not tried again."""

    def __init__(self, cost: LineCost, penalty: float, minimum: int) -> None:
        self.cost, self.penalty, self.minimum = cost, penalty, minimum
        self._further: dict[tuple[int, ...], int] = {}  # stretch -> place of a further change, -1 for none
        self._single: dict[tuple[int, ...], int] = {}  # four borders -> place of one change for the inner two, -1

    def split(self, changes: Indices) -> Indices:
        """The changes, and in each stretch the best further one if it gains more than the penalty."""
        borders = [0, *changes.tolist(), self.cost.length]
        stretches = list(pairwise(borders))
        self._look_for(self._further, stretches, self._best_further)
        found = [self._further[one] for one in stretches if self._further[one] >= 0]
        return np.array(sorted([*changes.tolist(), *found]), dtype=np.int64)

    def merged(self, changes: Indices) -> Indices:
        """The changes with pairs that bracket one made one, the first pair first: the two peaks either side of a jump."""
        borders = [0, *changes.tolist(), self.cost.length]
        k = 0
        while k + 3 < len(borders):
            fours = list(zip(borders, borders[1:], borders[2:], borders[3:], strict=False))
            self._look_for(self._single, fours, self._best_single)
            k = next((m for m in range(k, len(fours)) if self._single[fours[m]] >= 0), len(borders))
            if k < len(borders):
                borders[k + 1 : k + 3] = [self._single[fours[k]]]
        return np.array(borders[1:-1], dtype=np.int64)

    @staticmethod
    def _look_for(
        known: dict[tuple[int, ...], int],
        wanted: Sequence[tuple[int, ...]],
        search: Callable[[Indices], Indices],
    ) -> None:
        new = [one for one in wanted if one not in known]
        if new:
            known.update(zip(new, search(np.array(new, dtype=np.int64)).tolist(), strict=True))

    def _best_further(self, stretches: Indices) -> Indices:
        """The best place of a further change in each stretch (k, 2); -1 where none gains more than the penalty."""
        low, high = stretches.T
        owner, place = _places(low + self.minimum, high - self.minimum)
        gain = self.cost.error(low, high)[owner]
        gain = gain - self.cost.error(low[owner], place) - self.cost.error(place, high[owner])
        heads = _first_largest(owner, gain)
        best = np.full(len(low), -1, dtype=np.int64)
        best[owner[heads]] = np.where(gain[heads] > self.penalty, place[heads], -1)
        return best

    def _best_single(self, fours: Indices) -> Indices:
        """For the inner two of four borders (k, 4) the best place of one instead; -1 where two serve better."""
        low, left, right, high = fours.T
        error, minimum = self.cost.error, self.minimum
        pair = error(low, left) + error(left, right) + error(right, high) + self.penalty
        owner, trial = _places(np.maximum(left, low + minimum), np.minimum(right, high - minimum))
        total = error(low[owner], trial) + error(trial, high[owner])
        heads = _first_largest(owner, -total)
        best = np.full(len(low), -1, dtype=np.int64)
        best[owner[heads]] = np.where(total[heads] < pair[owner[heads]], trial[heads], -1)
        return best


def _places(first: Indices, last: Indices) -> tuple[Indices, Indices]:
    """All places from each first to each last, end to end, and which pair each belongs to; none where last is before."""
    number = np.maximum(last - first + 1, 0)
    owner = np.repeat(np.arange(len(number)), number)
    return owner, np.arange(len(owner)) - np.repeat(np.cumsum(number) - number, number) + first[owner]


def _first_largest(owner: Indices, values: Floats) -> Indices:
    """Index of the first of the largest values of each owner; owners rise."""
    if not len(owner):
        return np.empty(0, np.int64)
    begins = np.flatnonzero(np.diff(owner, prepend=-1))
    largest = np.repeat(np.maximum.reduceat(values, begins), np.diff(begins, append=len(owner)))
    places = np.flatnonzero(values == largest)
    return np.asarray(places[np.flatnonzero(np.diff(owner[places], prepend=-1))], dtype=np.int64)


def _dropped(cost: LineCost | MeanCost, changes: Indices, penalty: float) -> Indices:
    """The changes less those that gain under the penalty; of neighbours the one that gains least goes first."""
    while len(changes):
        borders = np.concatenate(([0], changes, [cost.length])).astype(np.int64)
        gain = cost.error(borders[:-2], borders[2:])
        gain = gain - cost.error(borders[:-2], borders[1:-1]) - cost.error(borders[1:-1], borders[2:])
        sides = np.concatenate(([np.inf], gain, [np.inf]))
        goes = (gain < penalty) & (gain <= sides[:-2]) & (gain < sides[2:])
        if not goes.any():
            break
        changes = changes[~goes]
    return changes
