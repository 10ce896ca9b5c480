"""Repeatability of glides: how much of their scatter lies within a flight, between flights of a day, between days.

What a glide's drag area leaves over from the polar of its own condition, as a share of that polar, is a nest of
points in flights in days (see variance_components). Polars are fitted anew with the components, so that what they
took from the scatter is counted. What more flights would do to a band follows from the same components.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, isfinite

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from .bands import COVERAGE_FACTOR, UNKNOWN, Band
from .drag import ConditionDrag, DragResult
from .polar_fit import Floats, PolarFit, lift_and_drag_areas, lift_area
from .present import counted
from .propeller import density_ratio_of
from .resampling import seed_of
from .variance_components import FEWEST_DEGREES, Components, Nest, components_of

WITHIN, FLIGHTS, DAYS, TOGETHER = (
    "within a flight",
    "between flights of a day",
    "between days",
    "between flights, each on its own day",
)
MOST_FLIGHTS = 200  # more than these are not proposed
HALF = 0.5 + 1e-6  # exactly half may come out a little more by rounding


@dataclass(frozen=True, slots=True)
class Component:
    """One level. deviation: standard deviation as a share of drag area, unknown where there is a reason not to tell it.

    variance: its estimate (share squared), negative as it may come; a lower limit of zero is not told from zero.
    """

    name: str
    deviation: Band
    variance: float
    reason: str = ""

    @property
    def is_told_from_zero(self) -> bool:
        """Whether the band leaves zero out."""
        return self.deviation.is_known and self.deviation.low > 0


@dataclass(frozen=True, slots=True)
class Ahead:
    """What flights like these, each on another day, would do to the band of sink of the usual condition; estimates, SI.

    now, after_one: half widths [m/s] of the band; scatter, lasting: the halves of it that flights narrow and do not.
    halved_by: flights that halve the whole band, scatter_halved_by: its scatter; None when no number up to MOST_FLIGHTS does.
    """

    now: float
    after_one: float
    scatter: float
    lasting: float
    halved_by: int | None
    scatter_halved_by: int | None


@dataclass(frozen=True, slots=True)
class Repeatability:
    """The levels' scatter, of how much they were told, and the usual condition and equivalent airspeed [m/s] to tell it at.

    area [m2], sink [m/s]: of the usual condition at that speed: a share times these is told in drag area and in sink.
    """

    components: tuple[Component, ...]
    points: int
    flights: int
    days: int
    usual: ConditionDrag
    speed: float
    area: float
    sink: float
    ahead: Ahead | None


@dataclass(frozen=True, slots=True, eq=False)
class _Glides:
    """All fitted glides: the nest, what each condition and flap adds to the design, and which rows the usual one flew."""

    nest: Nest
    at_usual: Floats  # (p,): the design's row of the usual condition at the usual speed
    of_usual: NDArray[np.bool_]


def repeatability_of(result: DragResult) -> Repeatability | None:
    """Components of the glides' residual drag area; None when no condition has a polar."""
    fitted = [one for one in result.conditions if isinstance(one.fit, PolarFit)]
    if not fitted:
        return None
    usual = max(fitted, key=lambda one: (one.flights, len(one.points)))
    low, high = usual.speeds(result.standard_mass)
    speed = (low + high) / 2
    assert isinstance(usual.fit, PolarFit)
    load = float(lift_area(speed, result.standard_mass))
    area = float(usual.fit.at(load))
    glides = _glides_of(fitted, usual, load)
    components = split(glides.nest)
    sink = usual.sink_at(speed, result.standard_mass, density_ratio=result.density_ratio)
    sink = sink if sink.is_known else usual.sink_at(speed, result.standard_mass)
    nest = glides.nest
    counts = len(nest.value), len(set(nest.flight)), len(set(nest.day))
    return Repeatability(components, *counts, usual, speed, area, sink.value, _ahead(glides, components, sink))


def split(nest: Nest) -> tuple[Component, ...]:
    """The levels of a nest, each told or with the reason why not; flights and days together where each day has but one."""
    seed = seed_of(*np.round(nest.value, 9))
    found = components_of(nest, unit="1", seed=seed)
    flights, days = len(set(nest.flight)), len(set(nest.day))
    out = [
        _component(WITHIN, found, 0, f"{counted(len(nest.value), 'point')} are too few for the polars fitted to them"),
        _component(FLIGHTS, found, 1, _why_not_flights(flights, days)),
        _component(DAYS, found, 2, f"{counted(days, 'day')}: {FEWEST_DEGREES + 1} are needed"),
    ]
    if days > 1 and not found.is_told(1):
        together = components_of(_without_days(nest), unit="1", seed=seed)
        out[2] = Component(
            DAYS,
            UNKNOWN,
            float("nan"),
            "days with several flights are missing: days and flights are told together below",
        )
        why = f"{counted(flights, 'flight')}: {FEWEST_DEGREES + 1} are needed that share a configuration"
        out.append(_component(TOGETHER, together, 1, why))
    return tuple(out)


def _why_not_flights(flights: int, days: int) -> str:
    if days > 1:
        return "hardly any day has two flights: a second flight on a day would tell"
    return f"{counted(flights, 'flight')}: {FEWEST_DEGREES + 1} are needed"


