"""The drag of one condition from its glides: D/q = f + k (L/q)^2, drag areas, so that no wing area is needed.

f = S CD0 [m2] is the drag area at no lift, k = K/S [1/m2]. In a steady glide (energy-corrected sink w, true
airspeed V) the path angle g below the horizon has sin g = w/V; drag less thrust is W sin g, lift W cos g.
Source: SFTE Reference Handbook, 3rd ed. 2013, section 5 (drag polar analysis), in areas.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ...shared.physics.constants import SEA_LEVEL_DENSITY, STANDARD_GRAVITY
from ...shared.settings import Settings
from .conditions import Condition
from .evidence import INFERRED_WEIGHT
from .polar_layout import layout_of
from .resampling import small_sample_factor

Floats = NDArray[np.float64]

FEWEST_POINTS = 4  # for one f and one k
FEWEST_OF_ONE = 2  # of a condition that shares its k with others
LEAST_SPAN = 1.35  # highest over lowest L/q, below which f and k cannot be told apart
ONE_FLIGHT = 0.012  # share of the drag a single flight may be off by as a whole; common practice, no source
SHAPE = 0.01  # share of f: a propeller's drag area is not the same at all airspeeds, and no polar is quite a parabola; common practice, no source
FLOOR = (
    0.01  # no point's drag area is better than 1 %: air motion is not in its standard error; common practice, no source
)


@dataclass(frozen=True, slots=True, eq=False)
class PolarFit:
    """f [m2], k [1/m2] with their draws; lift, area: the points' L/q and D/q [m2], error of D/q [m2].

    draws: (f, k) by resampling, shape (n, 2), widened for small samples. systematic: change of (f, k) by one
    standard uncertainty of each type B source, shape (m, 2). None of it is extrapolation: `low`, `high` bound L/q.
    told: how much of k the points of its own flap setting tell, the rest comes from the other settings [1].
    """

    f: float
    k: float
    draws: Floats
    systematic: Floats
    lift: Floats
    area: Floats
    error: Floats
    flights: int
    told: float = 1.0

    @property
    def low(self) -> float:
        """Smallest L/q measured [m2]: the fastest point."""
        return float(self.lift.min())

    @property
    def high(self) -> float:
        """Largest L/q measured [m2]: the slowest point."""
        return float(self.lift.max())

    def at(self, lift: Floats | float) -> Floats:
        """Drag area [m2] at L/q [m2]."""
        return np.asarray(self.f + self.k * np.asarray(lift, dtype=np.float64) ** 2)


def lift_and_drag_areas(points: pd.DataFrame) -> tuple[Floats, Floats, Floats]:
    """(L/q, D/q, standard error of D/q) [m2] of glides, shape (n,) each, from rows of Evidence.points.

    Columns: `density_area` [m2] is taken off: what the density flown at adds (see propeller); `inferred` points count less.
    """
    sine = np.asarray(points["sink_rate"] / points["true_airspeed"], dtype=np.float64)
    per_q = np.asarray(points["weight"] / points["dynamic_pressure"], dtype=np.float64)
    area = per_q * sine - np.asarray(points.get("density_area", 0.0), dtype=np.float64)
    own = np.asarray(points["sink_rate_error"] / points["true_airspeed"], dtype=np.float64) * per_q
    counts = np.where(points["inferred"], INFERRED_WEIGHT, 1.0) if "inferred" in points else 1.0
    error = np.hypot(np.nan_to_num(own), FLOOR * np.abs(area)) / counts
    return per_q * np.sqrt(np.maximum(1 - sine**2, 0.0)), area, error


def fit_polars(
    groups: Mapping[Condition, pd.DataFrame], settings: Settings, *, robust: bool = False
) -> dict[Condition, PolarFit | str]:
    """The fit of every condition's glides, or in words why there is none. robust: soft-L1 loss against odd points.

    Conditions with one flap setting share k: gear and propeller add drag without lift. Flaps change both, but k little:
    what the points of a flap setting do not tell of it, those of the other settings do (LIKE_K).
    """
    enough = {one: points for one, points in groups.items() if len(points) >= FEWEST_OF_ONE}
    out: dict[Condition, PolarFit | str] = {
        one: f"{len(points)} point: {FEWEST_OF_ONE} are needed at least" for one, points in groups.items()
    }
    reasons = {flap: _reason_against(enough, flap) for flap in sorted({one.flap for one in enough})}
    if None in reasons.values():
        out.update(_fit_together(enough, settings, robust=robust))
    else:
        out.update({one: str(reasons[one.flap]) for one in enough})
    return out


def _reason_against(groups: Mapping[Condition, pd.DataFrame], flap: str) -> str | None:
    """Why the points with a flap setting do not tell its k, None when they do."""
    lifts = [lift_and_drag_areas(points)[0] for one, points in groups.items() if one.flap == flap]
    count, needed = sum(map(len, lifts)), FEWEST_POINTS + len(lifts) - 1
    if count < needed:
        return f"{count} points with this flap setting, {needed} are needed to tell parasite from induced drag"
    if max(lift.max() / lift.min() for lift in lifts) < LEAST_SPAN:
        return "the points lie too close in airspeed to tell parasite from induced drag"
    return None


def _fit_together(
    groups: Mapping[Condition, pd.DataFrame], settings: Settings, *, robust: bool
) -> dict[Condition, PolarFit | str]:
    points = pd.concat(list(groups.values()), ignore_index=True)
    layout = layout_of([one.flap for one in groups], [len(own) for own in groups.values()])
    areas = lift_and_drag_areas(points)
    lift, area, error = areas
    base = layout.solve(areas, robust=robust)
    drawn, told = layout.solve_drawn(points, areas), layout.told_by_its_own(areas)
    plain = layout.solve(areas, robust=False)
    moved = np.stack(
        [layout.solve(lift_and_drag_areas(one), robust=False) - plain for one in moved_points(points, settings)]
    )
    fits: dict[Condition, PolarFit | str] = {}
    for index, (condition, own) in enumerate(groups.items()):
        pair = [index, layout.induced_of(index)]
        if not (base[pair] > 0).all():
            fits[condition] = "the points contradict a parabolic polar: a drag that is not positive comes out"
            continue
        family = layout.family == layout.flap_of[index]
        flights = points["sortie"][family].nunique()
        conditions = int(np.sum(layout.flap_of == layout.flap_of[index]))
        factor = small_sample_factor(int(family.sum()), conditions + float(told[index]), flights)
        draws = drawn[:, pair][np.isfinite(drawn[:, pair]).all(axis=1)]
        widened = base[pair] + (draws - np.median(draws, axis=0)) * factor
        systematic = np.vstack([moved[:, pair], [SHAPE * base[index], 0.0]])
        if flights == 1:  # what flights differ by cannot be seen in one
            systematic = np.vstack([systematic, ONE_FLIGHT * base[pair]])
        mine = layout.member == index
        fits[condition] = PolarFit(
            float(base[pair[0]]), float(base[pair[1]]), np.maximum(widened, 1e-3 * base[pair]), systematic,
            lift[mine], area[mine], error[mine], own["sortie"].nunique(), float(told[index]),
        )  # fmt: skip
    return fits


def moved_points(points: pd.DataFrame, settings: Settings) -> list[pd.DataFrame]:
    """The points as they would read if airspeed, mass, sink rate or temperature were off by one standard uncertainty.

    And with another effect of density, as far as that is not known.
    """
    unsure = settings.uncertainty
    factor = 1 + points.get("airspeed_error", settings.airspeed_uncertainty) / points["calibrated_airspeed"]
    assumed = points["mass_from"].eq("settings")
    mass = 1 + np.where(assumed, unsure.mass_share_assumed, unsure.mass_share)
    temperature = points.get("static_air_temperature", 288.15)
    warm = 1 + unsure.temperature / temperature
    density = points.get("density_area", 0.0) + points.get("density_area_error", 0.0)
    return [
        points.assign(density_area=density),
        points.assign(
            true_airspeed=points["true_airspeed"] * factor, dynamic_pressure=points["dynamic_pressure"] * factor**2
        ),
        points.assign(weight=points["weight"] * mass),
        points.assign(sink_rate=points["sink_rate"] * (1 + unsure.vertical_speed_share)),
        # tapeline sink goes with temperature, true airspeed with its root
        points.assign(sink_rate=points["sink_rate"] * warm, true_airspeed=points["true_airspeed"] * np.sqrt(warm)),
    ]


def equivalent_speed(lift: Floats | float, mass: float) -> Floats:
    """Equivalent airspeed [m/s] at which a mass [kg] flies with L/q [m2] (lift taken as weight)."""
    return np.asarray(np.sqrt(2 * mass * STANDARD_GRAVITY / (SEA_LEVEL_DENSITY * np.asarray(lift, dtype=np.float64))))


def lift_area(equivalent_airspeed: Floats | float, mass: float) -> Floats:
    """L/q [m2] of a mass [kg] at an equivalent airspeed [m/s] (lift taken as weight)."""
    speed = np.asarray(equivalent_airspeed, dtype=np.float64)
    return np.asarray(2 * mass * STANDARD_GRAVITY / (SEA_LEVEL_DENSITY * speed**2))


def sink_of(f: Floats | float, k: Floats | float, equivalent_airspeed: Floats | float, mass: float) -> Floats:
    """Sink [m/s] at sea-level density: V sin g with tan g = (f + k (L/q)^2) / (L/q), lift W cos g, solved by repetition."""
    speed = np.asarray(equivalent_airspeed, dtype=np.float64)
    load = lift_area(speed, mass)
    cosine = np.ones_like(load + np.asarray(f) + np.asarray(k))
    for _ in range(4):
        sine = np.clip((f + k * (load * cosine) ** 2) / load, -0.99, 0.99)
        cosine = np.sqrt(1 - sine**2)
    return np.asarray(speed * sine)
