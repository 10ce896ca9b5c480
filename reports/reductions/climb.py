"""Rate of climb by condition against density altitude and airspeed, at standard mass.

Climbs at full power are corrected for speed change (energy), temperature (tapeline height) and mass; each
condition's are fitted as a plane, rate = a + b (density altitude) + c (airspeed) + d (airspeed)^2, with as many terms
as the points can tell. Best rate and best angle are stated only where slower and faster climbs stand on both sides.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ...shared.units import to_si
from .bands import UNKNOWN, Band, band_of, worth_telling
from .conditions import Condition, conditions_of
from .evidence import Evidence, reference_of, references_of
from .present import counted
from .resampling import redraw, spread_of
from .sheet import LeftOut, Reference

Floats = NDArray[np.float64]

HEIGHT_SPAN = to_si(2000.0, "ft")
SPEED_SPAN = to_si(20.0, "kt")
FEWEST = 3
LEAST_GOOD = 0.95  # of the draws that must have a best airspeed at all: what a band holds
WIDEST_SHARE = 0.5  # a band wider than this share of the value says nothing a pilot can use; common practice, no source


@dataclass(frozen=True, slots=True, eq=False)
class ClimbFit:
    """One condition's climbs. terms: of the fit, about the centre (airspeed, density altitude); draws by resampling.

    rate: corrected rates [m/s]; best_rate_speed, best_angle_speed [m/s] at the centre's density altitude, unknown
    where not bracketed; why in `not_stated`.
    """

    condition: Condition
    points: pd.DataFrame
    rate: Floats
    terms: Floats
    draws: Floats
    centre: tuple[float, float]
    type_b: float
    best_rate_speed: Band
    best_angle_speed: Band
    not_stated: str
    origin: tuple[Reference, ...]

    def at(self, airspeed: float, density_altitude: float) -> Band:
        """Rate of climb [m/s] at standard mass; unknown outside what was flown."""
        speed, height = self.points["calibrated_airspeed"], self.points["density_altitude"]
        room = to_si(2.0, "kt")
        if not (
            speed.min() - room <= airspeed <= speed.max() + room
            and height.min() - 30 <= density_altitude <= height.max() + 30
        ):
            return UNKNOWN
        row = _row(np.array([airspeed - self.centre[0]]), np.array([density_altitude - self.centre[1]]))[0]
        value = float(row @ self.terms)
        band = band_of(value, spread_of(self.draws @ row), self.type_b * abs(value), unit="m/s")
        return worth_telling(band, WIDEST_SHARE, of=float(self.terms[0]))


@dataclass(frozen=True, slots=True)
class ClimbResult:
    """Fits, standard mass [kg], conditions and points left out."""

    fits: tuple[ClimbFit, ...]
    standard_mass: float
    left_out: tuple[LeftOut, ...]


def reduce_climb(evidence: Evidence) -> ClimbResult:
    """Climb performance of every condition climbed in."""
    points = conditions_of(evidence)
    climbs = points[(points["kind"] == "climb") & (points["power"] == "full")] if len(points) else points
    left_out = list(evidence.left_out)
    needed = ("calibrated_airspeed", "density_altitude", "sink_rate", "mass")
    usable = climbs.dropna(subset=[name for name in needed if name in climbs]) if len(climbs) else climbs
    if any(name not in climbs for name in needed):
        usable = climbs.iloc[:0]
    left_out += [
        LeftOut(f"climb {row['number']} of {row['sortie']}", "airspeed, density altitude, rate or mass is missing",
                reference_of({str(k): v for k, v in row.items()}))
        for row in climbs.drop(usable.index).to_dict("records")
    ]  # fmt: skip
    fits = []
    for condition, group in (
        sorted(usable.groupby("condition", sort=False), key=lambda one: one[0]) if len(usable) else []
    ):
        if len(group) < FEWEST:
            left_out.append(LeftOut(condition.words, f"{counted(len(group), 'climb')}, {FEWEST} are needed"))
        else:
            fit = _fit(condition, group.reset_index(drop=True), evidence)
            if fit.at(*fit.centre).is_known:
                fits.append(fit)
            else:
                left_out.append(
                    LeftOut(
                        condition.words, f"the band of its {len(group)} climbs is wider than half the rate of climb"
                    )
                )
    return ClimbResult(tuple(fits), evidence.standard_mass, tuple(left_out))


def rate_at_mass(rate: Floats, mass: Floats, standard_mass: float) -> Floats:
    """Rate of climb [m/s] at standard mass [kg] from that at mass [kg] with the same excess power: R m / m_s.

    The induced drag's share of the change (a few percent of it at climb speeds) is left out.
    Source: SFTE Reference Handbook, 3rd ed. 2013, section 12 (inertia factor).
    """
    return np.asarray(rate * mass / standard_mass)


def _fit(condition: Condition, group: pd.DataFrame, evidence: Evidence) -> ClimbFit:
    speed = group["calibrated_airspeed"].to_numpy(dtype=np.float64)
    height = group["density_altitude"].to_numpy(dtype=np.float64)
    rate = rate_at_mass(
        -group["sink_rate"].to_numpy(dtype=np.float64), group["mass"].to_numpy(dtype=np.float64), evidence.standard_mass
    )
    centre = (float(speed.mean()), float(height.mean()))
    design = _row(speed - centre[0], height - centre[1])
    use = _told(speed, height)
    terms = _solve(design, rate, np.ones(len(rate)), use)

    def solve(counts: NDArray[np.int64]) -> Floats:
        """A term these points cannot tell (all of one height, say) stays as all points tell it."""
        drawn = counts > 0
        told = use & _told(speed[drawn], height[drawn])
        kept = np.where(told, 0.0, terms)
        kept[0] = 0.0
        return kept + _solve(design, rate - design @ kept, counts.astype(np.float64), told)

    draws = redraw(group, terms, solve, marks=np.round(rate, 6), parameters=int(use.sum()), draws=300)
    unsure = evidence.settings.uncertainty
    type_b = float(np.hypot(unsure.vertical_speed_share, unsure.mass_share))
    best, angle, why = _best(terms, draws, centre, speed=speed, airspeed=evidence.settings.airspeed_uncertainty)
    return ClimbFit(condition, group, rate, terms, draws, centre, type_b, best, angle, why, references_of(group))


def _row(speed: Floats, height: Floats) -> Floats:
    return np.stack([np.ones_like(speed), height, speed, speed**2], axis=1)


def _told(speed: Floats, height: Floats) -> NDArray[np.bool_]:
    """Which terms the points can tell: level always, then height, airspeed, its square."""
    use = np.array([True, False, False, False])
    use[1] = len(speed) >= 4 and np.ptp(height) >= HEIGHT_SPAN
    use[2] = len(speed) >= 5 and np.ptp(speed) >= SPEED_SPAN / 2
    use[3] = len(speed) >= 6 and np.ptp(speed) >= SPEED_SPAN
    return use


def _solve(design: Floats, rate: Floats, weight: Floats, use: NDArray[np.bool_]) -> Floats:
    root = np.sqrt(weight)
    found = np.linalg.lstsq(design[:, use] * root[:, np.newaxis], rate * root, rcond=None)[0]
    whole = np.zeros(design.shape[1])
    whole[use] = found
    return whole


def _best(
    terms: Floats, draws: Floats, centre: tuple[float, float], *, speed: Floats, airspeed: float
) -> tuple[Band, Band, str]:
    """Airspeeds of best rate and best angle inside the flown range, and why one is not stated; airspeed: type B [m/s]."""
    if terms[3] == 0:
        return (
            UNKNOWN,
            UNKNOWN,
            "best rate and best angle not stated: the climbs' airspeeds lie too close together, or are too few",
        )
    if terms[3] > 0:
        return (
            UNKNOWN,
            UNKNOWN,
            "best rate and best angle not stated: the climbs show no airspeed better than those to both sides of it",
        )
    bands = []
    for of in (_rate_speed, _angle_speed):
        at = of(terms, centre[0])
        drawn = np.array([of(one, centre[0]) for one in draws if one[3] < 0])
        drawn = drawn[np.isfinite(drawn)]
        told = speed.min() <= at <= speed.max() and len(drawn) >= LEAST_GOOD * len(draws)
        bands.append(band_of(at, spread_of(drawn), airspeed, unit="m/s") if told else UNKNOWN)
    unknown = [word for word, one in zip(("best rate", "best angle"), bands, strict=True) if not one.is_known]
    why = (
        f"{' and '.join(unknown)} not stated: outside the airspeeds flown, or not told by these climbs"
        if unknown
        else ""
    )
    return bands[0], bands[1], why


def _rate_speed(terms: Floats, centre: float) -> float:
    return float(centre - terms[2] / (2 * terms[3]))


def _angle_speed(terms: Floats, centre: float) -> float:
    """Where rate over airspeed is largest: the parabola p + q V + r V^2 has it at V = sqrt(p / r)."""
    p = terms[0] - terms[2] * centre + terms[3] * centre**2
    return float(np.sqrt(p / terms[3])) if p / terms[3] > 0 else float("nan")
