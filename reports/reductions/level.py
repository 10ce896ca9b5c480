"""Level flight: power needed against airspeed, mass and density taken out (PIW against VIW).

VIW = V sqrt(s m_s/m) and PIW = P sqrt(s) (m_s/m)^1.5, s the density ratio; for a parabolic polar PIW VIW is a straight
line over VIW^4. Where no power is recorded, fuel flow at one engine speed stands for it: the ratio of the two is
taken as constant. A little climb or sink left in a level point is taken out by its own term.
Source: method from memory (checks GL-7), algebra of the parabolic polar.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ...shared.units import to_si
from .bands import UNKNOWN, Band, band_of, worth_telling
from .evidence import Evidence, references_of
from .present import counted, say
from .resampling import redraw, spread_of
from .sheet import LeftOut, Reference

Floats = NDArray[np.float64]

POWER_CHANNELS: tuple[tuple[str, str], ...] = (("fuel_flow", "volume_flow"), ("fuel_mass_flow", "mass_flow"))
FEWEST = 5
LEAST_SPAN = to_si(20.0, "kt")
ENGINE_SPEED_SHARE = 0.015  # levels of engine speed that count as one setting
MOST_CLIMB = to_si(250.0, "fpm")
WIDEST_SHARE = 0.2  # a band wider than this share of the value says nothing a pilot can use; common practice, no source
WIDEST_SPEED_SHARE = 0.15  # the same of an airspeed
LEAST_GOOD = 0.95  # of the draws that must have such an airspeed at all: what a band holds


@dataclass(frozen=True, slots=True, eq=False)
class LevelFit:
    """One configuration and engine speed. index: PIW of the points in the channel's unit, speed: VIW [m/s].

    terms: (a, b, c) of PIW VIW = a VIW^4 + b + c (rate of climb x VIW); draws by resampling. mass_share, airspeed: standard
    uncertainties of type B, share of PIW and m/s; no fuel meter's own is among them.
    """

    gear: str
    flap: str
    engine_speed: float
    channel: str
    quantity: str
    points: pd.DataFrame
    speed: Floats
    index: Floats
    terms: Floats
    draws: Floats
    mass_share: float
    airspeed: float
    least_power_speed: Band
    least_per_distance_speed: Band
    origin: tuple[Reference, ...]

    @property
    def words(self) -> str:
        """'gear up, flap up, 2410 rpm'; the range of engine speeds where the propeller is of fixed pitch."""
        turning = self.points["engine_speed"] * 60
        one = turning.max() - turning.min() <= 2 * ENGINE_SPEED_SHARE * self.engine_speed * 60
        told = f"{self.engine_speed * 60:.0f}" if one else f"{turning.min():.0f} to {turning.max():.0f}"
        return f"gear {self.gear}, flap {self.flap}, {told} rpm"

    def at(self, speed: float) -> Band:
        """PIW at VIW [m/s]; unknown outside what was flown."""
        if not self.speed.min() - 0.3 <= speed <= self.speed.max() + 0.3:
            return UNKNOWN
        value = float(self.terms[0] * speed**3 + self.terms[1] / speed)
        slope = float(
            3 * self.terms[0] * speed**2 - self.terms[1] / speed**2
        )  # a misread airspeed slides along the curve
        type_b = float(np.hypot(self.mass_share * value, slope * self.airspeed))
        drawn = self.draws[:, 0] * speed**3 + self.draws[:, 1] / speed
        return worth_telling(band_of(value, spread_of(drawn), type_b, unit="SI"), WIDEST_SHARE)


@dataclass(frozen=True, slots=True)
class LevelResult:
    """Fits, standard mass [kg], what was left out."""

    fits: tuple[LevelFit, ...]
    standard_mass: float
    left_out: tuple[LeftOut, ...]


def reduce_level(evidence: Evidence) -> LevelResult:
    """Level speed-power of every configuration and engine speed with enough points."""
    points = evidence.points
    left_out = list(evidence.left_out)
    channel = next(
        ((name, quantity) for name, quantity in POWER_CHANNELS if name in points and points[name].notna().any()), None
    )
    needed = ["equivalent_airspeed", "density_ratio", "mass", "engine_speed", "sink_rate"]
    if channel is None or any(name not in points for name in needed):
        return LevelResult((), evidence.standard_mass, tuple(left_out))
    level = points[(points["kind"] == "level") & points[[*needed, channel[0]]].notna().all(axis=1)]
    steady = level[level["sink_rate"].abs() <= MOST_CLIMB]
    fits = []
    for (gear, flap), group in steady.groupby(["gear", "flap"], sort=True):
        # a fixed pitch turns faster the faster it flies: its points are of one curve, not of one engine speed
        governed = evidence.settings.aircraft.governed_propeller is not False
        for part in _by_engine_speed(group) if governed else [group]:
            name = f"gear {gear}, flap {flap}, {part['engine_speed'].median() * 60:.0f} rpm"
            if len(part) < FEWEST or np.ptp(part["equivalent_airspeed"]) < LEAST_SPAN:
                left_out.append(
                    LeftOut(
                        name,
                        f"{counted(len(part), 'level point')} over {say(float(np.ptp(part['equivalent_airspeed'])), 'speed', evidence.settings)}: "
                        f"{FEWEST} over at least {say(LEAST_SPAN, 'speed', evidence.settings)} are needed",
                    )
                )
                continue
            fit = _fit(str(gear), str(flap), channel, part.reset_index(drop=True), evidence)
            if fit.at(float(np.median(fit.speed))).is_known:
                fits.append(fit)
            else:
                left_out.append(LeftOut(name, f"its {len(part)} points do not tell a curve: the band is too wide"))
    return LevelResult(tuple(fits), evidence.standard_mass, tuple(left_out))


def _by_engine_speed(group: pd.DataFrame) -> list[pd.DataFrame]:
    ordered = group.sort_values("engine_speed")
    values = ordered["engine_speed"].to_numpy(dtype=np.float64)
    cut = np.concatenate([[0], np.cumsum(np.diff(values) > ENGINE_SPEED_SHARE * values[:-1])])
    return [part for _, part in ordered.groupby(cut)]


def power_and_speed_at_standard(
    power: Floats, true_airspeed: Floats, *, density_ratio: Floats, mass: Floats, standard_mass: float
) -> tuple[Floats, Floats]:
    """(PIW, VIW) from power (any unit), true airspeed [m/s], density ratio [1], mass [kg], shapes (n,), and standard mass [kg]."""
    ratio = standard_mass / mass
    return power * np.sqrt(density_ratio) * ratio**1.5, true_airspeed * np.sqrt(density_ratio * ratio)


def _fit(gear: str, flap: str, channel: tuple[str, str], group: pd.DataFrame, evidence: Evidence) -> LevelFit:
    density = group["density_ratio"].to_numpy(dtype=np.float64)
    true = group["equivalent_airspeed"].to_numpy(dtype=np.float64) / np.sqrt(density)
    mass = group["mass"].to_numpy(dtype=np.float64)
    power = group[channel[0]].to_numpy(dtype=np.float64)
    index, speed = power_and_speed_at_standard(
        power, true, density_ratio=density, mass=mass, standard_mass=evidence.standard_mass
    )
    design = np.stack([speed**4, np.ones_like(speed), -group["sink_rate"].to_numpy(dtype=np.float64) * speed], axis=1)
    scale = np.abs(design).max(axis=0) + 1e-12

    def solve(counts: NDArray[np.int64]) -> Floats:
        return np.asarray(_solve(design / scale, index * speed, counts.astype(np.float64)) / scale)

    terms = solve(np.ones(len(speed), dtype=np.int64))
    draws = redraw(group, terms, solve, marks=np.round(speed, 6), parameters=3, draws=300)
    unsure = evidence.settings.uncertainty
    airspeed = evidence.settings.airspeed_uncertainty
    least_power, least_per_distance = (
        _speed_where(terms, draws, speed, factor=factor, airspeed=airspeed) for factor in (3.0, 1.0)
    )
    # index of drag is V^3 and 1/V: least power where 3 a V^4 = b, least per distance where a V^4 = b
    return LevelFit(
        gear, flap, float(group["engine_speed"].median()), *channel, group, speed, index, terms, draws,
        1.5 * unsure.mass_share, airspeed, least_power, least_per_distance, references_of(group),
    )  # fmt: skip


def _solve(design: Floats, target: Floats, weight: Floats) -> Floats:
    root = np.sqrt(weight)
    return np.asarray(np.linalg.lstsq(design * root[:, np.newaxis], target * root, rcond=None)[0])


def _speed_where(terms: Floats, draws: Floats, speed: Floats, *, factor: float, airspeed: float) -> Band:
    """VIW [m/s] where factor a V^4 = b, inside the speeds flown; unknown outside or where the fit has no minimum.

    airspeed: its standard uncertainty of type B [m/s].
    """
    if terms[0] <= 0 or terms[1] <= 0:
        return UNKNOWN
    at = (terms[1] / (factor * terms[0])) ** 0.25
    if not speed.min() <= at <= speed.max():
        return UNKNOWN
    good = draws[(draws[:, 0] > 0) & (draws[:, 1] > 0)]
    if len(good) < LEAST_GOOD * len(draws):
        return UNKNOWN
    spread = spread_of((good[:, 1] / (factor * good[:, 0])) ** 0.25)
    return worth_telling(band_of(float(at), spread, airspeed, unit="m/s"), WIDEST_SPEED_SHARE)
