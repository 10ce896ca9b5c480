"""The largest or smallest sample of any window by two look-ups in a doubling table."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from ..shared.recording import Floats
from .signal import Indices


class Extremes:
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
        level, first, last = _halves(i, j, len(self.values))
        self.row(level)
        flat = self.table.ravel()
        return np.asarray(self.combine(flat.take(first), flat.take(last)))


class _Halves:
    """The two overlapping spans of a power of two that make up a window; remembered for the windows last asked of."""

    def __init__(self) -> None:
        self._last: tuple[Indices | None, Indices | None, int, tuple[int, Indices, Indices]] | None = None

    def __call__(self, i: Indices, j: Indices, n: int) -> tuple[int, Indices, Indices]:
        """The highest row needed of a table of extremes of n samples, and where both spans lie in it, laid out flat."""
        last = self._last
        if last is None or last[0] is not i or last[1] is not j or last[2] != n:
            level = _levels(n)[j - i]
            place = level * n
            last = self._last = (i, j, n, (int(level.max()), place + i, place + j - (1 << level)))
        return last[3]


_halves = _Halves()


@lru_cache(maxsize=2)
def _levels(most: int) -> Indices:
    """For each length 0..most the largest power of two no longer: its exponent."""
    return (np.frexp(np.arange(most + 1, dtype=np.float64))[1] - 1).astype(np.int64)
