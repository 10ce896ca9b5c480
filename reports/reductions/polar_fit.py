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
from scipy.optimize import least_squares

from ...shared.physics.constants import SEA_LEVEL_DENSITY, STANDARD_GRAVITY
from ...shared.settings import Settings
from .conditions import Condition
from .evidence import INFERRED_WEIGHT
from .resampling import draw_counts, seed_of, small_sample_factor

Floats = NDArray[np.float64]

FEWEST_POINTS = 4  # for one f and one k
FEWEST_OF_ONE = 2  # of a condition that shares its k with others
LEAST_SPAN = 1.35  # highest over lowest L/q, below which f and k cannot be told apart
ONE_FLIGHT = 0.012  # share of the drag a single flight may be off by as a whole; common practice, no source
FLOOR = (
    0.01  # no point's drag area is better than 1 %: air motion is not in its standard error; common practice, no source
)


@dataclass(frozen=True, slots=True, eq=False)
class PolarFit:
    """f [m2], k [1/m2] with their draws; lift, area: the points' L/q and D/q [m2], error of D/q [m2].

    draws: (f, k) by resampling, shape (n, 2), widened for small samples. systematic: change of (f, k) by one
    standard uncertainty of each type B source, shape (m, 2). None of it is extrapolation: `low`, `high` bound L/q.
    """

    f: float
    k: float
    draws: Floats
    systematic: Floats
    lift: Floats
    area: Floats
    error: Floats
    flights: int

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

    Conditions with one flap setting share k: gear and propeller add drag without lift, flaps change both.
    """
    out: dict[Condition, PolarFit | str] = {}
    families: dict[str, list[Condition]] = {}
    for condition, points in groups.items():
        if len(points) < FEWEST_OF_ONE:
            out[condition] = f"{len(points)} point: {FEWEST_OF_ONE} are needed at least"
        else:
            families.setdefault(condition.flap, []).append(condition)
    for members in families.values():
        out.update(_fit_family({one: groups[one] for one in members}, settings, robust=robust))
    return {condition: out[condition] for condition in groups}


def _fit_family(
    groups: dict[Condition, pd.DataFrame], settings: Settings, *, robust: bool
) -> dict[Condition, PolarFit | str]:
    points = pd.concat(list(groups.values()), ignore_index=True)
    member = np.repeat(np.arange(len(groups)), [len(one) for one in groups.values()])
    lift, area, error = lift_and_drag_areas(points)
    reason = _reason_against(lift, member, len(groups))
    if reason is not None:
        return dict.fromkeys(groups, reason)
    base = _solve(lift, area, error, member, robust=robust)
    if not (base > 0).all():
        return dict.fromkeys(groups, "the points contradict a parabolic polar: a drag that is not positive comes out")
    names = [str(name) for name in points["sortie"]]
    counts = draw_counts(names, [str(day) for day in points["day"]], seed=seed_of(*names, *np.round(area, 9)))
    drawn = _solve_weighted(lift, area, counts / error**2, member)
    flights = points["sortie"].nunique()
    factor = small_sample_factor(len(points), len(base), flights)
    systematic = np.stack(
        [_solve(*lift_and_drag_areas(one), member, robust=False) for one in moved_points(points, settings)]
    )
    systematic -= _solve(lift, area, error, member, robust=False)
    if flights == 1:  # what flights differ by cannot be seen in one
        systematic = np.vstack([systematic, ONE_FLIGHT * base])
    fits: dict[Condition, PolarFit | str] = {}
    for index, (condition, own) in enumerate(groups.items()):
        pair = drawn[:, [index, -1]]
        pair = pair[np.isfinite(pair).all(axis=1)]
        centre = base[[index, -1]]
        widened = centre + (pair - np.median(pair, axis=0)) * factor
        mine = member == index
        fits[condition] = PolarFit(
            float(centre[0]), float(centre[1]), np.maximum(widened, 1e-3 * centre), systematic[:, [index, -1]],
            lift[mine], area[mine], error[mine], own["sortie"].nunique(),
        )  # fmt: skip
    return fits


def _reason_against(lift: Floats, member: NDArray[np.int64], conditions: int) -> str | None:
    """Why a family of conditions cannot be fitted, None when it can."""
    needed = FEWEST_POINTS + conditions - 1
    if len(lift) < needed:
        return f"{len(lift)} points with this flap setting, {needed} are needed to tell parasite from induced drag"
    spans = [lift[member == one].max() / lift[member == one].min() for one in range(conditions)]
    if max(spans) < LEAST_SPAN:
        return "the points lie too close in airspeed to tell parasite from induced drag"
    return None


def _solve(lift: Floats, area: Floats, error: Floats, member: NDArray[np.int64], *, robust: bool) -> Floats:
    """(f of each condition ..., k) by weighted least squares, or with the soft-L1 loss."""
    conditions = int(member.max()) + 1
    design = np.concatenate([np.eye(conditions)[member], lift[:, np.newaxis] ** 2], axis=1) / error[:, np.newaxis]
    plain = np.linalg.lstsq(design, area / error, rcond=None)[0]
    if not robust:
        return np.asarray(plain)
    scale = np.maximum(np.abs(plain), 1e-12)
    found = least_squares(lambda x: design @ (x * scale) - area / error, plain / scale, loss="soft_l1", f_scale=2.0)
    return np.asarray(found.x * scale)


def _solve_weighted(lift: Floats, area: Floats, weights: Floats, member: NDArray[np.int64]) -> Floats:
    """(f of each condition ..., k) for every row of weights, shape (n, points) -> (n, conditions + 1).

    The common slope of area over the square of lift is that inside the conditions; NaN where what was drawn
    does not tell it, and for a condition of which nothing was drawn.
    """
    square = lift**2
    of_condition = np.eye(int(member.max()) + 1)[member]
    total = weights @ of_condition
    usable = np.where(total > 0, total, np.nan)
    mean_square, mean_area = (weights * square) @ of_condition / usable, (weights * area) @ of_condition / usable
    off_square = square - np.nan_to_num(mean_square)[:, member]
    off_area = area - np.nan_to_num(mean_area)[:, member]
    spread = np.sum(weights * off_square**2, axis=1)
    told = np.where(spread > 1e-4 * np.sum(weights * square**2, axis=1), spread, np.nan)
    slope = np.sum(weights * off_square * off_area, axis=1) / told
    return np.column_stack([mean_area - slope[:, np.newaxis] * mean_square, slope])


def moved_points(points: pd.DataFrame, settings: Settings) -> list[pd.DataFrame]:
    """The points as they would read if airspeed, mass, sink rate or temperature were off by one standard uncertainty.

    And with another effect of density, as far as that is not known.
    """
    unsure = settings.uncertainty
    factor = 1 + settings.airspeed_uncertainty / points["calibrated_airspeed"]
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
