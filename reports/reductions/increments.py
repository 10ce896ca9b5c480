"""What the propeller, the gear and each flap setting add: differences of drag area at equal lift coefficient.

Each point of the dirtier condition is set against the cleaner condition at its own L/q, from the same flight's
points where that flight flew both, so that the day's air and the instruments' mood cancel; flights are then
pooled with what they differ by among themselves. Parasite increments stay about constant in drag area, so that
their sink penalty grows steeply with airspeed (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import nan, sqrt

import numpy as np
import pandas as pd

from ...shared.physics.atmosphere import standard_density
from ...shared.physics.constants import SEA_LEVEL_DENSITY, STANDARD_GRAVITY
from ...shared.settings import Settings
from .bands import UNKNOWN, Band, band_of
from .calibration import fit_with_excess
from .conditions import FINE_STOP, STOPPED, Condition
from .drag import SPEED_MARGIN, ConditionDrag, DragResult, held_airspeed_scale, reduce_drag
from .evidence import Evidence
from .instruments import AS_RECORDED, Instruments
from .polar_fit import Floats, PolarFit, equivalent_speed, lift_and_drag_areas, moved_points
from .sheet import LeftOut, Reference

FEWEST = 2  # points of a condition: one alone may be a mistaken state
OVERLAP = 1.08  # how far beyond the base's measured L/q a point may still be compared: less than a step of airspeed


@dataclass(frozen=True, slots=True)
class Increment:
    """What one change adds: drag area [m2], its standing over airspeed, the points of both sides.

    low, high: equivalent airspeeds [m/s] at standard mass it was measured between. paired: flights that flew both.
    """

    what: str
    base: Condition
    changed: Condition
    area: Band
    low: float
    high: float
    trend: Band  # of the area over L/q, relative to its mean: near 0 for a parasite increment [1/m2]
    points: int
    flights: int
    paired: int
    origin: tuple[Reference, ...]

    def sink_at(self, speed: float, mass: float, *, density_ratio: float = 1.0) -> Band:
        """Sink it adds [m/s] at a held equivalent airspeed [m/s], mass [kg] and density ratio: area q V / W."""
        if not self.low - SPEED_MARGIN <= speed <= self.high + SPEED_MARGIN or not self.area.is_known:
            return UNKNOWN
        scale = float(held_airspeed_scale(speed, density_ratio))
        factor = SEA_LEVEL_DENSITY / 2 * speed**3 / (mass * STANDARD_GRAVITY) * scale
        return Band(self.area.value * factor, self.area.low * factor, self.area.high * factor, "m/s",
                    self.area.type_a * factor, self.area.type_b * factor)  # fmt: skip


@dataclass(frozen=True, slots=True)
class IncrementsResult:
    """The increments in build-up order, the clean base's drag area at no lift, standard mass [kg] and density altitude [m], what gave nothing.

    instruments: what airspeeds and temperatures were put right with.
    """

    increments: tuple[Increment, ...]
    base: ConditionDrag | None
    standard_mass: float
    left_out: tuple[LeftOut, ...]
    density_altitude: float = 0.0
    instruments: Instruments = AS_RECORDED

    def sink_of(self, one: Increment, speed: float) -> Band:
        """Sink an increment adds [m/s] at an equivalent airspeed [m/s], at the standard mass and density altitude."""
        ratio = float(standard_density(self.density_altitude)) / SEA_LEVEL_DENSITY
        return one.sink_at(speed, self.standard_mass, density_ratio=ratio)


def reduce_increments(evidence: Evidence) -> IncrementsResult:
    """All single changes between measured conditions: propeller, gear, flap one after the other."""
    drag = reduce_drag(evidence)
    left_out = list(drag.left_out)
    increments: list[Increment] = []
    for what, base, changed in _steps(drag):
        found = _increment(what, base, changed, drag=drag, settings=evidence.settings)
        if isinstance(found, str):
            left_out.append(
                LeftOut(f"{what}: {changed.condition.configuration} against {base.condition.configuration}", found)
            )
        else:
            increments.append(found)
    fitted = [one for one in drag.conditions if isinstance(one.fit, PolarFit)]
    clean = min(fitted, key=lambda one: one.parasite_area.value, default=None)
    return IncrementsResult(
        tuple(increments), clean, drag.standard_mass, tuple(left_out), drag.density_altitude, drag.instruments
    )


def _steps(drag: DragResult) -> list[tuple[str, ConditionDrag, ConditionDrag]]:
    """Pairs of conditions that differ in one thing alone, cleaner first."""
    by_condition = {one.condition: one for one in drag.conditions if len(one.points) >= FEWEST}
    steps: list[tuple[str, ConditionDrag, ConditionDrag]] = []
    for changed in by_condition.values():
        c = changed.condition
        if c.propeller == FINE_STOP:
            steps += [
                (f"propeller {FINE_STOP} for {base.condition.propeller}", base, changed)
                for base in by_condition.values()
                if base.condition.propeller not in ("", FINE_STOP) and _same(base.condition, c, "propeller")
            ]
        if c.gear == "down":
            steps += [
                ("gear", b, changed)
                for b in by_condition.values()
                if b.condition.gear == "up" and _same(b.condition, c, "gear")
            ]
        steps += [
            (f"propeller {', '.join(filter(None, (c.propulsion, c.propeller)))} for {STOPPED}", base, changed)
            for base in by_condition.values()
            if base.condition.propulsion == STOPPED != c.propulsion
            and (base.condition.gear, base.condition.flap) == (c.gear, c.flap)
        ]
    steps += _flap_steps(drag)
    return sorted(steps, key=lambda one: (one[0].startswith("flap"), one[0] == "gear", one[0], one[2].condition))


def _flap_steps(drag: DragResult) -> list[tuple[str, ConditionDrag, ConditionDrag]]:
    """Flap settings in order of drag, each against the next cleaner one flown with all else equal."""
    steps = []
    families: dict[tuple[str, ...], list[ConditionDrag]] = {}
    for one in drag.conditions:
        c = one.condition
        if len(one.points) < FEWEST:
            continue
        families.setdefault((c.gear, c.propulsion, c.propeller), []).append(one)
    for family in families.values():
        ordered = sorted(family, key=_mean_excess)
        steps += [(f"flap {b.condition.flap}", a, b) for a, b in pairwise(ordered)]
    return steps


def _mean_excess(one: ConditionDrag) -> float:
    """Drag area at the condition's middle, less a usual induced part: enough to bring flap settings in order."""
    lift, area, _ = lift_and_drag_areas(one.points)
    return float(np.mean(area - 0.004 * lift**2))


