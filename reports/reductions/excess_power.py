"""Rate of climb against airspeed from level accelerations: one curve for each configuration, engine speed and height.

rate = p - a V^3 - b / V: thrust power taken as constant, less what a parabolic polar takes. Best rate lies at the top of it,
best angle where rate over true airspeed is largest; each is stated only where the flown airspeeds reach to both sides.
A run's scatter about the curve gives one part of the band, with what neighbouring blocks share; the air it was flown in
gives the other: it rises or sinks through a whole run, or turns from one to the other, and no scatter inside shows it.
Source: method of level accelerations, N. Speedy, Using Level Accelerations to Determine Climb Performance, 2018; SFTE
Reference Handbook, 3rd ed. 2013, section 12.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...shared.units import to_si
from .bands import UNKNOWN, Band, band_of, band_of_draws, widened
from .climb import ClimbFit
from .evidence import Evidence
from .excess_power_runs import Acceleration, design_of, find_accelerations
from .level import ENGINE_SPEED_SHARE
from .resampling import seed_of, student_factor
from .sheet import LeftOut, Reference

Floats = NDArray[np.float64]

HEIGHT_STEP = to_si(1000.0, "ft")  # runs nearer than this in density altitude are pooled
AIR_M_S = (
    0.2  # 40 ft/min of rising or sinking air through a run, and as much again of its change; common practice, no source
)
EDGE_SHARE = 0.025  # of the draws that may lie at an end of the airspeeds flown: half of what a band leaves out
FEWEST_RUNS = 2  # for a best airspeed: the usual practice is a pair on reciprocal headings
DRAWS = 400
STEPS = 240
EDGE_M_S = 0.3


@dataclass(frozen=True, slots=True)
class Best:
    """Airspeed [m/s, calibrated] of the best rate or angle and the rate of climb there [m/s]; why it is not stated, else ''.

    at_most, at_least: where it is not stated, the airspeed [m/s] it lies at or below, or above, with the confidence
    of a band; NaN where not told.
    """

    speed: Band
    rate: Band
    why: str
    at_most: float = float("nan")
    at_least: float = float("nan")


@dataclass(frozen=True, slots=True, eq=False)
class ExcessCurve:
    """Accelerations of one configuration, engine speed [1/s: lowest, highest] and density altitude [m, mean].

    terms (3,), covariance (3, 3) of rate = p - a u^3 - b / u (design_of); offset: standard uncertainty of the curve's
    level from the air [m/s]; type_b: share of the rate.
    """

    gear: str
    flap: str
    engine_speed: tuple[float, float]
    density_altitude: float
    true_ratio: float
    runs: tuple[Acceleration, ...]
    terms: Floats
    covariance: Floats
    offset: float
    type_b: float
    speeds: tuple[float, float]

    @property
    def flights(self) -> int:
        """How many flights it rests on."""
        return len({run.reference.sortie for run in self.runs})

    @property
    def used(self) -> tuple[Reference, ...]:
        """The stretches it rests on."""
        return tuple(run.reference for run in self.runs)

    def at(self, speed: float) -> Band:
        """Rate of climb [m/s] at calibrated airspeed [m/s] and standard mass; unknown outside what was flown."""
        if not self.speeds[0] - EDGE_M_S <= speed <= self.speeds[1] + EDGE_M_S:
            return UNKNOWN
        row = design_of(np.array([speed]))[0]
        value = float(row @ self.terms)
        spread = float(np.hypot(np.sqrt(row @ self.covariance @ row), self.offset))
        return band_of(value, spread, self.type_b * abs(value), unit="m/s")

    def angle_at(self, speed: float) -> Band:
        """Angle of climb [rad] at calibrated airspeed [m/s], still air."""
        rate, true = self.at(speed), speed * self.true_ratio
        if not rate.is_known:
            return UNKNOWN
        value, low, high = (float(np.arcsin(np.clip(v / true, -1, 1))) for v in (rate.value, rate.low, rate.high))
        return Band(value, low, high, "rad")

    def best_rate(self, airspeed_uncertainty: float) -> Best:
        """Where the rate of climb is largest; airspeed_uncertainty: standard, type B [m/s]."""
        return self._best(lambda rate, _: rate, airspeed_uncertainty)

    def best_angle(self, airspeed_uncertainty: float) -> Best:
        """Where the rate over the true airspeed is largest."""
        return self._best(lambda rate, speed: rate / speed, airspeed_uncertainty)

    def _best(self, measure: Callable[[Floats, Floats], Floats], airspeed_uncertainty: float) -> Best:
        if len(self.runs) < FEWEST_RUNS:
            return Best(UNKNOWN, UNKNOWN, "one acceleration alone does not tell the air from the aircraft")
        speed = np.linspace(*self.speeds, STEPS)
        design = design_of(speed)
        top = int(np.argmax(measure(design @ self.terms, speed)))
        tops = np.array([np.argmax(measure(design @ one, speed)) for one in self._draws()])
        slow, fast = (top == edge or np.mean(tops == edge) > EDGE_SHARE for edge in (0, STEPS - 1))
        if slow or fast:
            return _one_sided(speed, tops, slow=slow, fast=fast, airspeed_uncertainty=airspeed_uncertainty)
        band = widened(band_of_draws(speed[tops], unit="m/s", value=float(speed[top])), airspeed_uncertainty)
        return Best(band, self.at(float(speed[top])), "")

    def _draws(self) -> Floats:
        """Terms drawn from their covariance and the air's level, shape (DRAWS, 3): the same on every run."""
        random = np.random.default_rng(seed_of(*np.round(self.terms, 9), *self.used))
        draws = random.multivariate_normal(self.terms, self.covariance, size=DRAWS)
        draws[:, 0] += random.normal(0.0, self.offset, DRAWS)
        return np.asarray(draws, dtype=np.float64)


