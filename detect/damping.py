"""Period and damping of one free oscillation, two ways: from its peaks, and by a damped-cosine fit.

Peaks: swings from each peak to the opposite one need no steady value; the logarithmic decrement of
successive swings gives the damping ratio, twice their mean spacing the period (SFTE Reference
Handbook, 3rd ed. 2013, section 8, method 2).
Fit: x = a + b t + exp(-s t) (c cos w t + d sin w t) by least squares (Levenberg and Marquardt);
period 2 pi / w, damping ratio s / sqrt(s^2 + w^2). Standard errors of the fit allow for the
correlation of its residuals.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from ..shared.physics.oscillation import damping_ratio_of_peaks, mean_peak_ratio
from ..shared.recording import Floats
from .autocorrelation import correlation_times
from .signal import Indices

NEEDED_PEAKS = 3
ITERATIONS = 200  # evaluations of the fit, far more than it needs
LEAST_SAMPLES = 12
NAN = float("nan")


@dataclass(frozen=True, slots=True)
class Decay:
    """Period [s] and damping ratio [1] of an oscillation, each with its standard error."""

    period_s: float
    period_error_s: float
    damping_ratio: float
    damping_ratio_error: float


@dataclass(frozen=True, slots=True)
class FittedDecay:
    """A damped cosine: its decay, first amplitude in the channel's unit, share of variance it explains."""

    decay: Decay
    amplitude: float
    explained: float
    residual: float


def turning_points(values: Floats, least: float) -> Indices:
    """Indices of alternating maxima and minima, each at least `least` from the one before.

    Missing samples are passed over. The first and the last sample may be among them.
    """
    known = np.flatnonzero(np.isfinite(values))
    if len(known) < 3:
        return np.empty(0, np.int64)
    x = values[known]
    moved = np.flatnonzero(np.diff(x) != 0.0)
    if not len(moved):
        return np.empty(0, np.int64)
    rising = np.diff(x)[moved] > 0
    corner = np.concatenate((known[moved[:1]], known[moved[1:][rising[1:] != rising[:-1]]], known[-1:]))
    return _with_swing(corner, values[corner], least)


def _with_swing(places: Indices, values: Floats, least: float) -> Indices:
    """Of alternating extremes those that stay when swings under `least` are taken out."""
    kept: list[int] = []
    levels: list[float] = []
    for place, level in zip(places.tolist(), values.tolist(), strict=True):
        if len(levels) >= 2 and (level - levels[-1]) * (levels[-1] - levels[-2]) >= 0:
            kept[-1], levels[-1] = place, level  # goes on the same way: the extreme moves along
        elif not levels or abs(level - levels[-1]) >= least:
            kept.append(place)
            levels.append(level)
    return np.array(kept, dtype=np.int64)


def decay_of_peaks(times_s: Floats, values: Floats, noise: float) -> Decay:
    """From successive opposite peaks, shape (n,), n >= 3; noise: standard deviation of one peak's value."""
    swings = np.abs(np.diff(values))
    spacing = np.diff(times_s)
    damping = float(damping_ratio_of_peaks(mean_peak_ratio(swings)))
    each = damping_ratio_of_peaks(swings[1:] / swings[:-1])
    scatter = float(np.std(each, ddof=1) / np.sqrt(len(each))) if len(each) > 1 else 0.0
    # one ratio's error from the noise of its two swings, as small changes of d / sqrt(pi^2 + d^2)
    relative = np.sqrt(2.0) * noise * np.sqrt(1 / swings[1:] ** 2 + 1 / swings[:-1] ** 2)
    from_noise = float(np.sqrt(np.mean(relative**2) / len(relative)) / np.pi)
    period_scatter = 2 * float(np.std(spacing, ddof=1) / np.sqrt(len(spacing))) if len(spacing) > 1 else NAN
    return Decay(2 * float(spacing.mean()), period_scatter, damping, max(scatter, from_noise))


def fit_damped_cosine(time_s: Floats, values: Floats, period_s: float) -> FittedDecay | None:
    """Least squares from a first guess of the period; None when it does not settle on an oscillation."""
    known = np.isfinite(values)
    t, x = time_s[known], values[known]
    if len(t) < LEAST_SAMPLES or np.ptp(x) <= 1e-12 * np.abs(x).max():
        return None
    t = t - t[0]
    rates = _settle(t, x, np.array([2 * np.pi / period_s, 0.1 * 2 * np.pi / period_s]))
    omega, decay = rates
    if not 0.4 < omega * period_s / (2 * np.pi) < 2.5 or not abs(decay) < 2 * omega:
        return None
    return _described(t, x, rates)


def _basis(t: Floats, rates: Floats) -> Floats:
    envelope = np.exp(-rates[1] * t)
    return np.stack((np.ones(len(t)), t, envelope * np.cos(rates[0] * t), envelope * np.sin(rates[0] * t)), axis=1)


def _linear(t: Floats, x: Floats, rates: Floats) -> tuple[Floats, Floats]:
    basis = _basis(t, rates)
    weights: Floats = np.asarray(np.linalg.lstsq(basis, x, rcond=None)[0], dtype=np.float64)
    return weights, x - basis @ weights


def _slopes(t: Floats, rates: Floats, weights: Floats) -> Floats:
    """Derivatives of the model by all six parameters (n, 6)."""
    basis = _basis(t, rates)
    swing = basis[:, 2] * weights[2] + basis[:, 3] * weights[3]
    turned = -basis[:, 3] * weights[2] + basis[:, 2] * weights[3]
    return np.concatenate((basis, (t * turned)[:, None], (-t * swing)[:, None]), axis=1)


def _settle(t: Floats, x: Floats, rates: Floats) -> Floats:
    """Frequency [rad/s] and decay [1/s] of least squares; the four linear parameters follow from them."""
    limit = 20.0 / t[-1]  # beyond this the envelope spans more than floats do

    def rest(trial: Floats) -> Floats:
        return _linear(t, x, np.array([trial[0], np.clip(trial[1], -limit, limit)]))[1]

    found = least_squares(rest, rates, method="lm", x_scale=rates, max_nfev=ITERATIONS)
    return np.asarray(found.x, dtype=np.float64)


def _described(t: Floats, x: Floats, rates: Floats) -> FittedDecay:
    weights, rest = _linear(t, x, rates)
    slopes = _slopes(t, rates, weights)
    scale = np.sqrt(np.einsum("ij,ij->j", slopes, slopes))
    inverse = np.linalg.pinv((slopes / scale).T @ (slopes / scale)) / np.outer(scale, scale)
    independent = correlation_times(rest[None, :])[0]
    variance = float(rest @ rest) / max(len(t) - 6, 1) * independent
    omega, decay = float(rates[0]), float(rates[1])
    error_omega, error_decay = np.sqrt(np.maximum(np.diag(inverse)[4:] * variance, 0.0))
    size = omega * omega + decay * decay
    ratio_error = np.hypot(omega * omega * error_decay, omega * decay * error_omega) / size**1.5
    period = 2 * np.pi / omega
    spread = float(((x - x.mean()) ** 2).sum())
    return FittedDecay(
        Decay(period, float(period * error_omega / omega), decay / float(np.sqrt(size)), float(ratio_error)),
        amplitude=float(np.hypot(weights[2], weights[3])),
        explained=1.0 - float(rest @ rest) / spread if spread > 0 else 0.0,
        residual=float(np.sqrt(np.mean(rest * rest))),
    )
