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

from collections.abc import Sequence
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
    for _ in range(MAXIMUM_ROUNDS):
        before = changes
        changes = _split(cost, changes, penalty, minimum)
        changes = _merged(cost, _moved(cost, changes, max(reach * 2, 2), minimum), penalty, minimum)
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


def _split(cost: LineCost, changes: Indices, penalty: float, minimum: int) -> Indices:
    """The changes, and in each stretch the best further one if it gains more than the penalty."""
    borders = np.concatenate(([0], changes, [cost.length])).astype(np.int64)
    place = np.arange(cost.length, dtype=np.int64)
    stretch = np.searchsorted(borders, place, side="right") - 1
    low, high = borders[stretch], borders[stretch + 1]
    gain = cost.error(low, high) - cost.error(low, place) - cost.error(place, high)
    gain = np.where((place >= low + minimum) & (place <= high - minimum), gain, -np.inf)
    order = np.lexsort((place, -gain, stretch))
    best = order[np.concatenate(([True], np.diff(stretch[order]) > 0))]
    return np.sort(np.concatenate((changes, best[gain[best] > penalty]))).astype(np.int64)


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


def _merged(cost: LineCost, changes: Indices, penalty: float, minimum: int) -> Indices:
    """The changes with pairs that bracket one made one, the first pair first: the two peaks either side of a jump."""
    borders = np.concatenate(([0], changes, [cost.length])).astype(np.int64)
    single = _single(cost, borders, penalty, minimum)  # for each pair the place of one that serves better, or -1
    k = 0
    while (single[k:] >= 0).any():
        k += int((single[k:] >= 0).argmax())
        borders = np.concatenate((borders[: k + 1], [single[k]], borders[k + 3 :]))
        single = np.delete(single, k)
        single[k : k + 2] = _single(cost, borders[k : k + 5], penalty, minimum)  # the others are as they were
    return borders[1:-1]


def _single(cost: LineCost, borders: Indices, penalty: float, minimum: int) -> Indices:
    """For every two neighbouring inner borders the best place of one instead; -1 where two serve better."""
    low, left, right, high = (borders[d : len(borders) - 3 + d] for d in range(4))
    pair = cost.error(low, left) + cost.error(left, right) + cost.error(right, high) + penalty
    first, last = np.maximum(left, low + minimum), np.minimum(right, high - minimum)
    number = np.maximum(last - first + 1, 0)
    owner = np.repeat(np.arange(len(number)), number)
    trial = np.arange(len(owner)) - np.repeat(np.cumsum(number) - number, number) + first[owner]
    total = cost.error(low[owner], trial) + cost.error(trial, high[owner])
    order = np.lexsort((trial, total, owner))
    heads = order[np.flatnonzero(np.diff(owner[order], prepend=-1))]
    best = np.full(len(number), -1, dtype=np.int64)
    best[owner[heads]] = np.where(total[heads] < pair[owner[heads]], trial[heads], -1)
    return best


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
