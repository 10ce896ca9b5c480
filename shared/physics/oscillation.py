"""Damped oscillations: damping from successive peaks, and the phugoid's first approximation."""

from __future__ import annotations

from math import log, pi, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .constants import STANDARD_GRAVITY

Floats = NDArray[np.float64]


def damping_ratio_of_peaks(amplitude_ratio: ArrayLike, half_cycles: ArrayLike = 1.0) -> Floats:
    """Damping ratio [1] from a later over an earlier peak amplitude [1] (above 0), `half_cycles` [1] apart.

    Logarithmic decrement: d = -ln(ratio) / half_cycles, zeta = d / sqrt(pi^2 + d^2). Amplitudes are
    measured from the steady value, signs left out; peak to opposite peak is one half cycle. Negative
    for a growing oscillation. Linear second-order motion, zeta below 1.
    Source: SFTE Reference Handbook, 3rd ed. 2013, section 8, method 2.
    """
    ratio = np.asarray(amplitude_ratio, dtype=np.float64)
    decrement = -np.log(np.where(ratio > 0, ratio, np.nan)) / np.asarray(half_cycles, dtype=np.float64)
    return decrement / np.sqrt(pi**2 + decrement**2)


def mean_peak_ratio(amplitudes: ArrayLike) -> Floats:
    """Mean ratio [1] of each peak to the one before, from successive peak amplitudes, shape (n,), n >= 2.

    Source: SFTE Reference Handbook, 3rd ed. 2013, section 8, method 2.
    """
    peaks = np.abs(np.asarray(amplitudes, dtype=np.float64))
    return np.asarray(np.mean(peaks[1:] / peaks[:-1]), dtype=np.float64)[()]


def undamped_frequency(period: ArrayLike, damping_ratio: ArrayLike) -> Floats:
    """Undamped natural frequency [rad/s] from the period [s] as seen and the damping ratio [1], below 1."""
    damping = np.asarray(damping_ratio, dtype=np.float64)
    oscillating: Floats = np.where(np.abs(damping) < 1, damping, np.nan)
    return 2 * pi / np.asarray(period, dtype=np.float64) / np.sqrt(1 - oscillating**2)


def time_to_half(period: ArrayLike, damping_ratio: ArrayLike) -> Floats:
    """Time [s] in which the amplitude halves, from period [s] and damping ratio [1]; infinite when undamped.

    ln 2 / (zeta omega_n); a negative result is the time to double. Source: linear second-order motion.
    """
    rate = np.asarray(damping_ratio, dtype=np.float64) * undamped_frequency(period, damping_ratio)
    with np.errstate(divide="ignore"):
        return log(2) / rate


def phugoid_period(true_airspeed: ArrayLike) -> Floats:
    """Period [s] of the phugoid at true airspeed [m/s]: pi sqrt(2) V / g.

    Lanchester's approximation (Aerodonetics, 1908): constant angle of attack, no drag; real aircraft
    differ by some 10 %.
    """
    return pi * sqrt(2) * np.asarray(true_airspeed, dtype=np.float64) / STANDARD_GRAVITY


def phugoid_damping(lift_to_drag: ArrayLike) -> Floats:
    """Damping ratio [1] of the phugoid at lift-to-drag ratio [1] above 0: 1 / (sqrt(2) L/D).

    Lanchester's approximation with drag: the draggier, the better damped. Constant thrust.
    """
    ratio = np.asarray(lift_to_drag, dtype=np.float64)
    return 1 / (sqrt(2) * np.where(ratio > 0, ratio, np.nan))