def _one_sided(speed: Floats, tops: NDArray[np.intp], *, slow: bool, fast: bool, airspeed_uncertainty: float) -> Best:
    """What a best airspeed beyond an end of those flown still tells: that it lies at or below, or above, an airspeed flown."""
    if slow and fast:
        return Best(UNKNOWN, UNKNOWN, "anywhere among the airspeeds flown or beyond")
    if slow:
        limit = widened(band_of_draws(speed[tops], unit="m/s"), airspeed_uncertainty).high
        return Best(
            UNKNOWN, UNKNOWN, "it may lie slower than was flown", at_most=limit if limit < speed[-1] else np.nan
        )
    limit = widened(band_of_draws(speed[tops], unit="m/s"), airspeed_uncertainty).low
    return Best(UNKNOWN, UNKNOWN, "it may lie faster than was flown", at_least=limit if limit > speed[0] else np.nan)


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """Rates of climb [m/s] from accelerations and from steady climbs at one airspeed [m/s] and density altitude [m]."""

    curve: ExcessCurve
    fit: ClimbFit
    speed: float
    accelerated: Band
    climbed: Band

    @property
    def difference(self) -> Band:
        """Accelerations less climbs [m/s]."""
        spread = float(np.hypot(self.accelerated.standard_uncertainty, self.climbed.standard_uncertainty))
        return band_of(self.accelerated.value - self.climbed.value, spread, unit="m/s")


@dataclass(frozen=True, slots=True)
class ExcessPowerResult:
    """Curves in order of configuration and height, standard mass [kg], what was left out with its reason."""

    curves: tuple[ExcessCurve, ...]
    standard_mass: float
    left_out: tuple[LeftOut, ...]


def reduce_excess_power(evidence: Evidence) -> ExcessPowerResult:
    """Rate of climb against airspeed of every configuration accelerated in at full power."""
    runs, left = find_accelerations(evidence)
    curves = tuple(_curve(group, evidence) for group in _groups(runs))
    return ExcessPowerResult(curves, evidence.standard_mass, left)


def compare_with_climbs(curves: tuple[ExcessCurve, ...], fits: tuple[ClimbFit, ...]) -> tuple[Comparison, ...]:
    """Pairs of one configuration and engine speed, where the heights and airspeeds of the two overlap."""
    pairs = []
    for curve in curves:
        for fit in fits:
            speed = fit.centre[0]
            measured = curve.at(speed), fit.at(speed, curve.density_altitude)
            same = (curve.gear, curve.flap) == (fit.condition.gear, fit.condition.flap)
            if same and _one_setting(curve, fit) and all(one.is_known for one in measured):
                pairs.append(Comparison(curve, fit, speed, *measured))
    return tuple(pairs)


