"""Sink and drag by condition: glides reduced to drag areas, a parabolic polar each, speeds of best glide and least sink.

What is measured is drag less thrust: with the throttle closed the propeller's drag (or rest of thrust) is in it.
Results are at standard mass and one density, the mean of the glides unless another is asked for. An idling
propeller brakes less in thicker air: how much is fitted over all glides with one propulsion state and one way the propeller turns, on its
fine stop or governed (see propeller), and taken out before the polars are.

Points come as sinks of energy height; what is stated is the sink of height itself, at one calibrated airspeed as a pilot
holds it: the true airspeed falls on the way down, and what it gives up carries 1 to 2 % of the glide.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from ...shared.errors import SettingsError
from ...shared.physics.atmosphere import altitude_of_density, standard_density
from ...shared.physics.constants import SEA_LEVEL_DENSITY, STANDARD_GRAVITY
from ...shared.physics.energy import energy_over_height
from ...shared.units import to_si
from .airspeed_fit import corrected
from .bands import UNKNOWN, Band, band_of, widened
from .conditions import FINE_STOP, Condition, conditions_of
from .evidence import Evidence, reference_of, references_of
from .instruments import AS_RECORDED, Instruments, put_right
from .polar_fit import Floats, PolarFit, equivalent_speed, fit_polars, lift_and_drag_areas, sink_of
from .present import range_text, say
from .propeller import DENSITY_MARGIN, DensityEffect, density_ratio_of, fit_density_effect
from .sheet import LeftOut, Reference

SPEED_MARGIN = 0.3  # by which a speed asked for may lie outside those measured [m/s]: half a knot's rounding; common practice, no source
NEEDED = {
    "weight": "no mass is known",
    "true_airspeed": "no true airspeed is known",
    "dynamic_pressure": "no equivalent airspeed is known",
    "sink_rate": "no sink rate is known",
}
Of = Callable[[Floats, Floats], Floats]  # a quantity of f and k, shapes (n,) -> (n,)


@dataclass(frozen=True, slots=True, eq=False)
class ConditionDrag:
    """One condition's glides. fit: the polar, or why there is none. Speeds equivalent, all at the result's density, SI.

    density: what another density does to its drag area. not_reached: best glide or least sink that lies outside the measured speeds, in words.
    """

    condition: Condition
    points: pd.DataFrame
    fit: PolarFit | str
    origin: tuple[Reference, ...]
    density: DensityEffect
    not_reached: tuple[str, ...] = ()
    parasite_area: Band = UNKNOWN
    induced: Band = UNKNOWN
    zero_lift_coefficient: Band = UNKNOWN
    induced_factor: Band = UNKNOWN
    best_glide_speed: Band = UNKNOWN
    best_glide_ratio: Band = UNKNOWN
    least_sink_speed: Band = UNKNOWN
    least_sink: Band = UNKNOWN

    @property
    def flights(self) -> int:
        """How many flights the points come from."""
        return int(self.points["sortie"].nunique())

    def speeds(self, mass: float) -> tuple[float, float]:
        """Slowest and fastest equivalent airspeed [m/s] measured, at a mass [kg]."""
        assert isinstance(self.fit, PolarFit)
        return float(equivalent_speed(self.fit.high, mass)), float(equivalent_speed(self.fit.low, mass))

    def sink_at(self, speed: float, mass: float, *, density_ratio: float | None = None) -> Band:
        """Sink [m/s] at a held equivalent airspeed [m/s], mass [kg] and density ratio (the result's unless given).

        Unknown outside the measured speeds and densities.
        """
        ratio = self.density.reference if density_ratio is None else density_ratio
        if isinstance(self.fit, str) or not self.density.reaches(ratio):
            return UNKNOWN
        low, high = self.speeds(mass)
        if not low - SPEED_MARGIN <= speed <= high + SPEED_MARGIN:
            return UNKNOWN
        more = float(self.density.area(ratio))
        scale = float(held_airspeed_scale(speed, ratio))
        band = band_from(self.fit, lambda f, k: sink_of(f + more, k, speed, mass) * scale, "m/s")
        unsure = self.density.error * (self.density.reference - ratio)
        return widened(
            band, abs(float(sink_of(self.fit.f + more + unsure, self.fit.k, speed, mass)) * scale - band.value)
        )


@dataclass(frozen=True, slots=True)
class DragResult:
    """All glide conditions of one aircraft, the standard mass [kg] and density altitude [m] sinks are stated at, the points left out.

    instruments: what the glides' temperatures and airspeeds were put right with.
    """

    conditions: tuple[ConditionDrag, ...]
    standard_mass: float
    left_out: tuple[LeftOut, ...]
    density_altitude: float = 0.0
    instruments: Instruments = AS_RECORDED

    @property
    def density_ratio(self) -> float:
        """Density over that of sea level at the density altitude."""
        return float(standard_density(self.density_altitude)) / SEA_LEVEL_DENSITY


def reduce_drag(evidence: Evidence) -> DragResult:
    """Drag of every glide condition. Options: robust=yes fits against odd points; density_altitude [m] to state it at;
    instruments=as_recorded leaves airspeeds and temperatures as they are, in place of putting them right by the points themselves.

    Raises SettingsError for another word, or a density altitude the glides do not reach.
    """
    robust = evidence.word("robust", "no", "yes") == "yes"
    evidence, instruments = put_right(evidence)
    usable, left_out = glides_of(evidence)
    usable = corrected(usable, instruments.airspeed)
    plain = DragResult((), evidence.standard_mass, left_out, _density_altitude(usable, evidence), instruments)
    usable, effects = carry_to_density(usable, plain.density_ratio)
    groups = sorted(usable.groupby("condition", sort=False), key=lambda one: one[0]) if len(usable) else []
    fits = fit_polars(dict(groups), evidence.settings, robust=robust)
    conditions = tuple(
        _condition(condition, group, (fits[condition], effects[braking_of(condition)]), evidence)
        for condition, group in groups
    )
    return dataclasses.replace(plain, conditions=conditions)


def held_airspeed_scale(equivalent_airspeed: Floats | float, density_ratio: float) -> Floats:
    """Sink of height at a density ratio and a held equivalent airspeed [m/s], over the sink of energy at sea-level density [1]."""
    root = density_ratio**0.5
    altitude = altitude_of_density(density_ratio * SEA_LEVEL_DENSITY)
    return np.asarray(1 / (root * energy_over_height(np.asarray(equivalent_airspeed) / root, altitude)))


def carry_to_density(glides: pd.DataFrame, density_ratio: float) -> tuple[pd.DataFrame, dict[str, DensityEffect]]:
    """The glides with `density_area`, `density_area_error` [m2] (what their own density adds), and the effect of each way the propeller brakes."""
    if not len(glides):
        return glides, {}
    ways = glides["condition"].map(braking_of)
    effects = {
        str(way): fit_density_effect(group, lift_and_drag_areas(group), density_ratio)
        for way, group in glides.groupby(ways)
    }
    own = density_ratio_of(glides)
    # what another way of turning was flown at may be asked of it, with its own doubt
    for way, effect in effects.items():
        alike = own[(glides["propulsion"] == glides["propulsion"][ways == way].iloc[0]).to_numpy()]
        effects[way] = dataclasses.replace(effect, low=float(alike.min()), high=float(alike.max()))
    each = [effects[way] for way in ways]
    slope, error = (np.array([getattr(one, name) for one in each]) for name in ("slope", "error"))
    away = density_ratio - own
    return glides.assign(density_area=slope * away, density_area_error=error * away), effects


def braking_of(condition: Condition) -> str:
    """How the propeller brakes, in words: 'idle, on the fine stop'. All governed speeds are one way, as the blades turn to hold them."""
    way = "governed" if condition.propeller not in ("", FINE_STOP) else condition.propeller
    return ", ".join(part for part in (condition.propulsion, way) if part)


def _density_altitude(glides: pd.DataFrame, evidence: Evidence) -> float:
    """The density altitude [m] given, when the glides reach it, else their mean one."""
    given = evidence.options.get("density_altitude")
    if given is None or not len(glides):
        return mean_density_altitude(glides)
    reached = density_ratio_of(glides)
    ratio = float(standard_density(float(given))) / SEA_LEVEL_DENSITY
    if not reached.min() - DENSITY_MARGIN <= ratio <= reached.max() + DENSITY_MARGIN:
        lowest, highest = (density_altitude_near(float(one)) for one in (reached.max(), reached.min()))
        raise SettingsError(
            "density_altitude lies outside those the glides were flown at",
            found=say(float(given), "altitude", evidence.settings),
            allowed=range_text(lowest, highest, "altitude", evidence.settings),
        )
    return float(given)


def mean_density_altitude(glides: pd.DataFrame) -> float:
    """The density altitude [m], in steps of 500 ft, nearest to the mean density of glides; 0 without any."""
    return density_altitude_near(float(density_ratio_of(glides).mean())) if len(glides) else 0.0


def density_altitude_near(ratio: float) -> float:
    """The density altitude [m], in steps of 500 ft, nearest to a density ratio."""
    steps = np.arange(0.0, to_si(40000.0, "ft"), to_si(500.0, "ft"))
    return float(steps[np.argmin(np.abs(standard_density(steps) / SEA_LEVEL_DENSITY - ratio))])


def glides_of(evidence: Evidence) -> tuple[pd.DataFrame, tuple[LeftOut, ...]]:
    """Glides with all that a drag area needs and a known condition, and those left out with reasons."""
    points = conditions_of(evidence)
    glides = points[points["kind"] == "glide"] if len(points) else points
    asked = [name for name in ("condition", *NEEDED) if name in glides]
    reasons = [_reason_against(row) for row in glides[asked].to_dict("records")]
    keep = np.array([reason is None for reason in reasons], dtype=np.bool_)
    left = [
        LeftOut(f"point {row['number']} of {row['sortie']}", reason, reference_of({str(k): v for k, v in row.items()}))
        for row, reason in zip(glides[~keep].to_dict("records"), filter(None, reasons), strict=True)
    ]
    return glides[keep].reset_index(drop=True), (*evidence.left_out, *left)


def _reason_against(row: dict[object, object]) -> str | None:
    condition = row["condition"]
    assert isinstance(condition, Condition)
    if not condition.is_known:
        return f"its condition is not known ({condition.configuration})"
    for name, words in NEEDED.items():
        value = row.get(name)
        if not isinstance(value, float) or value != value:
            return words
    return None


def band_from(fit: PolarFit, of: Of, unit: str) -> Band:
    """Band of a quantity of (f, k): its scatter over the draws, and what type B of each source does to it."""
    value = float(of(np.array(fit.f), np.array(fit.k)))
    drawn = of(fit.draws[:, 0], fit.draws[:, 1])
    known = drawn[np.isfinite(drawn)]
    # half the range of the middle 68 % stands for the standard deviation: a few wild draws do not count
    type_a = float(np.diff(np.quantile(known, [0.1587, 0.8413]))[0] / 2) if len(known) >= 20 else float("nan")
    moved = of(fit.f + fit.systematic[:, 0], fit.k + fit.systematic[:, 1]) - value
    return band_of(value, type_a, float(np.sqrt(np.sum(np.square(moved[np.isfinite(moved)])))), unit=unit)


def _condition(
    condition: Condition, group: pd.DataFrame, found: tuple[PolarFit | str, DensityEffect], evidence: Evidence
) -> ConditionDrag:
    """found: the fit and what density does."""
    fit, density = found
    density_ratio = density.reference
    plain = ConditionDrag(condition, group, fit, references_of(group), density)
    if isinstance(fit, str):
        return plain
    mass, wing = evidence.standard_mass, evidence.settings.aircraft.wing_area
    best = band_from(fit, lambda f, k: equivalent_speed(np.sqrt(f / k), mass), "m/s")
    slow = band_from(fit, lambda f, k: equivalent_speed(np.sqrt(3 * f / k), mass), "m/s")
    bands: dict[str, Any] = {
        "parasite_area": band_from(fit, lambda f, k: f + 0 * k, "m2"),
        "induced": band_from(fit, lambda f, k: k + 0 * f, "1/m2"),
    }
    if wing is not None:
        area = float(wing)
        bands["zero_lift_coefficient"] = band_from(fit, lambda f, k: f / area + 0 * k, "1")
        bands["induced_factor"] = band_from(fit, lambda f, k: k * area + 0 * f, "1")
    not_reached = []
    if fit.low <= (fit.f / fit.k) ** 0.5 <= fit.high:
        bands["best_glide_speed"] = best
        farther = 1 / (held_airspeed_scale(best.value, density_ratio) * density_ratio**0.5)
        bands["best_glide_ratio"] = band_from(fit, lambda f, k: farther * 0.5 / np.sqrt(f * k), "1")
    else:
        not_reached.append(_outside("best glide", (fit.f / fit.k) ** 0.5, fit))
    if fit.low <= (3 * fit.f / fit.k) ** 0.5 <= fit.high:
        bands["least_sink_speed"] = slow
        scale = held_airspeed_scale(slow.value, density_ratio)
        bands["least_sink"] = band_from(fit, lambda f, k: sink_of(f, k, slow.value, mass) * scale, "m/s")
    else:
        not_reached.append(_outside("least sink", (3 * fit.f / fit.k) ** 0.5, fit))
    return dataclasses.replace(plain, not_reached=tuple(not_reached), **bands)


def _outside(name: str, at: float, fit: PolarFit) -> str:
    side = "slower than the slowest" if at > fit.high else "faster than the fastest"
    return f"{name} is {side} point flown"


def sink_at_standard(points: pd.DataFrame, mass: float, *, density_ratio: float = 1.0) -> tuple[Floats, Floats, Floats]:
    """Each glide at standard mass [kg] and density ratio at its own lift coefficient: (speed, sink, error of sink) [m/s].

    The airspeed is held, as in `ConditionDrag.sink_at`. What its density added to its drag is taken off (column density_area, see propeller).

    Speeds go with the root of mass, sink also with the root of density. Source: SFTE Reference Handbook,
    3rd ed. 2013, section 12 (shared.physics.mass.speed_at_mass).
    """
    own = np.asarray(points["weight"], dtype=np.float64) / STANDARD_GRAVITY
    root = np.sqrt(mass / own)
    speed = np.asarray(points["equivalent_airspeed"], dtype=np.float64)
    thin = speed / np.asarray(points["true_airspeed"], dtype=np.float64)
    thin = thin * held_airspeed_scale(speed * root, density_ratio)
    area = lift_and_drag_areas(points)[1]
    carried = area / (area + np.asarray(points.get("density_area", 0.0), dtype=np.float64))
    sink = np.asarray(points["sink_rate"], dtype=np.float64) * thin * root * carried
    error = np.nan_to_num(np.asarray(points["sink_rate_error"], dtype=np.float64)) * thin * root
    return speed * root, sink, error
