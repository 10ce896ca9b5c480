"""The parabolic drag polar D = k1 Ve^2 + k2 W^2 / Ve^2, Ve equivalent airspeed, W weight.

k1 = rho0 S CD0 / 2 [N/(m/s)^2] is the parasite coefficient, k2 = 2 K / (rho0 S) [(m/s)^2/N] the
induced one, with CD = CD0 + K CL^2 and K = 1 / (pi AR e). Lift is taken equal to weight (shallow
paths: drag is at most 3 % too large in a 10 degree glide, 1 - cos^2), no thrust, no compressibility.
Source: SFTE Reference Handbook, 3rd ed. 2013, section 5, drag polar analysis.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .constants import SEA_LEVEL_DENSITY, STANDARD_GRAVITY

Floats = NDArray[np.float64]


def parasite_coefficient(zero_lift_drag: ArrayLike, wing_area: ArrayLike) -> Floats:
    """Parasite coefficient k1 [N/(m/s)^2] from CD0 [1] and wing area [m2]: rho0 S CD0 / 2."""
    return (
        SEA_LEVEL_DENSITY * np.asarray(zero_lift_drag, dtype=np.float64) * np.asarray(wing_area, dtype=np.float64) / 2
    )


def induced_coefficient(induced_factor: ArrayLike, wing_area: ArrayLike) -> Floats:
    """Induced coefficient k2 [(m/s)^2/N] from K [1] of CD = CD0 + K CL^2 and wing area [m2]: 2 K / (rho0 S)."""
    return (
        2 * np.asarray(induced_factor, dtype=np.float64) / (SEA_LEVEL_DENSITY * np.asarray(wing_area, dtype=np.float64))
    )


def parasite_drag(equivalent_airspeed: ArrayLike, parasite: ArrayLike) -> Floats:
    """Parasite drag [N] at equivalent airspeed [m/s]: k1 Ve^2."""
    return np.asarray(parasite, dtype=np.float64) * np.asarray(equivalent_airspeed, dtype=np.float64) ** 2


def induced_drag(equivalent_airspeed: ArrayLike, mass: ArrayLike, *, induced: ArrayLike) -> Floats:
    """Induced drag [N] at equivalent airspeed [m/s] above 0 and mass [kg]: k2 W^2 / Ve^2."""
    speed = np.asarray(equivalent_airspeed, dtype=np.float64)
    weight = np.asarray(mass, dtype=np.float64) * STANDARD_GRAVITY
    load: Floats = weight / np.where(speed > 0, speed, np.nan)
    return np.asarray(induced, dtype=np.float64) * load**2


def drag(equivalent_airspeed: ArrayLike, mass: ArrayLike, *, parasite: ArrayLike, induced: ArrayLike) -> Floats:
    """Drag [N] at equivalent airspeed [m/s] above 0 and mass [kg]: k1 Ve^2 + k2 W^2 / Ve^2."""
    return parasite_drag(equivalent_airspeed, parasite) + induced_drag(equivalent_airspeed, mass, induced=induced)


def sink_rate_of_polar(
    equivalent_airspeed: ArrayLike,
    mass: ArrayLike,
    *,
    parasite: ArrayLike,
    induced: ArrayLike,
    density_ratio: ArrayLike = 1.0,
) -> Floats:
    """Sink rate [m/s] in a steady glide at equivalent airspeed [m/s], mass [kg] and density ratio [1]: D V / W."""
    power = drag(equivalent_airspeed, mass, parasite=parasite, induced=induced) * np.asarray(
        equivalent_airspeed, dtype=np.float64
    )
    weight = np.asarray(mass, dtype=np.float64) * STANDARD_GRAVITY
    return power / np.sqrt(np.asarray(density_ratio, dtype=np.float64)) / weight


def best_glide_speed(mass: ArrayLike, parasite: ArrayLike, *, induced: ArrayLike) -> Floats:
    """Equivalent airspeed [m/s] of the flattest glide at mass [kg], where induced equals parasite drag."""
    weight = np.asarray(mass, dtype=np.float64) * STANDARD_GRAVITY
    return np.sqrt(weight) * (np.asarray(induced, dtype=np.float64) / np.asarray(parasite, dtype=np.float64)) ** 0.25


def minimum_sink_speed(mass: ArrayLike, parasite: ArrayLike, *, induced: ArrayLike) -> Floats:
    """Equivalent airspeed [m/s] of the least sink at mass [kg], where induced drag is three times parasite drag."""
    return best_glide_speed(mass, parasite, induced=induced) / 3**0.25


def best_lift_to_drag(parasite: ArrayLike, induced: ArrayLike) -> Floats:
    """Largest lift-to-drag ratio [1] of the polar: 1 / (2 sqrt(k1 k2))."""
    return 0.5 / np.sqrt(np.asarray(parasite, dtype=np.float64) * np.asarray(induced, dtype=np.float64))


def glide_ratio(horizontal_speed: ArrayLike, sink_rate: ArrayLike) -> Floats:
    """Distance through still air per height lost [1] from horizontal speed [m/s] and sink rate [m/s] above 0."""
    sink = np.asarray(sink_rate, dtype=np.float64)
    return np.asarray(horizontal_speed, dtype=np.float64) / np.where(sink > 0, sink, np.nan)


def glide_angle(true_airspeed: ArrayLike, sink_rate: ArrayLike) -> Floats:
    """Path angle [rad] below the horizon from true airspeed [m/s] along the path and sink rate [m/s]: asin(w / V).

    The lift-to-drag ratio of a steady glide is 1 / tan of it, at any steepness.
    """
    speed = np.asarray(true_airspeed, dtype=np.float64)
    ratio = np.asarray(sink_rate, dtype=np.float64) / np.where(speed > 0, speed, np.nan)
    return np.arcsin(np.where(np.abs(ratio) <= 1, ratio, np.nan))
