"""Mass, centre of gravity, fuel burnt, and how speeds scale with mass.

Source: SFTE Reference Handbook, 3rd ed. 2013, section 7 (weight and balance), unless a function
names another.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def total_mass(masses: ArrayLike) -> Floats:
    """Total mass [kg] of items [kg], shape (..., n) -> (...); a negative item is taken out."""
    return np.asarray(np.sum(np.asarray(masses, dtype=np.float64), axis=-1))[()]


def total_moment(masses: ArrayLike, arms: ArrayLike) -> Floats:
    """Moment [kg m] about the datum of items [kg] at arms [m], shape (..., n) -> (...): sum of m x."""
    products = np.asarray(masses, dtype=np.float64) * np.asarray(arms, dtype=np.float64)
    return np.asarray(np.sum(products, axis=-1))[()]


def centre_of_gravity(masses: ArrayLike, arms: ArrayLike) -> Floats:
    """Arm of the centre of gravity [m] of items [kg] at arms [m], shape (..., n) -> (...): sum(m x) / sum(m)."""
    total = total_mass(masses)
    return total_moment(masses, arms) / np.where(total > 0, total, np.nan)


def fuel_burnt(mass_flow: ArrayLike, time_s: ArrayLike) -> Floats:
    """Fuel burnt [kg] since the first sample, from mass flow [kg/s] at rising times [s], shape (n,).

    Trapezoidal rule over the samples there are: a missing stretch counts as a straight line between
    its edges, nothing before the first and after the last sample. All missing gives NaN.
    """
    flow, time = np.asarray(mass_flow, dtype=np.float64), np.asarray(time_s, dtype=np.float64)
    known = np.isfinite(flow)
    if not known.any():
        return np.full(time.shape, np.nan)
    steps = np.diff(time[known]) * (flow[known][1:] + flow[known][:-1]) / 2
    burnt = np.concatenate([[0.0], np.cumsum(steps)])
    return np.asarray(np.interp(time, time[known], burnt), dtype=np.float64)


def mass_after_burn(initial_mass: float, mass_flow: ArrayLike, *, time_s: ArrayLike) -> Floats:
    """Mass [kg] at times [s], shape (n,), from the mass [kg] at the first and the fuel mass flow [kg/s]."""
    return initial_mass - fuel_burnt(mass_flow, time_s)


def speed_at_mass(speed: ArrayLike, mass: ArrayLike, *, standard_mass: ArrayLike) -> Floats:
    """Speed [m/s] at standard mass [kg] with the lift coefficient flown at mass [kg]: V sqrt(m_s / m).

    Source: SFTE Reference Handbook, 3rd ed. 2013, section 12.
    """
    test = np.asarray(mass, dtype=np.float64)
    ratio = np.asarray(standard_mass, dtype=np.float64) / np.where(test > 0, test, np.nan)
    return np.asarray(speed, dtype=np.float64) * np.sqrt(ratio)
