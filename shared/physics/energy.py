"""Height and speed as one store of energy, and the corrections of climb and sink to standard conditions."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .atmosphere import density_gradient
from .constants import STANDARD_GRAVITY

Floats = NDArray[np.float64]


def energy_height(height: ArrayLike, true_airspeed: ArrayLike) -> Floats:
    """Energy height [m] of a height [m] and a true airspeed [m/s]: h + V^2 / (2 g).

    Height must be geometric (or geopotential) for the sum to be an energy; steady air.
    Source: SFTE Reference Handbook, 3rd ed. 2013, section 12 (total energy).
    """
    return np.asarray(height, dtype=np.float64) + np.asarray(true_airspeed, dtype=np.float64) ** 2 / (
        2 * STANDARD_GRAVITY
    )


def geometric_climb_rate(
    pressure_altitude_rate: ArrayLike, temperature: ArrayLike, *, standard_temperature: ArrayLike
) -> Floats:
    """Tapeline rate of climb [m/s] from pressure-altitude rate [m/s]: (T / T_std) dHp/dt, temperatures in [K].

    From the hydrostatic equation; `standard_temperature` is that of the pressure altitude.
    Source: SFTE Reference Handbook, 3rd ed. 2013, section 12, correcting climb rate, step 1.
    """
    ratio = np.asarray(temperature, dtype=np.float64) / np.asarray(standard_temperature, dtype=np.float64)
    return np.asarray(pressure_altitude_rate, dtype=np.float64) * ratio


def energy_climb_rate(climb_rate: ArrayLike, true_airspeed: ArrayLike, *, true_airspeed_rate: ArrayLike) -> Floats:
    """Rate of climb of energy height [m/s]: dh/dt + (V/g) dV/dt; also called specific excess power.

    Geometric climb rate [m/s], true (never calibrated) airspeed [m/s] and its rate [m/s2]. A steady
    headwind gradient in a climb or descent counts as acceleration and is not removed.
    Source: SFTE Reference Handbook, 3rd ed. 2013, section 12, acceleration term.
    """
    exchange = np.asarray(true_airspeed, dtype=np.float64) * np.asarray(true_airspeed_rate, dtype=np.float64)
    return np.asarray(climb_rate, dtype=np.float64) + exchange / STANDARD_GRAVITY


def sink_rate(climb_rate: ArrayLike, true_airspeed: ArrayLike, *, true_airspeed_rate: ArrayLike) -> Floats:
    """Energy-corrected sink rate [m/s], down positive: minus `energy_climb_rate` of the same arguments."""
    return -energy_climb_rate(climb_rate, true_airspeed, true_airspeed_rate=true_airspeed_rate)


def energy_over_height(true_airspeed: ArrayLike, density_altitude: ArrayLike) -> Floats:
    """Rate of climb or sink of energy height over that of height [1] at constant equivalent airspeed: 1 + (V/g) dV/dh.

    True airspeed [m/s] grows with height as density falls, in the standard atmosphere about the density altitude [m]
    (-5 km to 32 km), so that a glide at one airspeed sinks slower than its energy does: 1 % at 90 kt, 2 % at 130 kt.
    Source: U.S. Naval Test Pilot School, FTM No. 108, Fixed Wing Performance, 1992, chapter 7 (climb correction factor).
    """
    speed = np.asarray(true_airspeed, dtype=np.float64)
    return 1 - speed**2 / (2 * STANDARD_GRAVITY) * density_gradient(density_altitude)


def specific_excess_power(excess_thrust: ArrayLike, true_airspeed: ArrayLike, *, mass: ArrayLike) -> Floats:
    """Specific excess power [m/s] of thrust less drag [N] at true airspeed [m/s] and mass [kg]: (T - D) V / W.

    Equals `energy_climb_rate` in steady air. Source: SFTE Reference Handbook, 3rd ed. 2013, section 12.
    """
    weight = np.asarray(mass, dtype=np.float64) * STANDARD_GRAVITY
    return np.asarray(excess_thrust, dtype=np.float64) * np.asarray(true_airspeed, dtype=np.float64) / weight


def sink_rate_at_standard(
    sink_rate: ArrayLike,
    mass: ArrayLike,
    *,
    standard_mass: ArrayLike,
    density: ArrayLike,
    standard_density: ArrayLike,
) -> Floats:
    """Sink rate [m/s] the same lift coefficient gives at standard mass [kg] and density [kg/m3].

    w_s = w sqrt(m_s / m) sqrt(rho / rho_s); the glide angle does not change. Holds for a glide
    without thrust; true airspeed scales alike. Equal lift coefficient, not equal speed.
    Source: SFTE Reference Handbook, 3rd ed. 2013, section 12; equal-CL scaling by dimensional reasoning.
    """
    heavier = np.asarray(standard_mass, dtype=np.float64) / np.asarray(mass, dtype=np.float64)
    thinner = np.asarray(density, dtype=np.float64) / np.asarray(standard_density, dtype=np.float64)
    return np.asarray(sink_rate, dtype=np.float64) * np.sqrt(heavier * thinner)


def climb_rate_at_mass(
    climb_rate: ArrayLike,
    true_airspeed: ArrayLike,
    *,
    mass: ArrayLike,
    standard_mass: ArrayLike,
    induced_drag: ArrayLike,
) -> Floats:
    """Climb rate [m/s] at standard mass [kg], same speed and power, from that at test mass [kg].

    Inertia factor m/m_s, and the change of the induced drag [N, at the test mass], which goes with
    mass squared, times true airspeed [m/s] over standard weight. Holds for descents too (negative).
    Source: SFTE Reference Handbook, 3rd ed. 2013, section 12, weight correction (induced term
    2/(pi AR e rho V S) (W_t^2 - W_s^2)/W_s).
    """
    test, standard = np.asarray(mass, dtype=np.float64), np.asarray(standard_mass, dtype=np.float64)
    drag_less = np.asarray(induced_drag, dtype=np.float64) * (1 - (standard / test) ** 2)
    gained = drag_less * np.asarray(true_airspeed, dtype=np.float64) / (standard * STANDARD_GRAVITY)
    return np.asarray(climb_rate, dtype=np.float64) * test / standard + gained
