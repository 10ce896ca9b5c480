"""What the wing says about the flaps: angle of attack against lift, second by second.

angle of attack = pitch - asin(climb rate / true airspeed)      (still air, wings' own datum)
lift measure x  = load factor / dynamic pressure                [1/Pa]

With one flap setting the angle is a straight line in x, slope = wing loading over lift-curve
slope; flaps move the line down in parallel (thin-aerofoil theory: a flap changes the zero-lift
angle, not the slope; e.g. Abbott and von Doenhoff, Theory of Wing Sections, 1959, section 4.4).
The slope is learned from the sortie: the weighted median of angle changes over lift changes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..shared.recording import Floats
from .flight import HEIGHT_CHANNELS
from .robust import medians_along
from .signal import Flags, Grid, slope, smooth

SMOOTH_S = 3.0
LAG_S = 12.0
SEA_LEVEL_DENSITY = 1.225
SLOWEST_M_S = 15.0
NOISE_WINDOW_S = 120
NEEDS = ("airspeed", "pitch", "normal load factor", "height")


@dataclass(frozen=True, slots=True, eq=False)
class Lift:
    """One sample a second: time_s (n,), offset: angle of attack less what the lift asks for [rad], known in flight
    only; measure: load factor over dynamic pressure [1/Pa]; slope: angle per measure [rad Pa]; noise: the offset's."""

    time_s: Floats
    offset: Floats
    measure: Floats
    slope: float
    noise: Floats


def read_lift(grid: Grid, airborne: Flags) -> Lift | None:
    """The zero-lift angle's history; None where a needed channel is missing or little was flown."""
    speed_channel = grid.first("calibrated_airspeed", "indicated_airspeed")
    height_channel = grid.first(*HEIGHT_CHANNELS)
    have_all = speed_channel and height_channel and grid.first("pitch") and grid.first("normal_load_factor")
    if not have_all or np.count_nonzero(airborne) * grid.step_s < 120.0:
        return None
    assert speed_channel is not None and height_channel is not None
    width, step = grid.samples(SMOOTH_S), grid.samples(1.0)
    speed = smooth(grid.columns[speed_channel], width)
    true_channel = grid.first("true_airspeed", "recorded_true_airspeed") or speed_channel
    true = np.maximum(smooth(grid.columns[true_channel], width), SLOWEST_M_S)
    climb = slope(grid.columns[height_channel], width, grid.step_s)
    with np.errstate(invalid="ignore", divide="ignore"):
        flying = airborne & (speed > SLOWEST_M_S)
        measure = smooth(grid.columns["normal_load_factor"], width) / (0.5 * SEA_LEVEL_DENSITY * speed**2)
        angle = smooth(grid.columns["pitch"], width) - np.arcsin(np.clip(climb / true, -1.0, 1.0))
    angle = np.where(flying, angle, np.nan)[::step]
    measure = np.where(flying, measure, np.nan)[::step]
    steepness = _slope(angle, measure)
    offset = angle - steepness * measure
    return Lift(grid.time_s[::step], offset, measure, steepness, _noise(offset))


def _slope(angle: Floats, measure: Floats) -> float:
    lag = round(LAG_S)
    change, lift = angle[lag:] - angle[:-lag], measure[lag:] - measure[:-lag]
    known = np.isfinite(change) & np.isfinite(lift)
    if np.count_nonzero(known) < 30:
        return 0.0
    large = known & (np.abs(lift) >= np.percentile(np.abs(lift[known]), 70.0)) & (lift != 0.0)
    ratio, weight = change[large] / lift[large], np.abs(lift[large])
    order = np.argsort(ratio)
    middle = np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2.0)
    return float(max(ratio[order][min(middle, len(order) - 1)], 0.0))


def _noise(offset: Floats) -> Floats:
    """Spread of the offset around each second: from differences 5 s apart, so that slow gusts count."""
    steps = np.full(len(offset), np.nan)
    steps[:-5] = np.abs(offset[5:] - offset[:-5])
    spread = medians_along(steps, NOISE_WINDOW_S // 2, 20) * 1.4826 / np.sqrt(2.0)
    return np.asarray(np.nan_to_num(spread), dtype=np.float64)
