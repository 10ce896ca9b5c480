"""Airspeeds: what the pitot tube measures, and what flies.

Dry air, ratio of specific heats 1.4; isentropic up to Mach 1, behind a normal shock (Rayleigh's
relation) from there to Mach 2. Faster, and with a negative impact pressure, the result is NaN.
Source: NASA RP-1046 (Gracey, Measurement of Aircraft Speed and Altitude, 1980), unless a function
names another.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .atmosphere import pressure_ratio, speed_of_sound
from .constants import SEA_LEVEL_PRESSURE, SEA_LEVEL_SPEED_OF_SOUND, SPECIFIC_HEAT_AIR

Floats = NDArray[np.float64]

_FASTEST = 2.0  # Mach number up to which the relations are used
_RAYLEIGH = 1.2**3.5 * 6**2.5  # 166.92158: total pressure behind a normal shock, specific heats 1.4


def _compression(mach: Floats) -> Floats:
    """Impact over static pressure [1] at Mach number [1]: (1 + 0.2 M^2)^3.5 - 1; Rayleigh's above Mach 1."""
    usable: Floats = np.where((mach >= 0) & (mach <= _FASTEST), mach, np.nan)
    ratio = (1 + 0.2 * usable**2) ** 3.5 - 1
    if not (usable > 1).any():
        return ratio
    fast = np.maximum(usable, 1.0)
    return np.where(usable > 1, _RAYLEIGH * fast**7 / (7 * fast**2 - 1) ** 2.5 - 1, ratio)[()]


_SONIC_RATIO, _LARGEST_RATIO = (float(_compression(np.asarray(mach))) for mach in (1.0, _FASTEST))


def _mach_of_compression(ratio: Floats) -> Floats:
    """Mach number [1] at impact over static pressure [1]: the inverse of `_compression`."""
    usable: Floats = np.where((ratio >= 0) & (ratio <= _LARGEST_RATIO), ratio, np.nan)
    mach = np.sqrt(5 * ((usable + 1) ** (2 / 7) - 1))
    if not (usable > _SONIC_RATIO).any():
        return mach
    total = np.maximum(usable, _SONIC_RATIO) + 1
    fast = np.maximum(mach, 1.0)
    for _ in range(40):  # Rayleigh's relation solved for its leading M: each round gains a factor of 2.4 or more
        fast = np.sqrt(total * (7 - fast**-2) ** 2.5 / _RAYLEIGH)
    return np.where(usable > _SONIC_RATIO, fast, mach)[()]


def impact_pressure(calibrated_airspeed: ArrayLike) -> Floats:
    """Impact pressure [Pa] at calibrated airspeed [m/s], up to 680 m/s.

    Calibrated airspeed is by definition the speed with this impact pressure at sea level on a
    standard day.
    """
    mach = np.asarray(calibrated_airspeed, dtype=np.float64) / SEA_LEVEL_SPEED_OF_SOUND
    return SEA_LEVEL_PRESSURE * _compression(mach)


def calibrated_airspeed(impact_pressure: ArrayLike) -> Floats:
    """Calibrated airspeed [m/s] at impact pressure [Pa] from 0 up; inverse of `impact_pressure`."""
    ratio = np.asarray(impact_pressure, dtype=np.float64) / SEA_LEVEL_PRESSURE
    return SEA_LEVEL_SPEED_OF_SOUND * _mach_of_compression(ratio)


def impact_pressure_of_mach(mach: ArrayLike, pressure: ArrayLike) -> Floats:
    """Impact pressure [Pa] at Mach number [1], 0 to 2, and static pressure [Pa]."""
    return _compression(np.asarray(mach, dtype=np.float64)) * np.asarray(pressure, dtype=np.float64)


def mach_number(impact_pressure: ArrayLike, pressure: ArrayLike) -> Floats:
    """Mach number [1], 0 to 2, from impact pressure [Pa] and static pressure [Pa]."""
    static = np.asarray(pressure, dtype=np.float64)
    return _mach_of_compression(np.asarray(impact_pressure, dtype=np.float64) / np.where(static > 0, static, np.nan))


