"""A glide that is not straight and steady: turns, changes of speed, lift coefficients.

Source: SFTE Reference Handbook, 3rd ed. 2013, sections 5 and 12; FAA-H-8083-25 chapter 4 (turns). Lift is
load factor times weight.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .constants import SEA_LEVEL_DENSITY, STANDARD_GRAVITY

Floats = NDArray[np.float64]


def sink_rate_in_turn(sink_rate: ArrayLike, load_factor: ArrayLike) -> Floats:
    """Sink rate [m/s] in a turn at load factor [1] with the lift coefficient of a straight glide's sink rate: w n^1.5.

    The speed goes with sqrt(n) (`turn.speed_at_load_factor`). At equal speed only the induced part grows, with n^2.
    """
    return np.asarray(sink_rate, dtype=np.float64) * np.asarray(load_factor, dtype=np.float64) ** 1.5


def load_factor_in_gliding_turn(bank: ArrayLike, path_angle: ArrayLike) -> Floats:
    """Load factor [1] in a steady turn at bank [rad] below 90 deg, path angle [rad] below the horizon: cos(gamma) / cos(bank)."""
    cosine = np.cos(np.asarray(bank, dtype=np.float64))
    return np.cos(np.asarray(path_angle, dtype=np.float64)) / np.where(cosine > 0, cosine, np.nan)


def height_of_speed_change(speed_before: ArrayLike, speed_after: ArrayLike) -> Floats:
    """Height [m] that slowing from one true airspeed [m/s] to another is worth: (V1^2 - V2^2) / (2 g); negative when gaining speed."""
    before, after = np.asarray(speed_before, dtype=np.float64), np.asarray(speed_after, dtype=np.float64)
    return (before**2 - after**2) / (2 * STANDARD_GRAVITY)


def lift_coefficient(
    equivalent_airspeed: ArrayLike, mass: ArrayLike, *, wing_area: ArrayLike, load_factor: ArrayLike = 1.0
) -> Floats:
    """Lift coefficient [1] at equivalent airspeed [m/s] above 0, mass [kg], wing area [m2], load factor [1]: 2 n W / (rho0 S Ve^2)."""
    speed = np.asarray(equivalent_airspeed, dtype=np.float64)
    pressure = SEA_LEVEL_DENSITY / 2 * np.where(speed > 0, speed, np.nan) ** 2
    weight = np.asarray(mass, dtype=np.float64) * STANDARD_GRAVITY
    lift = np.asarray(load_factor, dtype=np.float64) * weight
    return lift / (pressure * np.asarray(wing_area, dtype=np.float64))
