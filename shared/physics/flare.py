"""The flare of a steady descent: time, height, speed and lift it takes at a constant load factor.

The path is bent from its angle to level at n times weight: the angle changes at g (n - 1) / V, speed taken as
constant while it does, drag as that of the glide. Angles in radians below the horizon, up to some 0.3.
The relations follow from the balance of lift, weight and centripetal force on a circular arc and of energy along
it (checked against a step-by-step integration in the tests). Ground effect is not in them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .constants import STANDARD_GRAVITY

Floats = NDArray[np.float64]


def _pull(load_factor: ArrayLike) -> Floats:
    """g (n - 1) [m/s2]; NaN where nothing is pulled."""
    excess = np.asarray(load_factor, dtype=np.float64) - 1
    return STANDARD_GRAVITY * np.where(excess > 0, excess, np.nan)


def flare_time(true_airspeed: ArrayLike, path_angle: ArrayLike, *, load_factor: ArrayLike) -> Floats:
    """Time [s] to level off from path angle [rad] at true airspeed [m/s] and load factor [1] above 1: V gamma / (g (n - 1))."""
    return np.asarray(true_airspeed, dtype=np.float64) * np.asarray(path_angle, dtype=np.float64) / _pull(load_factor)


def flare_height(true_airspeed: ArrayLike, path_angle: ArrayLike, *, load_factor: ArrayLike) -> Floats:
    """Height [m] lost while levelling off: V^2 gamma^2 / (2 g (n - 1)), arguments as `flare_time`."""
    sink = np.asarray(true_airspeed, dtype=np.float64) * np.asarray(path_angle, dtype=np.float64)
    return sink**2 / (2 * _pull(load_factor))


def flare_speed_loss(time: ArrayLike, path_angle: ArrayLike, *, drag_to_weight: ArrayLike) -> Floats:
    """True airspeed [m/s] lost in a flare of that time [s] from path angle [rad]: g t (D/W - gamma / 2).

    drag_to_weight: drag over weight [1] during the flare, at its load factor, so about n times that of the glide
    at equal lift-to-drag ratio; gamma / 2 is what weight gives along the mean path.
    """
    resisted = np.asarray(drag_to_weight, dtype=np.float64) - np.asarray(path_angle, dtype=np.float64) / 2
    return STANDARD_GRAVITY * np.asarray(time, dtype=np.float64) * resisted


def load_factor_of_flare(sink_before: ArrayLike, sink_after: ArrayLike, *, time: ArrayLike) -> Floats:
    """Mean load factor [1] that changes the sink rate [m/s] from before to after within a time [s]: 1 + (w0 - w1) / (g t)."""
    change = np.asarray(sink_before, dtype=np.float64) - np.asarray(sink_after, dtype=np.float64)
    seconds = np.asarray(time, dtype=np.float64)
    return 1 + change / (STANDARD_GRAVITY * np.where(seconds > 0, seconds, np.nan))