def mach_of_calibrated(calibrated_airspeed: ArrayLike, pressure: ArrayLike) -> Floats:
    """Mach number [1] at calibrated airspeed [m/s] and static pressure [Pa]; needs no temperature."""
    return mach_number(impact_pressure(calibrated_airspeed), pressure)


def true_airspeed(calibrated_airspeed: ArrayLike, pressure: ArrayLike, *, temperature: ArrayLike) -> Floats:
    """True airspeed [m/s] from calibrated airspeed [m/s], static pressure [Pa] and static temperature [K].

    Mach number times speed of sound, up to Mach 2.
    """
    return mach_of_calibrated(calibrated_airspeed, pressure) * speed_of_sound(temperature)


def calibrated_from_true(true_airspeed: ArrayLike, pressure: ArrayLike, *, temperature: ArrayLike) -> Floats:
    """Calibrated airspeed [m/s] from true airspeed [m/s], static pressure [Pa] and temperature [K]."""
    mach = np.asarray(true_airspeed, dtype=np.float64) / speed_of_sound(temperature)
    return calibrated_airspeed(impact_pressure_of_mach(mach, pressure))


def equivalent_airspeed(calibrated_airspeed: ArrayLike, pressure: ArrayLike) -> Floats:
    """Equivalent airspeed [m/s] from calibrated airspeed [m/s] and static pressure [Pa].

    a0 M sqrt(delta): calibrated airspeed less the compressibility correction (0.1 kt at 80 kt, 14 500 ft).
    """
    mach = mach_of_calibrated(calibrated_airspeed, pressure)
    delta = pressure_ratio(pressure)
    return SEA_LEVEL_SPEED_OF_SOUND * mach * np.sqrt(np.where(delta > 0, delta, np.nan))


def calibrated_from_equivalent(equivalent_airspeed: ArrayLike, pressure: ArrayLike) -> Floats:
    """Calibrated airspeed [m/s] from equivalent airspeed [m/s] and static pressure [Pa]; inverse of the above."""
    delta = pressure_ratio(pressure)
    sound = SEA_LEVEL_SPEED_OF_SOUND * np.sqrt(np.where(delta > 0, delta, np.nan))
    mach = np.asarray(equivalent_airspeed, dtype=np.float64) / sound
    return calibrated_airspeed(impact_pressure_of_mach(mach, pressure))


def true_from_equivalent(equivalent_airspeed: ArrayLike, density_ratio: ArrayLike) -> Floats:
    """True airspeed [m/s] from equivalent airspeed [m/s] and density ratio [1] above 0: EAS / sqrt(sigma)."""
    sigma = np.asarray(density_ratio, dtype=np.float64)
    return np.asarray(equivalent_airspeed, dtype=np.float64) / np.sqrt(np.where(sigma > 0, sigma, np.nan))


def equivalent_from_true(true_airspeed: ArrayLike, density_ratio: ArrayLike) -> Floats:
    """Equivalent airspeed [m/s] from true airspeed [m/s] and density ratio [1]: TAS sqrt(sigma)."""
    sigma = np.asarray(density_ratio, dtype=np.float64)
    return np.asarray(true_airspeed, dtype=np.float64) * np.sqrt(np.where(sigma > 0, sigma, np.nan))


def static_temperature(measured_temperature: ArrayLike, mach: ArrayLike, *, recovery_factor: float) -> Floats:
    """Static temperature [K] from a probe's temperature [K], Mach number [1] and recovery factor [1].

    T = T_measured / (1 + 0.2 r M^2); r is 0 (no ram rise read) to 1 (all of it). Subsonic.
    """
    number = np.asarray(mach, dtype=np.float64)
    return np.asarray(measured_temperature, dtype=np.float64) / (1 + 0.2 * recovery_factor * number**2)


def ram_rise(true_airspeed: ArrayLike, recovery_factor: float) -> Floats:
    """Temperature rise [K] a probe reads at true airspeed [m/s] with recovery factor [1]: r V^2 / (2 c_p)."""
    return recovery_factor * np.asarray(true_airspeed, dtype=np.float64) ** 2 / (2 * SPECIFIC_HEAT_AIR)