def _one_setting(curve: ExcessCurve, fit: ClimbFit) -> bool:
    """Whether the engine turned alike; where neither tells, nothing speaks against it."""
    known = fit.points["engine_speed"].dropna() if "engine_speed" in fit.points else []
    if not len(known) or not np.isfinite(curve.engine_speed[0]):
        return not len(known) and not np.isfinite(curve.engine_speed[0])
    turning = float(np.median(known))
    low, high = curve.engine_speed
    return low * (1 - ENGINE_SPEED_SHARE) <= turning <= high * (1 + ENGINE_SPEED_SHARE)


def _groups(runs: tuple[Acceleration, ...]) -> list[tuple[Acceleration, ...]]:
    groups: list[list[Acceleration]] = []

    def key(run: Acceleration) -> tuple[str, str, float]:
        return run.gear, run.flap, run.density_altitude

    for run in sorted(runs, key=key):
        own = next((group for group in reversed(groups) if _belongs(run, group)), None)
        if own is None:
            groups.append([run])
        else:
            own.append(run)
    return [tuple(group) for group in groups]


def _belongs(run: Acceleration, group: list[Acceleration]) -> bool:
    other = group[-1]
    if (run.gear, run.flap) != (other.gear, other.flap) or run.density_altitude - other.density_altitude > HEIGHT_STEP:
        return False
    mine, theirs = float(np.mean(run.engine_speed)), float(np.mean(other.engine_speed))
    if not (np.isfinite(mine) and np.isfinite(theirs)):
        return not np.isfinite(mine) and not np.isfinite(theirs)
    return abs(mine - theirs) <= ENGINE_SPEED_SHARE * theirs


def _curve(runs: tuple[Acceleration, ...], evidence: Evidence) -> ExcessCurve:
    speed, rate = (np.concatenate([getattr(run, name) for run in runs]) for name in ("speed", "rate"))
    design = design_of(speed)
    terms = np.linalg.lstsq(design, rate, rcond=None)[0]
    left = np.split(rate - design @ terms, np.cumsum([len(run.speed) for run in runs])[:-1])
    levels = np.array([one.mean() for one in left])
    air = AIR_M_S if len(runs) < 2 else max(AIR_M_S, float(np.std(levels, ddof=1)))
    covariance = _covariance(design, [one - level for one, level in zip(left, levels, strict=True)])
    covariance += _tilt(design, speed, air / np.sqrt(len(runs)))
    unsure = evidence.settings.uncertainty
    # energy's share of speed: V dV/dt of airspeed alone, V where its rate is of ground speed
    powers = 2.0 if any(run.basis == "airspeed" for run in runs) else 1.0
    airspeed = powers * evidence.settings.airspeed_uncertainty / float(speed.mean())
    share = float(np.sqrt(unsure.vertical_speed_share**2 + unsure.mass_share**2 + airspeed**2))
    engine = np.array([run.engine_speed for run in runs])
    return ExcessCurve(
        runs[0].gear, runs[0].flap, (float(engine[:, 0].min()), float(engine[:, 1].max())),
        float(np.mean([run.density_altitude for run in runs])), float(np.mean([run.true_ratio for run in runs])), runs,
        terms, covariance, air / np.sqrt(len(runs)), share, (float(speed.min()), float(speed.max())),
    )  # fmt: skip


def _tilt(design: Floats, speed: Floats, air: float) -> Floats:
    """Covariance of the terms [3, 3] from air that rises by `air` [m/s] more at the fast end of a run than in its middle."""
    across = (2 * speed - speed.min() - speed.max()) / np.ptp(speed)
    shift = np.linalg.lstsq(design, air * across, rcond=None)[0]
    return np.asarray(np.outer(shift, shift), dtype=np.float64)


def _covariance(design: Floats, left: list[Floats]) -> Floats:
    """Of the terms: residual variance, more for what neighbouring blocks share and for how few they are."""
    whole = np.concatenate(left)
    pairs = np.concatenate([one[1:] * one[:-1] for one in left])
    shared = float(np.clip(pairs.sum() / max(float(np.sum(whole**2)), 1e-12), 0.0, 0.9))
    grown = (1 + shared) / (1 - shared)
    independent = max(len(whole) / grown - design.shape[1] - len(left) + 1, 1.0)
    variance = float(np.sum(whole**2)) / max(len(whole) - design.shape[1], 1) * grown
    return np.asarray(np.linalg.inv(design.T @ design) * variance * student_factor(independent) ** 2, dtype=np.float64)
