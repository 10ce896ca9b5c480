"""Airspeed calibration and wind from any full turn and any set of legs, flight after flight.

The scale k of each estimate says how much faster (k > 1) the aircraft moved through the air than the
airspeed system made of it; at these speeds k scales calibrated airspeed as well, so the correction is
(k - 1) times it. Pooled by configuration: a straight line over airspeed where speeds differ enough.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...shared.units import to_si
from .air_legs import AirEstimate, find_air_estimates
from .bands import Band, band_of
from .evidence import Evidence
from .sheet import LeftOut

Floats = NDArray[np.float64]

SPAN_FOR_A_LINE = to_si(15.0, "kt")  # of airspeeds, below which one mean correction is all the data can tell
ALARM = 3.0  # standard deviations a flight may be off the others, before the allowance for several flights


@dataclass(frozen=True, slots=True)
class PooledCorrection:
    """The correction of one configuration: calibrated = as calibrated now + correction, line over airspeed.

    low, high: airspeeds it was measured between [m/s]; level, slope: of the line about `centre` [m/s];
    covariance of (level, slope), type A; type_b: standard uncertainty of the correction [m/s] at the centre.
    """

    gear: str
    flap: str
    low: float
    high: float
    centre: float
    level: float
    slope: float
    covariance: Floats
    type_b: float
    estimates: int
    flights: int

    def at(self, airspeed: float) -> Band:
        """The correction [m/s] at an airspeed [m/s]; NaN outside the measured range."""
        if not self.low - 0.5 <= airspeed <= self.high + 0.5:
            return Band(float("nan"), float("nan"), float("nan"), "m/s")
        step = airspeed - self.centre
        variance = self.covariance[0, 0] + 2 * step * self.covariance[0, 1] + step**2 * self.covariance[1, 1]
        type_b = self.type_b * airspeed / self.centre
        return band_of(self.level + self.slope * step, float(np.sqrt(variance)), type_b, unit="m/s")


@dataclass(frozen=True, slots=True)
class FlightScale:
    """One flight against the pooled correction of the other flights: difference of scale [1] and its standard error."""

    sortie: str
    difference: float
    error: float
    estimates: int
    alarm: bool


@dataclass(frozen=True, slots=True)
class CalibrationResult:
    """Estimates, their pooling by configuration, flights against each other, what gave nothing."""

    estimates: tuple[AirEstimate, ...]
    pooled: tuple[PooledCorrection, ...]
    flights: tuple[FlightScale, ...]
    left_out: tuple[LeftOut, ...]


def reduce_calibration(evidence: Evidence) -> CalibrationResult:
    """Scale, wind and correction of the airspeed system of one aircraft's flights."""
    estimates, left_out = find_air_estimates(evidence)
    groups: dict[tuple[str, str], list[AirEstimate]] = {}
    for one in estimates:
        groups.setdefault((one.gear, one.flap), []).append(one)
    pooled = tuple(_pool(key, group, evidence) for key, group in sorted(groups.items()))
    return CalibrationResult(estimates, pooled, _against_each_other(estimates), (*evidence.left_out, *left_out))


def type_b_of_scale(evidence: Evidence, temperature: float) -> float:
    """Standard uncertainty of type B of the scale [1]: air temperature (half its share) and velocity over the ground."""
    known = temperature if temperature == temperature else 288.15
    share = evidence.settings.uncertainty.temperature / known / 2
    return float(np.hypot(share, evidence.settings.uncertainty.ground_speed / 50.0))


def _pool(key: tuple[str, str], group: list[AirEstimate], evidence: Evidence) -> PooledCorrection:
    speed = np.array([one.calibrated_airspeed for one in group])
    correction = np.array([(one.scale - 1) * one.calibrated_airspeed for one in group])
    error = np.array([one.scale_error * one.calibrated_airspeed for one in group])
    centre = float(speed.mean())
    with_line = np.ptp(speed) >= SPAN_FOR_A_LINE and len(group) >= 4
    answer, covariance = fit_with_excess(speed - centre, correction, error, with_line=bool(with_line))
    temperature = float(np.nanmean([one.temperature for one in group]))
    return PooledCorrection(
        *key, float(speed.min()), float(speed.max()), centre, float(answer[0]), float(answer[1]), covariance,
        type_b_of_scale(evidence, temperature) * centre, len(group), len({one.sortie for one in group}),
    )  # fmt: skip


def fit_with_excess(x: Floats, y: Floats, error: Floats, *, with_line: bool) -> tuple[Floats, Floats]:
    """Weighted level (and slope) of y over x with errors, shape (n,): (level, slope), covariance (2, 2).

    Where the scatter is more than the errors tell, a common excess variance is added to all until it is not
    (R. DerSimonian and N. Laird, Controlled Clinical Trials 7, 1986: here solved by repetition): repeats
    minutes apart share neither air nor wind. A single estimate keeps an excess of 0.5 % of a usual speed.
    """
    design = np.stack([np.ones_like(x), x], axis=1)[:, : 2 if with_line else 1]
    free = len(x) - design.shape[1]
    excess = 0.25**2 if free <= 0 else 0.0
    answer = np.zeros(design.shape[1])
    inverse = np.eye(design.shape[1])
    for _ in range(100):
        weight = 1 / (error**2 + excess)
        inverse = np.asarray(np.linalg.inv((design.T * weight) @ design), dtype=np.float64)
        answer = inverse @ (design.T * weight) @ y
        chi_square = float(np.sum(weight * (y - design @ answer) ** 2))
        if free <= 0 or chi_square <= free * 1.001:
            break
        excess = max(excess, 1e-6) * max(chi_square / free, 1.02) + 1e-9
    whole, spread = np.zeros(2), np.zeros((2, 2))
    whole[: len(answer)], spread[: len(answer), : len(answer)] = answer, inverse
    return whole, spread


def _against_each_other(estimates: tuple[AirEstimate, ...]) -> tuple[FlightScale, ...]:
    """Each flight's mean departure from the line through the other flights of the same configuration."""
    names = sorted({one.sortie for one in estimates})
    compared = [_one_against_others(name, estimates) for name in names]
    known = [one for one in compared if one is not None]
    limit = ALARM + 0.2 * max(len(known) - 1, 0) ** 0.5  # a little more room when many are compared
    return tuple(
        FlightScale(sortie, difference, error, count, abs(difference) > limit * error)
        for sortie, difference, error, count in known
    )


def _one_against_others(name: str, estimates: tuple[AirEstimate, ...]) -> tuple[str, float, float, int] | None:
    own = [one for one in estimates if one.sortie == name]
    keys = {(one.gear, one.flap) for one in own}
    others = [one for one in estimates if one.sortie != name and (one.gear, one.flap) in keys]
    if len(others) < 3 or len({one.sortie for one in others}) < 2:
        return None
    speed = np.array([one.calibrated_airspeed for one in others])
    centre, span = float(speed.mean()), float(np.ptp(speed))
    y = np.array([one.scale for one in others])
    error = np.array([one.scale_error for one in others])
    line, covariance = fit_with_excess(speed - centre, y, error, with_line=span >= SPAN_FOR_A_LINE and len(others) >= 4)
    scatter = float(np.std(y - line[0] - line[1] * (speed - centre), ddof=1))
    inside = [one for one in own if speed.min() - 5 <= one.calibrated_airspeed <= speed.max() + 5]
    if not inside:
        return None
    off = np.array([one.scale - line[0] - line[1] * (one.calibrated_airspeed - centre) for one in inside])
    return name, float(off.mean()), float(np.sqrt(scatter**2 / len(inside) + covariance[0, 0])), len(inside)
