"""What it costs to describe a stretch of several signals by one simple shape.

Sums of squared residuals, each stretch O(1) from cumulative sums. Signals are scaled by their
noise beforehand (changepoints), so the channels' costs add up.
"""

from __future__ import annotations

import numpy as np

from ..shared.recording import Floats
from .signal import Indices


class LineCost:
    """Squared residuals of one straight line per channel.

    signals: float64 (d, n), finite. A stretch of one sample costs nothing, nor does one of two.
    """

    def __init__(self, signals: Floats) -> None:
        self.signals = signals
        self.channels, self.length = signals.shape
        self.place = np.arange(self.length) - self.length / 2.0
        centred = signals - signals.mean(axis=1, keepdims=True) if self.length else signals
        self.sums = _cumulative(centred)
        self.moments = _cumulative(centred * self.place)
        self.squares = _cumulative(np.einsum("ij,ij->j", centred, centred)[None, :])[0]

    def error(self, i: Indices, j: Indices) -> Floats:
        """Cost of the stretches [i, j): int64 of any one shape, float64 of that shape."""
        count = (j - i).astype(np.float64)
        middle = (i + j - 1) / 2.0 - self.length / 2.0
        spread = count * (count * count - 1) / 12.0
        total = self.sums[:, j] - self.sums[:, i]
        moment = self.moments[:, j] - self.moments[:, i] - middle * total
        with np.errstate(invalid="ignore", divide="ignore"):
            line = np.where(spread > 0, _squared(moment) / spread, 0.0)
            level = np.where(count > 0, _squared(total) / count, 0.0)
        return np.asarray(np.maximum(self.squares[j] - self.squares[i] - level - line, 0.0))


class MeanCost:
    """Squared residuals of one constant per channel; signals: float64 (d, n), finite."""

    def __init__(self, signals: Floats) -> None:
        self.signals = signals
        self.channels, self.length = signals.shape
        centred = signals - signals.mean(axis=1, keepdims=True) if self.length else signals
        self.sums = _cumulative(centred)
        self.squares = _cumulative(np.einsum("ij,ij->j", centred, centred)[None, :])[0]

    def error(self, i: Indices, j: Indices) -> Floats:
        """Cost of the stretches [i, j): int64 of any one shape, float64 of that shape."""
        count = np.maximum(j - i, 1).astype(np.float64)
        total = self.sums[:, j] - self.sums[:, i]
        left = self.squares[j] - self.squares[i] - (total * total).sum(axis=0) / count
        return np.asarray(np.maximum(left, 0.0))


def _squared(values: Floats) -> Floats:
    """Sum of squares over the channels."""
    return np.asarray(np.einsum("i...,i...->...", values, values))


def _cumulative(values: Floats) -> Floats:
    out = np.zeros((values.shape[0], values.shape[1] + 1))
    np.cumsum(values, axis=1, out=out[:, 1:])
    return out
