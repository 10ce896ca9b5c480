"""Which points to fly next: those that make the widest bands narrower, in build-up order, inside the settings' limits.

For each glide condition the drag area is D/q = f + k (W/q)^2; how much a further point at an airspeed would
narrow the predicted sink over that condition's speeds follows from the information matrix of the points there
are (V-optimal design: V. Fedorov, Theory of Optimal Experiments, 1972), whatever its result will be.
A proposal, never a permission: limits are a hard filter, and nothing is proposed more than one step beyond
what was flown.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ...shared.physics.constants import SEA_LEVEL_DENSITY, STANDARD_GRAVITY
from ...shared.settings import Aircraft
from ...shared.units import to_si
from .conditions import Condition, conditions_of
from .coverage import Row, reduce_coverage
from .evidence import Evidence
from .sheet import LeftOut, Reference

Floats = NDArray[np.float64]

BUILD_UP_STEP = to_si(10.0, "kt")
GRID = to_si(5.0, "kt")
MARGIN_ABOVE_STALL = 1.2  # times the stall speed of the settings; common practice, no source
MOST_REPEATS = 2  # of one condition and airspeed in one proposal: more belong to another flight's air
TYPICAL_ERROR = 0.03  # of a point's drag area where too few points tell their own scatter


@dataclass(frozen=True, slots=True)
class NextPoint:
    """One proposed point: CAS and what to show on the airspeed indicator [m/s], the limits that bound it, why.

    half_width_now, half_width_then: k = 2 half width of the predicted sink at that airspeed [m/s]; NaN when the
    condition has too few points to predict anything.
    """

    condition: Condition
    airspeed: float
    indicated: float
    lowest: float
    highest: float
    bounds: str
    reason: str
    half_width_now: float
    half_width_then: float


@dataclass(frozen=True, slots=True)
class NextPointsResult:
    """Proposals in the order to be flown; conditions nothing is proposed for, with reasons."""

    points: tuple[NextPoint, ...]
    left_out: tuple[LeftOut, ...]
    used: tuple[Reference, ...] = ()  # the points flown so far that the proposal rests on


@dataclass(slots=True)
class _Design:
    """One condition's information so far: matrix (2, 2), error of one point [m2], its mass and density."""

    row: Row
    information: Floats
    error: float
    weight: float
    low: float
    high: float
    bounds: str
    area: float  # mean drag area of its points [m2]: what build-up goes by


def propose_points(evidence: Evidence, count: int = 8) -> NextPointsResult:
    """The `count` points that together narrow the predicted sink most, in build-up order."""
    left_out: list[LeftOut] = list(evidence.left_out)
    designs: list[_Design] = []
    points = conditions_of(evidence)
    for row in reduce_coverage(evidence).rows:
        reason = _reason_against(row)
        if reason is None:
            own = points[points["condition"] == row.condition]
            designs.append(_design(row, own, evidence.settings.aircraft))
        elif row.condition.kind == "glide":
            left_out.append(LeftOut(row.condition.words, reason))
    chosen: list[NextPoint] = []
    for _ in range(count):
        flown = Counter((one.condition, one.airspeed) for one in chosen)
        candidates = [
            one
            for design in designs
            for one in _candidates(design)
            if flown[design.row.condition, one[2]] < MOST_REPEATS
        ]
        best = max(candidates, key=lambda one: one[0], default=None)
        if best is None or best[0] <= 0:
            break
        _, design, speed = best
        chosen.append(_proposal(design, speed, evidence.settings.aircraft))
        vector = _regressor(speed, design.weight)
        design.information = design.information + np.outer(vector, vector) / design.error**2
    used = tuple(origin for design in designs for cell in design.row.cells for origin in cell.origin)
    return NextPointsResult(tuple(_in_order(chosen, designs)), tuple(left_out), used)


def _reason_against(row: Row) -> str | None:
    condition = row.condition
    if condition.kind != "glide":
        return "only glides are planned here"
    if not condition.is_known:
        return "the configuration is not known"
    if row.masses[0] != row.masses[0]:
        return "no mass is known"
    return None


def _design(row: Row, points: pd.DataFrame, aircraft: Aircraft) -> _Design:
    own = points.dropna(subset=["weight", "sink_rate", "true_airspeed"])
    weight = float(own["weight"].mean()) if len(own) else row.masses[1] * STANDARD_GRAVITY
    area = own["weight"] * own["sink_rate"] / own["true_airspeed"] / own["dynamic_pressure"]
    vectors = np.array(
        [[1.0, (w / q) ** 2] for w, q in zip(own["weight"], own["dynamic_pressure"], strict=True)]
    ).reshape(-1, 2)
    error = _scatter(vectors, np.asarray(area, dtype=np.float64))
    low, high, bounds = allowed_range(row, aircraft)
    mean = float(area.mean()) if len(area) else np.inf
    return _Design(row, vectors.T @ vectors / error**2, error, weight, low, high, bounds, mean)


def _scatter(vectors: Floats, area: Floats) -> float:
    """Error of one point's drag area: residual of the fit where there are enough points, else a typical share."""
    if not len(area):
        return 0.05
    typical = TYPICAL_ERROR * float(np.mean(np.abs(area)))
    if len(area) < 5:
        return typical
    answer = np.linalg.lstsq(vectors, area, rcond=None)[0]
    return max(float(np.sqrt(np.sum((area - vectors @ answer) ** 2) / (len(area) - 2))), 0.2 * typical)


