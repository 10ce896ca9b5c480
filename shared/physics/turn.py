"""Steady, level, co-ordinated turns and the load factor in them. True airspeed throughout.

Source: FAA-H-8083-25, Pilot's Handbook of Aeronautical Knowledge, chapter 4 (turns); the relations
follow from the balance of lift, weight and centripetal force.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .constants import STANDARD_GRAVITY

Floats = NDArray[np.float64]


def turn_rate(true_airspeed: ArrayLike, bank: ArrayLike) -> Floats:
    """Turn rate [rad/s], right positive, at true airspeed [m/s] above 0 and bank [rad] below 90 deg: g tan(bank) / V."""
    speed = np.asarray(true_airspeed, dtype=np.float64)
    return STANDARD_GRAVITY * np.tan(bank) / np.where(speed > 0, speed, np.nan)


def turn_radius(true_airspeed: ArrayLike, bank: ArrayLike) -> Floats:
    """Turn radius [m], positive, at true airspeed [m/s] and bank [rad]; infinite with wings level: V^2 / (g tan(bank))."""
    pull = STANDARD_GRAVITY * np.abs(np.tan(bank))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(true_airspeed, dtype=np.float64) ** 2 / pull


def bank_in_turn(true_airspeed: ArrayLike, turn_rate: ArrayLike) -> Floats:
    """Bank [rad], right positive, at true airspeed [m/s] and turn rate [rad/s]: atan(omega V / g)."""
    return np.arctan(
        np.asarray(turn_rate, dtype=np.float64) * np.asarray(true_airspeed, dtype=np.float64) / STANDARD_GRAVITY
    )


def load_factor_of_bank(bank: ArrayLike) -> Floats:
    """Load factor [1] in a level turn at bank [rad] below 90 deg: 1 / cos(bank)."""
    cosine = np.cos(np.asarray(bank, dtype=np.float64))
    return 1 / np.where(cosine > 0, cosine, np.nan)


def load_factor_of_turn_rate(true_airspeed: ArrayLike, turn_rate: ArrayLike) -> Floats:
    """Load factor [1] in a level turn at true airspeed [m/s] and turn rate [rad/s]: sqrt((omega V / g)^2 + 1)."""
    pull = np.asarray(turn_rate, dtype=np.float64) * np.asarray(true_airspeed, dtype=np.float64) / STANDARD_GRAVITY
    return np.sqrt(pull**2 + 1)


def speed_at_load_factor(speed: ArrayLike, load_factor: ArrayLike) -> Floats:
    """Speed [m/s] at load factor [1] with the lift coefficient that `speed` [m/s] needs at 1 g: V sqrt(n)."""
    factor = np.asarray(load_factor, dtype=np.float64)
    return np.asarray(speed, dtype=np.float64) * np.sqrt(np.where(factor >= 0, factor, np.nan))


def speed_at_one_g(speed: ArrayLike, load_factor: ArrayLike) -> Floats:
    """Speed [m/s] at 1 g with the lift coefficient flown at `speed` [m/s] and load factor [1]: V / sqrt(n)."""
    factor = np.asarray(load_factor, dtype=np.float64)
    return np.asarray(speed, dtype=np.float64) / np.sqrt(np.where(factor > 0, factor, np.nan))
