"""From time shifts of many windows to one clock: offset, drift and how well each is known.

Every window of the flight gives a shift and an information (inverse variance). A robust straight line through them is the clock; deleting one window after the other
(the jackknife, Efron and Stein 1981) gives uncertainties that allow for autocorrelation inside a
window and for disagreement between windows, whatever their cause.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...shared.recording import Floats

DRIFT_PRIOR_PPM = 100.0  # quartz clocks: tens of ppm common, 300 ppm seen; one standard deviation assumed
DRIFT_LARGEST_PPM = 300.0  # no clock worth the name is worse: what 'not looked for' leaves open
FEW = 4  # fewer windows say nothing of their own scatter
RESOLVED = 2.0  # a drift counts as measured above this many standard deviations


@dataclass(frozen=True, slots=True, eq=False)
class Shifts:
    """Time shifts by window. time_s, shift_s: (k,); shift positive = recorder ahead.

    information: (k,), inverse variance of each shift as far as its own window tells, 1/s^2.
    """

    time_s: Floats
    shift_s: Floats
    information: Floats


@dataclass(frozen=True, slots=True)
class ClockLine:
    """offset_s at time zero of the recording, drift in ppm, one-sigma uncertainties.

    drift_ppm is zero when it is not resolved; drift_uncertainty_ppm tells how well it was looked for.
    middle_s: time at which the offset is best known.
    """

    offset_s: float
    uncertainty_s: float
    drift_ppm: float
    drift_uncertainty_ppm: float
    middle_s: float
    windows: int

    @property
    def middle_offset_s(self) -> float:
        """Clock error where it is best known; what a lag is, which has no drift however the windows scatter."""
        return self.offset_s + self.drift_ppm * 1e-6 * self.middle_s

    def error_at(self, time_s: Floats) -> Floats:
        """Clock error in seconds at the given times (seconds of the recording)."""
        return np.asarray(self.offset_s + self.drift_ppm * 1e-6 * time_s)


def fit_line(shifts: Shifts, wander_s: float = 0.0) -> ClockLine | None:
    """The clock through the windows' shifts; None when no window says anything.

    wander_s: what the lag of the quantity compared may change by in the course of the flight.
    """
    good = np.isfinite(shifts.shift_s) & (shifts.information > 0)
    time_s, shift, weight = shifts.time_s[good], shifts.shift_s[good], shifts.information[good]
    if not len(time_s):
        return None
    least = 1.0 / float(np.sqrt(weight.sum()))  # what the windows themselves leave open
    weight = _capped(weight)
    weight = _capped(weight * _robust_weights(time_s, shift, weight))
    middle = float(np.sum(weight * time_s))
    mean, slope = _solve(time_s - middle, shift, weight)
    mean_error, slope_error = _jackknife(time_s - middle, shift, weight)
    mean_error = max(mean_error, least * (1.0 if len(weight) >= FEW else 3.0))
    spread = float(np.ptp(time_s)) / np.sqrt(12.0)
    drift_error = min(float(np.hypot(slope_error, wander_s / max(spread, 1.0))) * 1e6, DRIFT_LARGEST_PPM)
    resolved = abs(slope) * 1e6 > RESOLVED * drift_error
    drift = slope * 1e6 if resolved else 0.0
    half = min(drift_error, DRIFT_PRIOR_PPM) * 1e-6 * spread
    offset = (mean if resolved else float(np.sum(weight * shift))) - drift * 1e-6 * middle
    return ClockLine(offset, float(np.hypot(mean_error, half)), drift, drift_error, middle, len(time_s))


def _capped(weight: Floats) -> Floats:
    """Weights of sum one, none above a fifth: the jackknife says nothing of a single window."""
    weight = weight / weight.sum()
    if np.count_nonzero(weight) < 6:
        return weight
    for _ in range(20):
        weight = np.minimum(weight, 0.2)
        weight = weight / weight.sum()
        if weight.max() <= 0.201:
            break
    return weight


def _solve(time_s: Floats, shift: Floats, weight: Floats) -> tuple[float, float]:
    """Weighted mean and slope, the slope held back by the prior of quartz clocks."""
    products = (weight, weight * time_s, weight * (time_s * time_s), weight * shift, weight * (time_s * shift))
    sums = np.array([np.add.reduce(product) for product in products])
    mean, slope = _from_sums(sums, _ridge(shift, weight), len(time_s))
    return float(mean), float(slope)


def _sums(time_s: Floats, shift: Floats, weight: Floats) -> Floats:
    """What each window adds to the normal equations, (5, k)."""
    return np.asarray(weight * np.stack([np.ones_like(time_s), time_s, time_s**2, shift, time_s * shift]))


def _ridge(shift: Floats, weight: Floats) -> float:
    total = float(weight.sum())
    mean = float(np.sum(weight * shift)) / total
    scatter = float(np.sum(weight * (shift - mean) ** 2)) / total / max(len(shift) - 1, 1)
    return scatter / (3 * DRIFT_PRIOR_PPM * 1e-6) ** 2


def _from_sums(sums: Floats, ridge: float, count: int) -> tuple[Floats, Floats]:
    """Mean and slope from the sums of the normal equations, (5,) or (5, m)."""
    s0, s1, s2, y0, y1 = sums
    if count < FEW:
        return np.asarray(y0 / s0), np.zeros_like(y0)
    s2 = s2 + ridge * s0
    determinant = s0 * s2 - s1 * s1
    return np.asarray((y0 * s2 - y1 * s1) / determinant), np.asarray((s0 * y1 - s1 * y0) / determinant)


def _robust_weights(time_s: Floats, shift: Floats, weight: Floats) -> Floats:
    """Huber weights of the windows about their line: a wild window counts little, none is dropped."""
    robust = np.ones(len(shift))
    if len(shift) < 5:
        return robust
    for _ in range(6):
        w = weight * robust
        w = w / w.sum()
        middle = np.sum(w * time_s)
        mean, slope = _solve(time_s - middle, shift, w)
        # windows of little information scatter more: standardise before judging
        standard = (shift - mean - slope * (time_s - middle)) * np.sqrt(weight / weight.max())
        scale = 1.4826 * _weighted_median(np.abs(standard), weight)
        if scale == 0.0:
            return np.asarray((standard == 0.0).astype(np.float64))
        robust = np.minimum(1.0, 2.0 * scale / np.maximum(np.abs(standard), 1e-12))
    return np.asarray(robust)


def _weighted_median(values: Floats, weight: Floats) -> float:
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])


def _jackknife(time_s: Floats, shift: Floats, weight: Floats) -> tuple[float, float]:
    """Standard errors of mean and slope by leaving out one window at a time."""
    count = len(time_s)
    if count < FEW:
        spread = float(np.ptp(shift)) if count > 1 else 0.0
        return max(spread / 2.0, 1e-3), DRIFT_LARGEST_PPM * 1e-6
    sums = _sums(time_s, shift, weight)
    without = sums.sum(axis=1, keepdims=True) - sums
    results = np.stack(_from_sums(without, _ridge(shift, weight), count - 1))
    deviation = results - results.mean(axis=1, keepdims=True)
    mean_error, slope_error = np.sqrt((count - 1) / count * (deviation**2).sum(axis=1))
    return float(mean_error), float(slope_error)
