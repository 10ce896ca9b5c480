"""Which windows can be in the best set at all: the others need not be measured.

Windows fall into stretches that none of them leaves, and each stretch is a search of its own. Within one a set's worth
is bounded by length alone: a window cannot be worth more than its length less the cost, nor can the rest of the
set be worth more than what is left of the stretch on either side, less the cost of a window there. Where a set already
found in the stretch is worth more than the bound, the window is in no best set. In a stretch that one window nearly
fills, as most are, hardly another is left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..shared.recording import Floats
from .signal import Flags, Indices

ROUNDING = 1e-6  # of sums of worths, in steps: what is no more than rounding below the best is kept


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """Parts of the lattice that no window leaves, in steps.

    first, stop: int64 (k,); member: int64 (m,), the stretch of each start.
    """

    first: Indices
    stop: Indices
    member: Indices

    def promising(self, longest: int) -> Flags:
        """Flag (m,): starts in stretches that one or two windows of at most `longest` can nearly fill."""
        return np.asarray((self.stop - self.first <= 2 * longest)[self.member], dtype=bool)

    def worths(self, first: Indices, worth: Floats) -> Floats:
        """Total worth (k,) of windows in each stretch, from their first steps."""
        return np.bincount(self.member[first], worth, minlength=len(self.first)).astype(np.float64)


def stretches_of(furthest: Indices) -> Stretches:
    """furthest: int64 (m,), for each start 0, 1 ... m - 1 the stop of its longest window, itself where it has none."""
    start = np.arange(len(furthest))
    beyond = np.maximum.accumulate(np.maximum(furthest, start))
    begins = np.ones(len(furthest), dtype=bool)
    begins[1:] = beyond[:-1] <= start[1:]
    first = np.flatnonzero(begins)
    return Stretches(first, np.maximum.reduceat(beyond, first), np.cumsum(begins) - 1)


def least_lengths(stretches: Stretches, found: Floats, cost: float) -> Floats:
    """For each start the shortest window (m,), in steps, that may be in the best set of its stretch.

    found: worth (k,) of a set of windows in each stretch. Windows not worth their cost are never in one.
    """
    start = np.arange(len(stretches.member))
    goal = found[stretches.member] - ROUNDING
    before = np.maximum(start - stretches.first[stretches.member] - cost, 0.0)
    left = stretches.stop[stretches.member] - start
    with_more = before + left - 2 * cost  # a further window after this one: its length does not matter then
    return np.maximum(np.where(with_more >= goal, 0.0, goal + cost - before), cost)