def _same(one: Condition, other: Condition, but: str) -> bool:
    names = ("gear", "flap", "propulsion", "propeller")
    return all(getattr(one, name) == getattr(other, name) for name in names if name != but)


def _increment(
    what: str, base: ConditionDrag, changed: ConditionDrag, *, drag: DragResult, settings: Settings
) -> Increment | str:
    rows = _differences(base.points, changed.points, _curvature(base, changed))
    if not len(rows):
        return "no points of the two at overlapping lift coefficients"
    by_flight = _by_flight(rows)
    value, type_a = _pool(by_flight)
    type_b = float(np.hypot(_type_b(base, changed, settings, value), _airspeed_unlike(base, changed, drag)))
    area = band_of(value, type_a, type_b, unit="m2")
    mass = drag.standard_mass
    speeds = equivalent_speed(rows["lift"].to_numpy(), mass)
    return Increment(
        what, base.condition, changed.condition, area, float(speeds.min()), float(speeds.max()), _trend(rows, value),
        len(rows), rows["sortie"].nunique(), int(by_flight["paired"].sum()), (*changed.origin, *base.origin),
    )  # fmt: skip


def _curvature(base: ConditionDrag, changed: ConditionDrag) -> float:
    """k [1/m2] to carry the base's points to another L/q: the base's own fit, else the changed one's, else a usual one."""
    for one in (base, changed):
        if isinstance(one.fit, PolarFit):
            return one.fit.k
    return 0.004


def _differences(base: pd.DataFrame, changed: pd.DataFrame, k: float) -> pd.DataFrame:
    """Per changed point its drag area less the base's at the same L/q: difference, error, L/q, flight, whether paired.

    The base's level f is that flight's own where it flew the base, else of all flights; both from points inside the
    compared range alone.
    """
    lift_b, area_b, error_b = lift_and_drag_areas(base)
    level = area_b - k * lift_b**2
    flights = base["sortie"].to_numpy()
    out = []
    lift_c, area_c, error_c = lift_and_drag_areas(changed)
    for index, sortie in enumerate(changed["sortie"]):
        lift = lift_c[index]
        if not lift_b.min() / OVERLAP <= lift <= lift_b.max() * OVERLAP:
            continue
        own = flights == sortie
        use = own if own.any() else np.ones(len(flights), dtype=bool)
        weight = 1 / error_b[use] ** 2
        mean = float(np.sum(weight * level[use]) / weight.sum())
        spread = float(np.std(level[use], ddof=1) / sqrt(use.sum())) if use.sum() > 2 else 0.0
        between = 0.0 if own.any() else _between(level, flights)
        base_error = float(np.hypot(max(1 / sqrt(weight.sum()), spread), between))
        out.append(
            (
                sortie,
                bool(own.any()),
                float(lift),
                float(area_c[index] - mean - k * lift**2),
                float(error_c[index]),
                base_error,
            )
        )
    return pd.DataFrame(out, columns=["sortie", "paired", "lift", "difference", "error", "base_error"])


