"""Angles brought into one turn and out of it: as numpy's `%` and `unwrap` to the last bit, where few samples leave the turn
in a tenth of their time (a remainder costs a hundred times a comparison)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def within_turn(values: Floats, turn: float) -> Floats:
    """values % turn for turn > 0, any shape, NaN kept."""
    with np.errstate(invalid="ignore"):
        out = values + 0.0  # a negative zero becomes the plain one, as in a remainder
        beyond = ~((values >= 0.0) & (values < turn))
        if beyond.any():
            out[beyond] = values[beyond] % turn
    return np.asarray(out)


def unwrap(values: Floats, turn: float) -> Floats:
    """np.unwrap(values, period=turn), shape (n,)."""
    out = np.array(values, dtype=np.float64)
    steps = np.diff(out)
    jumps = np.flatnonzero(~(np.abs(steps) < turn / 2))
    correction = np.zeros(len(steps))
    if len(jumps):
        far = steps[jumps]
        near = (far + turn / 2) % turn - turn / 2
        near[(near == -turn / 2) & (far > 0)] = turn / 2
        correction[jumps] = near - far
        correction = np.cumsum(correction)
    out[1:] += correction
    return out
