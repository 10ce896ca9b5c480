"""What sink and engine speed a planned glide should show, from what was measured so far; nothing outside of it.

The band is for one further glide: what the fit is unsure of, and how single glides scattered about it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from ...shared.physics.constants import STANDARD_GRAVITY
from ...shared.settings import Settings
from ...shared.units import to_si
from .bands import UNKNOWN, Band, band_of
from .conditions import Condition
from .drag import SPEED_MARGIN, ConditionDrag, reduce_drag
from .evidence import Evidence
from .polar_fit import PolarFit
from .present import range_text, say

FEWEST_FOR_A_SPEED = 3  # glides that tell engine speed
SPAN_FOR_A_LINE = to_si(10.0, "kt")  # of true airspeeds, below which a mean engine speed is told
MASS_MARGIN = 0.03  # share by which the mass may lie outside those flown; common practice, no source


@dataclass(frozen=True, slots=True)
class Expectation:
    """Sink [m/s] and engine speed [1/s] of one planned glide, UNKNOWN where not measured; reason: why there is no sink, else ''.

    airspeed: the calibrated one [m/s] it is for, put right as `drag` puts them; NaN where it was not asked by its number.
    """

    sink: Band
    engine_speed: Band
    reason: str = ""
    airspeed: float = float("nan")


@dataclass(frozen=True, slots=True)
class Expectations:
    """One for each glide asked about, at the mass [kg] and density altitude [m] of the drag reduction."""

    each: tuple[Expectation, ...]
    mass: float
    density_altitude: float


def expect_glides(evidence: Evidence, asked: Sequence[tuple[Condition, float]]) -> Expectations:
    """What the glides so far let expect in these conditions at these calibrated airspeeds as recorded [m/s], wings level in still air."""
    drag = reduce_drag(evidence)
    known = {one.condition: one for one in drag.conditions}
    mass, ratio, fit = drag.standard_mass, drag.density_ratio, drag.instruments.airspeed
    each = []
    for condition, speed in asked:
        right = speed if fit is None else speed + fit.correction(condition.gear, condition.flap, speed).value
        told = _expect(known.get(condition), right, stated=(mass, ratio), settings=evidence.settings)
        each.append(replace(told, airspeed=right))
    return Expectations(tuple(each), mass, drag.density_altitude)


def _expect(one: ConditionDrag | None, speed: float, *, stated: tuple[float, float], settings: Settings) -> Expectation:
    mass, ratio = stated
    if one is None:
        return Expectation(UNKNOWN, UNKNOWN, "not measured yet")
    turning = engine_speed_of(one.points, speed / ratio**0.5, settings.uncertainty.engine_speed_share)
    if isinstance(one.fit, str):
        return Expectation(UNKNOWN, turning, f"not measured yet: {one.fit}")
    masses = one.points["weight"] / STANDARD_GRAVITY
    if not masses.min() * (1 - MASS_MARGIN) <= mass <= masses.max() * (1 + MASS_MARGIN):
        flown = range_text(float(masses.min()), float(masses.max()), "mass", settings)
        return Expectation(UNKNOWN, turning, f"not measured yet at {say(mass, 'mass', settings)}: flown at {flown}")
    sink = one.sink_at(speed, mass, density_ratio=ratio)
    if not sink.is_known:
        flown = range_text(*one.speeds(mass), "speed", settings)
        return Expectation(UNKNOWN, turning, f"not measured yet: flown at {flown}")
    return Expectation(_of_one_glide(sink, scatter_of(one.fit)), turning)


def scatter_of(fit: PolarFit) -> float:
    """Standard deviation of single glides about their polar, as a share of the drag; not less than their own errors tell."""
    off = fit.area / fit.at(fit.lift) - 1
    freedom = max(len(off) - 1 - fit.told, 1.0)
    own = float(np.median(fit.error / fit.area))
    return max(float(np.sqrt(np.sum(off**2) / freedom)), own)


def _of_one_glide(mean: Band, scatter: float) -> Band:
    return band_of(mean.value, float(np.hypot(mean.type_a, scatter * mean.value)), mean.type_b, unit=mean.unit)


def engine_speed_of(glides: pd.DataFrame, true_airspeed: float, share: float) -> Band:
    """Engine speed [1/s] of one further glide at a true airspeed [m/s] inside those flown, else UNKNOWN. share: of type B."""
    if "engine_speed" not in glides:
        return UNKNOWN
    own = glides[["engine_speed", "true_airspeed"]].dropna()
    speed, turning = (own[name].to_numpy(dtype=np.float64) for name in ("true_airspeed", "engine_speed"))
    if len(own) < FEWEST_FOR_A_SPEED or not speed.min() - SPEED_MARGIN <= true_airspeed <= speed.max() + SPEED_MARGIN:
        return UNKNOWN
    with_line = float(np.ptp(speed)) >= SPAN_FOR_A_LINE and len(own) > FEWEST_FOR_A_SPEED
    design = np.stack([np.ones_like(speed), speed - true_airspeed], axis=1)[:, : 2 if with_line else 1]
    answer, covariance = np.linalg.lstsq(design, turning, rcond=None)[0], np.linalg.inv(design.T @ design)
    variance = float(np.sum((turning - design @ answer) ** 2)) / (len(own) - design.shape[1])
    value = float(answer[0])
    return band_of(value, float(np.sqrt(variance * (1 + covariance[0, 0]))), share * value, unit="1/s")