def allowed_range(row: Row, aircraft: Aircraft) -> tuple[float, float, str]:
    """(lowest, highest [m/s], what bounds them): one build-up step beyond what was flown, inside the limits given.

    Without a stall speed for the configuration nothing slower than flown is allowed, without any upper limit
    nothing faster.
    """
    stall = aircraft.stall_speed_clean if row.condition.flap == "up" else aircraft.stall_speed_landing
    low, why_low = row.slowest, "slowest flown"
    if stall is not None:
        low = max(row.slowest - BUILD_UP_STEP, MARGIN_ABOVE_STALL * float(stall))
        why_low = (
            f"{MARGIN_ABOVE_STALL:g} times the stall speed"
            if low > row.slowest - BUILD_UP_STEP
            else "one step below the slowest flown"
        )
    limits = upper_limits(row.condition, aircraft)
    high, why_high = row.fastest, "fastest flown"
    if limits:
        name, limit = min(limits.items(), key=lambda one: one[1])
        high, why_high = row.fastest + BUILD_UP_STEP, "one step above the fastest flown"
        if limit < high:
            high, why_high = limit, name
    return low, high, f"{why_low}; {why_high}"


def upper_limits(condition: Condition, aircraft: Aircraft) -> dict[str, float]:
    """Upper airspeed limits [m/s] of the settings that hold in a condition, by name."""
    found: dict[str, float | None] = {"never-exceed speed": aircraft.never_exceed_speed}
    if condition.gear == "down":
        found["gear-extended speed"] = aircraft.gear_extended_speed
    for one in aircraft.flap_settings:
        if one.name == condition.flap:
            found["flap limit speed"] = one.limit_speed
    return {name: float(value) for name, value in found.items() if value is not None}


def _regressor(speed: float, weight: float) -> Floats:
    dynamic = SEA_LEVEL_DENSITY / 2 * speed**2
    return np.array([1.0, (weight / dynamic) ** 2])


def _spread(information: Floats, speed: float, weight: float) -> float:
    """Variance of the predicted sink [m2/s2] at an airspeed: that of the drag area times (q V / W)^2."""
    vector = _regressor(speed, weight)
    prior = np.diag([1e-2, 1e-14])  # a condition without points is very uncertain, not infinitely
    variance = float(vector @ np.linalg.solve(information + prior, vector))
    return variance * (SEA_LEVEL_DENSITY / 2 * speed**2 * speed / weight) ** 2


def _candidates(design: _Design) -> list[tuple[float, _Design, float]]:
    """(gain, design, airspeed) of every airspeed of the grid: by how much the mean variance would fall."""
    grid = _grid(design)
    if not len(grid):
        return []
    before = np.array([_spread(design.information, v, design.weight) for v in grid])
    out = []
    for speed in grid:
        vector = _regressor(float(speed), design.weight)
        more = design.information + np.outer(vector, vector) / design.error**2
        after = np.array([_spread(more, v, design.weight) for v in grid])
        out.append((float(np.mean(np.sqrt(before)) - np.mean(np.sqrt(after))), design, float(speed)))
    return out


def _grid(design: _Design) -> Floats:
    first = np.ceil(design.low / GRID - 1e-9) * GRID
    return np.clip(np.arange(first, design.high + 1e-9, GRID), design.low, design.high)


def _proposal(design: _Design, speed: float, aircraft: Aircraft) -> NextPoint:
    now = 2 * np.sqrt(_spread(design.information, speed, design.weight))
    vector = _regressor(speed, design.weight)
    more = design.information + np.outer(vector, vector) / design.error**2
    then = 2 * np.sqrt(_spread(more, speed, design.weight))
    row = design.row
    beyond = speed < row.slowest or speed > row.fastest
    near = sum(cell.count for cell in row.cells if abs(cell.speed + GRID - speed) <= GRID)
    reason = "one step beyond what was flown" if beyond else "nothing flown near it" if not near else "weakest known"
    told = row.points >= 2
    return NextPoint(
        row.condition, speed, indicated_for(speed, aircraft), design.low, design.high, design.bounds, reason,
        float(now) if told else float("nan"), float(then) if told else float("nan"),
    )  # fmt: skip


def indicated_for(calibrated: float, aircraft: Aircraft) -> float:
    """Indicated airspeed [m/s] that shows a calibrated airspeed [m/s], by the settings' position error table."""
    rows = aircraft.plain_corrections()
    if not rows:
        return calibrated
    indicated = np.array([r[0] for r in rows])
    shown = indicated + np.array([r[1] for r in rows])
    return calibrated - float(np.interp(calibrated, shown, shown - indicated))


def _in_order(chosen: list[NextPoint], designs: list[_Design]) -> list[NextPoint]:
    """Conditions one after the other (gear and flaps moved once), less drag first, in each from the middle of what was flown outwards."""
    middle = {design.row.condition: (design.row.slowest + design.row.fastest) / 2 for design in designs}
    area = {design.row.condition: design.area for design in designs}
    order = sorted(middle, key=lambda c: (c.gear == "down", c.flap != "up", area[c], c))
    return sorted(chosen, key=lambda one: (order.index(one.condition), abs(one.airspeed - middle[one.condition])))
