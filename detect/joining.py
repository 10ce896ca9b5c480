"""Steady windows beside each other that are one point: held together through a disturbance, or rid of an unsettled end.

Both ask of two neighbours of one family less than NEIGHBOUR_S apart, and leave one of the two:

1. Where the whole meets the criteria but for a disturbance it is one point (`joined`).
2. Else, where both have nearly one airspeed and climb and one window that meets every criterion is nearly as long as
   both, that window is the point and the rest was settling (`settled_ones`): an airspeed that drifts a little more
   than a point may would be cut anywhere else.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from ..shared.settings import PointCriteria
from .criteria import airspeed_allowance, holds, weigh_windows
from .quantities import Quantities
from .signal import Flags, Indices
from .windows import Window, next_true

NEIGHBOUR_S = 8.0  # half the shortest point: a dip shorter than this between two windows that hold together is no end
NEARLY_ALL = 0.75  # of the stretch: less would be another point than either
EDGE_STEP_S = 1.0


def joined(q: Quantities, windows: list[Window], limits: PointCriteria) -> list[Window]:
    """Neighbours of one family as one window where nothing was moved and the whole is good, or nearly so.

    Two thresholds, as for any state that must not flutter: a point begins only where every criterion
    holds; one gust or a slow wave beyond a limit, up to `hold_factor` times it, does not cut it in two.
    """
    out = list(windows)
    good = _hold_together(q, out, limits)
    while True in good:
        k = good.index(True)
        out[k : k + 2] = [_whole(out[k], out[k + 1])]
        beside = max(k - 1, 0)
        good[beside : k + 2] = _hold_together(q, out[beside : k + 2], limits)
    return out


def settled_ones(q: Quantities, windows: list[Window], limits: PointCriteria) -> list[Window]:
    """Neighbours of one family replaced by the longest good window of their stretch that is nearly as long."""
    out, k = list(windows), 0
    while k + 1 < len(out):
        one = _longest_good(q, _whole(out[k], out[k + 1]), limits) if _alike(q, out[k], out[k + 1], limits) else None
        if one is None:
            k += 1
        else:
            out[k : k + 2] = [one]
            k = max(k - 1, 0)
    return out


def flying(q: Quantities, i: Indices, j: Indices) -> Flags:
    """Whether the aircraft is in the air all through the windows [i, j)."""
    return np.asarray(next_true(~q.airborne)[i] >= j, dtype=bool)


def _longest_good(q: Quantities, stretch: Window, limits: PointCriteria) -> Window | None:
    """The longest window of the stretch that meets every criterion, of several the earliest; None where it is short."""
    step = max(1, round(EDGE_STEP_S / q.step_s))
    spare = int((1.0 - NEARLY_ALL) * (stretch.stop - stretch.first)) // step
    left, right = np.meshgrid(np.arange(spare + 1), np.arange(spare + 1), indexing="ij")
    fits = left + right <= spare
    i, j = stretch.first + step * left[fits], stretch.stop - step * right[fits]
    weight = np.where(flying(q, i, j), weigh_windows(q, stretch.family, i, j, limits), 0.0)
    length = np.where(weight > 0, j - i, 0)
    best = int(length.argmax())
    return Window(int(i[best]), int(j[best]), stretch.family, float(weight[best])) if length[best] else None


def _alike(q: Quantities, a: Window, b: Window, limits: PointCriteria) -> bool:
    """Whether two neighbours have one airspeed and one climb, as far as a point holds them, and no more than its time."""
    if not _near(q, a, b) or not _no_longer(q, a, b, limits):
        return False
    i, j = np.array([a.first, b.first]), np.array([a.stop, b.stop])
    speed, climb = q.airspeed_mean.mean(i, j), q.climb_rate.mean(i, j)
    scatter = max(float(limits.vertical_speed_deviation), limits.vertical_speed_share * float(np.abs(climb).max()))
    same_speed = abs(speed[1] - speed[0]) <= float(airspeed_allowance(limits, speed).max())
    return bool(same_speed and abs(climb[1] - climb[0]) <= scatter)


def _near(q: Quantities, a: Window, b: Window) -> bool:
    return a.family == b.family and (b.first - a.stop) * q.step_s <= NEIGHBOUR_S


def _no_longer(q: Quantities, a: Window, b: Window, limits: PointCriteria) -> bool:
    """Whether both together last no longer than a point may: an hour of cruise burns fuel and is not one condition."""
    return (b.stop - a.first) * q.step_s <= limits.maximum_duration + q.step_s


def _hold_together(q: Quantities, windows: list[Window], limits: PointCriteria) -> list[bool]:
    """For each two neighbours whether they are one."""
    pairs = list(pairwise(windows))
    out = [_near(q, a, b) and _no_longer(q, a, b, limits) for a, b in pairs]
    whole = [_whole(a, b) for (a, b), near in zip(pairs, out, strict=True) if near]
    air = flying(q, np.array([w.first for w in whole], np.int64), np.array([w.stop for w in whole], np.int64))
    told = iter([bool(f) and h for f, h in zip(air, holds(q, whole, limits), strict=True)])
    return [next(told) if near else False for near in out]


def _whole(a: Window, b: Window) -> Window:
    return Window(a.first, b.stop, a.family, min(a.weight, b.weight))