def _component(name: str, found: Components, level: int, why_not: str) -> Component:
    if not found.is_told(level):
        return Component(name, UNKNOWN, float("nan"), why_not)
    return Component(name, found.deviations[level], float(found.variances[level]))


def _without_days(nest: Nest) -> Nest:
    return Nest(nest.value, nest.design, nest.weight, nest.flight, np.zeros_like(nest.day))


def _glides_of(fitted: Sequence[ConditionDrag], usual: ConditionDrag, load: float) -> _Glides:
    """Residuals as shares of the fitted drag area, weights about 1, the polars' columns; load: L/q [m2] at the usual speed."""
    points = pd.concat([one.points for one in fitted], ignore_index=True)
    member = np.repeat(np.arange(len(fitted)), [len(one.points) for one in fitted])
    lift, area, error = lift_and_drag_areas(points)
    curve = np.concatenate([one.fit.at(one.fit.lift) for one in fitted if isinstance(one.fit, PolarFit)])
    flaps = sorted({one.condition.flap for one in fitted})
    flap = np.array([flaps.index(one.condition.flap) for one in fitted])[member]
    told = sorted({one.condition.propulsion for one in fitted if one.density.told})
    ratio = density_ratio_of(points)
    density = [np.asarray(points["propulsion"] == state) * ratio for state in told]
    levels, induced = np.eye(len(fitted))[member], np.eye(len(flaps))[flap] * lift[:, np.newaxis] ** 2
    design = np.column_stack([levels, induced, *density]) / curve[:, np.newaxis]
    share = error / curve
    nest = Nest(
        area / curve - 1,
        design,
        float(np.median(share)) ** 2 / share**2,
        _codes(points["sortie"]),
        _codes(points["day"]),
    )
    chosen = fitted.index(usual)
    assert isinstance(usual.fit, PolarFit)
    row = [np.eye(len(fitted))[chosen], np.eye(len(flaps))[flaps.index(usual.condition.flap)] * load**2]
    at_usual = np.concatenate([*row, [usual.density.reference * (s == usual.condition.propulsion) for s in told]])
    return _Glides(nest, at_usual / float(usual.fit.at(load)), member == chosen)


def _codes(names: pd.Series[str]) -> NDArray[np.int64]:
    return np.asarray(pd.factorize(names)[0], dtype=np.int64)


def _ahead(glides: _Glides, components: tuple[Component, ...], sink: Band) -> Ahead | None:
    """None unless scatter between flights and days is told, and the band of sink has a scatter."""
    variances = _variances_of(components)
    if variances is None or not (sink.is_known and isfinite(sink.type_a) and sink.type_a > 0):
        return None
    shrink = _shrink_of(glides, variances)
    whole, scatter, lasting = sink.standard_uncertainty, sink.type_a, float(np.nan_to_num(sink.type_b))
    after = {flights: hypot(scatter * shrink[flights], lasting) for flights in range(1, MOST_FLIGHTS + 1)}
    return Ahead(
        COVERAGE_FACTOR * whole,
        COVERAGE_FACTOR * min(after[1], whole),
        COVERAGE_FACTOR * scatter,
        COVERAGE_FACTOR * lasting,
        next((flights for flights, one in after.items() if one <= HALF * whole), None),
        next((flights for flights in after if shrink[flights] <= HALF), None),
    )


def _variances_of(components: tuple[Component, ...]) -> tuple[float, float, float] | None:
    """(points, flights, days) to reckon with, none negative; None when a level is not told."""
    told = {one.name: max(one.variance, 0.0) for one in components if not one.reason}
    if WITHIN not in told:
        return None
    if TOGETHER in told:
        return told[WITHIN], told[TOGETHER], 0.0
    return (told[WITHIN], told[FLIGHTS], told[DAYS]) if {FLIGHTS, DAYS} <= set(told) else None


def _shrink_of(glides: _Glides, variances: tuple[float, float, float]) -> Floats:
    """Scatter of the usual condition's drag with 0, 1, 2 ... more flights, over that with none, (MOST_FLIGHTS + 1,).

    Generalised least squares: information adds from day to day. A further flight brings what a flight of those with the
    usual condition brings in the mean, alone on its day.
    """
    nest = glides.nest
    now = sum((_information(nest, nest.day == day, variances) for day in np.unique(nest.day)), np.array(0.0))
    alike = np.unique(nest.flight[glides.of_usual])
    more = sum((_information(nest, nest.flight == one, variances) for one in alike), np.array(0.0)) / len(alike)
    at = glides.at_usual
    spread = [at @ np.linalg.pinv(now + flights * more, hermitian=True) @ at for flights in range(MOST_FLIGHTS + 1)]
    return np.sqrt(np.maximum(np.array(spread), 0.0) / max(float(spread[0]), 1e-300))


def _information(nest: Nest, rows: NDArray[np.bool_], variances: tuple[float, float, float]) -> Floats:
    """Design' covariance^-1 design, (p, p), of the rows of one day."""
    design, flight = nest.design[rows], nest.flight[rows]
    points, flights, days = variances
    floor = max(points, 1e-8)  # points that agree exactly are not exact: 0.01 %
    shared = flights * (flight[:, np.newaxis] == flight[np.newaxis, :]) + days
    return np.asarray(design.T @ np.linalg.solve(np.diag(floor / nest.weight[rows]) + shared, design))
