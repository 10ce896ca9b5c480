"""Stretches a person would have looked at as a point, though they do not make one.

Somebody held the airspeed, roughly: the same exact search as for points, with wide limits on the
airspeed alone, over what no point has taken. What went on otherwise (a turn, the gear moving,
power creeping) is not asked here; it becomes the reasons.
"""

from __future__ import annotations

import numpy as np

from ..shared.recording import Floats
from ..shared.settings import PointCriteria
from .criteria import airspeed_allowance
from .quantities import Quantities
from .reaches import airspeed_band
from .signal import Indices
from .windows import Family, Window, best_windows, next_true

SHORTEST_S = 8.0
LONGEST_S = 30.0
LATTICE_S = 1.0
MOVED_WEIGHT = 0.7  # rather two candidates either side of a gear or flap selection than one across it
BAND_FACTOR = 3.0  # times the accepted airspeed band
TREND_FACTOR = 6.0  # times the accepted trend
SCATTER_FACTOR = 3.0  # times the accepted scatter of vertical speed


def refused_windows(q: Quantities, limits: PointCriteria, accepted: list[Window]) -> list[Window]:
    """Nearly steady windows that touch no accepted one, in order of time."""
    step = max(1, round(LATTICE_S / q.step_s))
    starts = np.arange(0, len(q.airborne), step, dtype=np.int64)
    free = q.airborne.copy()
    for window in accepted:
        free[window.first : window.stop] = False
    reach = np.minimum(
        q.airspeed_mean.reach(starts, 2 * BAND_FACTOR * airspeed_band(q, limits)), next_true(~free)[starts]
    )
    family = Family("any", reach, lambda i, j: _weigh(q, i, j, limits))
    seconds = q.step_s * step
    lengths = np.arange(round(SHORTEST_S / seconds), round(LONGEST_S / seconds) + 1, dtype=np.int64)
    found = best_windows([family], starts, step=step, lengths=lengths, cost=SHORTEST_S / seconds / 2)
    return [Window(w.first, w.stop, _family_of(q, w, limits), w.weight) for w in found]


def _weigh(q: Quantities, i: Indices, j: Indices, limits: PointCriteria) -> Floats:
    trend = np.abs(q.airspeed.slope(i, j)) / q.step_s / (TREND_FACTOR * limits.airspeed_trend)
    mean = q.airspeed_mean.mean(i, j)
    off = np.maximum(q.airspeed_mean.highest(i, j) - mean, mean - q.airspeed_mean.lowest(i, j))
    scatter = np.maximum(limits.vertical_speed_deviation, limits.vertical_speed_share * np.abs(q.climb_rate.mean(i, j)))
    used = np.maximum(trend, off / (BAND_FACTOR * airspeed_allowance(limits, mean)))
    used = np.maximum(used, q.climb_rate.deviation(i, j) / (SCATTER_FACTOR * scatter))
    moved = np.where(q.configuration[j - 1] > q.configuration[i], MOVED_WEIGHT, 1.0)
    return np.where(used <= 1, moved * (1 - 0.5 * np.nan_to_num(used, nan=1.0) ** 2), 0.0)


def _family_of(q: Quantities, window: Window, limits: PointCriteria) -> str:
    """What the window would have been: level when it hardly climbs; a turn only when level and banked."""
    i, j = np.array([window.first]), np.array([window.stop])
    if abs(q.climb_rate.mean(i, j)[0]) > limits.level_vertical_speed:
        return "slope"
    return "turn" if abs(q.bank.mean(i, j)[0]) > limits.turn_bank else "level"
