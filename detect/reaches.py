"""How far a good window can go from each start, by what no part of a good window can break.

Many criteria are hereditary: where a window breaks one, every longer one breaks it too (a gap, a
range, a threshold). Each gives for every start a stop that no good window passes; the nearest bounds the
windows that are measured at all, and what is settled so is not measured again.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ..shared.settings import PointCriteria
from .criteria import airspeed_allowance
from .quantities import ENGINE_MEAN_S, ROUGHNESS_S, Quantities
from .robust import largest
from .signal import Flags, Indices
from .windows import Series, next_true

SETTLED = ("gap", "gear_moving", "flap_moving", "configuration", "unrecorded_change", "manifold_pressure")
SETTLED_BY_FAMILY = {
    "level": ("bank", "heading", "level_band"),
    "slope": ("bank", "heading"),
    "turn": ("level_band",),
}
SETTLED_INSIDE = ("engine_speed_step", "manifold_pressure_step", "fuel_flow_step", "air_roughness")


def reaches_of(q: Quantities, starts: Indices, limits: PointCriteria, *, least: int, most: int) -> dict[str, Indices]:
    """For each family and start a stop no good window passes: int64 like starts. least, most: shortest and longest
    window, samples; where no more is left than the shortest nothing further is asked."""
    slope = np.minimum.reduce([_usable(q, starts), *_inside(q, starts, limits)])
    some = np.flatnonzero(slope - starts >= least)
    for held in (_airspeed_held, _manifold_held):
        slope[some] = np.minimum(slope[some], held(q, starts[some], limits, most))
        some = some[slope[some] - starts[some] >= least]
    turn, at = slope.copy(), starts[some]
    height = q.altitude.reach(at, 2 * limits.level_altitude_band, most=most)
    with np.errstate(invalid="ignore"):
        wings = next_true(np.abs(q.bank.values) > limits.bank)[at]
    straight = np.minimum(wings, q.heading.reach(at, limits.heading, gaps=True, most=most))
    turning = q.bank.reach(at, 2 * limits.turn_bank_band, gaps=True, most=most)
    turn[some] = np.minimum(np.minimum(turn[some], turning), height)
    slope[some] = np.minimum(slope[some], straight)
    level = slope.copy()
    level[some] = np.minimum(slope[some], height)
    return {"level": level, "slope": slope, "turn": turn}


def _airspeed_held(q: Quantities, starts: Indices, limits: PointCriteria, most: int) -> Indices:
    return q.airspeed_mean.reach(starts, 2 * airspeed_band(q, limits), most=most)


def _manifold_held(q: Quantities, starts: Indices, limits: PointCriteria, most: int) -> Indices:
    share = limits.manifold_pressure_share
    ratio = q.manifold_ratio.reach(starts, share, gaps=True, most=most)
    return np.maximum(ratio, q.manifold_logarithm.reach(starts, share, gaps=True, most=most))


def airspeed_band(q: Quantities, limits: PointCriteria) -> float:
    """The widest band about its mean that the airspeed may have anywhere in the sortie [m/s]."""
    if not limits.airspeed_share:
        return float(limits.airspeed_band)
    return float(airspeed_allowance(limits, np.array([largest(q.airspeed_mean.values)]))[0])


def settled(q: Quantities, family: str, *, shortest: int) -> tuple[str, ...]:
    """Names of the criteria that every window within the reach meets. shortest: samples of the shortest window."""
    longest_margin = max(_margin(q, seconds) for _, seconds, _ in _INSIDE)
    inside = SETTLED_INSIDE if shortest > 2 * longest_margin else ()
    return (*SETTLED, *SETTLED_BY_FAMILY[family], *inside)


def _usable(q: Quantities, starts: Indices) -> Indices:
    usable: Flags = q.airborne & q.airspeed.known & q.altitude.known
    for moving in q.moving.values():
        usable = usable & (moving.values < 0.5)
    changed = np.diff(q.configuration + q.unrecorded, append=0) > 0  # at the last sample before a change
    return np.minimum(next_true(~usable)[starts], next_true(changed)[starts] + 1)


# what is judged over a margin less at both ends, the margin, the limit's name
_INSIDE = (
    ("engine_speed_step", ENGINE_MEAN_S, "engine_speed_step"),
    ("manifold_step", ENGINE_MEAN_S, "manifold_pressure_step"),
    ("fuel_flow_step", ENGINE_MEAN_S, "fuel_flow_step"),
    ("roughness", ROUGHNESS_S / 2, "air_roughness"),
)


def _inside(q: Quantities, starts: Indices, limits: PointCriteria) -> Iterator[Indices]:
    n = len(q.airborne)
    for name, seconds, limit in _INSIDE:
        if name == "fuel_flow_step" and q.manifold_ratio.known.any():
            continue
        series: Series = getattr(q, name)
        margin = _margin(q, seconds)
        with np.errstate(invalid="ignore"):
            bad = next_true(series.values > getattr(limits, limit))
        first = np.append(bad, n)[np.minimum(starts + margin, n)]
        yield np.maximum(first + margin, starts + 2 * margin)  # shorter windows have a smaller margin


def _margin(q: Quantities, seconds: float) -> int:
    return round(seconds / q.step_s)