def _between(level: Floats, flights: np.ndarray) -> float:
    """How much the base differs from flight to flight; 2 % of it where one flight alone flew it."""
    means = [float(level[flights == one].mean()) for one in np.unique(flights)]
    return float(np.std(means, ddof=1)) if len(means) > 1 else 0.02 * abs(means[0])


def _by_flight(rows: pd.DataFrame) -> pd.DataFrame:
    """One line per flight: mean difference and its error; the base's error is common to a flight's points."""
    out = []
    for sortie, group in rows.groupby("sortie", sort=True):
        weight = 1 / group["error"] ** 2
        mean = float((weight * group["difference"]).sum() / weight.sum())
        scatter = float(group["difference"].std(ddof=1) / sqrt(len(group))) if len(group) > 2 else 0.0
        error = float(np.hypot(max(1 / sqrt(weight.sum()), scatter), group["base_error"].mean()))
        out.append((sortie, bool(group["paired"].all()), mean, error))
    return pd.DataFrame(out, columns=["sortie", "paired", "mean", "error"])


def _pool(by_flight: pd.DataFrame) -> tuple[float, float]:
    """(mean, standard error) [m2] over flights, with what flights differ by; one flight keeps 2 % for it."""
    mean = by_flight["mean"].to_numpy()
    error = by_flight["error"].to_numpy()
    if len(mean) == 1:
        return float(mean[0]), float(np.hypot(error[0], 0.02 * abs(mean[0])))
    answer, covariance = fit_with_excess(np.zeros(len(mean)), mean, error, with_line=False)
    return float(answer[0]), float(sqrt(covariance[0, 0]))


def _type_b(base: ConditionDrag, changed: ConditionDrag, settings: Settings, value: float) -> float:
    """What airspeed, mass, sink and temperature off for all points alike do to the difference [m2]."""
    total = 0.0
    for moved_base, moved_changed in zip(
        moved_points(base.points, settings), moved_points(changed.points, settings), strict=True
    ):
        ratio_base, mean_base = _scale(base.points, moved_base)
        ratio, _ = _scale(changed.points, moved_changed)
        # both sides scale alike: the difference goes with the changed side's scale, and a little with their mismatch
        total += ((ratio - 1) * value) ** 2 + ((ratio - ratio_base) * mean_base) ** 2
    return sqrt(total)


def _airspeed_unlike(base: ConditionDrag, changed: ConditionDrag, drag: DragResult) -> float:
    """What the two configurations' airspeeds, put right each by its own correction, do to the difference [m2]: areas go with V^-3."""
    fit = drag.instruments.airspeed
    if fit is None:
        return 0.0
    unlike = fit.unlikeness(
        (base.condition.gear, base.condition.flap), (changed.condition.gear, changed.condition.flap)
    )
    share = 3 * unlike / float(changed.points["calibrated_airspeed"].mean())
    return share * float(np.mean(lift_and_drag_areas(changed.points)[1]))


def _scale(points: pd.DataFrame, moved: pd.DataFrame) -> tuple[float, float]:
    """(mean ratio of the moved points' drag areas to their own, mean of the own) [1, m2]."""
    before, after = lift_and_drag_areas(points)[1], lift_and_drag_areas(moved)[1]
    return float(np.mean(after / before)), float(np.mean(before))


def _trend(rows: pd.DataFrame, value: float) -> Band:
    """Slope of the differences over L/q as a share of their mean [1/m2]; unknown with fewer than four points."""
    if len(rows) < 4 or np.ptp(rows["lift"]) <= 0 or value == 0:
        return Band(nan, nan, nan, "1/m2")
    slope, covariance = np.polyfit(rows["lift"], rows["difference"] / value, 1, cov=True)
    return band_of(float(slope[0]), float(sqrt(covariance[0, 0])), unit="1/m2")
