"""Level accelerations and decelerations, and decelerations in a descent: from one speed to another with gear,
flap and power left alone, wings level.

Distance is the way through the air, the integral of true airspeed; over the ground beside it where
ground speed is recorded. A run inside an approach to the stall or a phugoid is not told again.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ..shared.findings import Manoeuvre, Segment
from ..shared.recording import Floats
from ..shared.settings import PointCriteria
from .motion import Motion
from .signal import Flags, Grid, hysteresis, runs, smooth
from .states import States

DETECTOR = "decelerations/1"
# common practice, no source: half a knot a second is a run, under a quarter it has ended
RUN_M_S2, END_M_S2 = 0.26, 0.13
LEAST_CHANGE_M_S = 5.1  # 10 kt
SHORTEST_S = 5.0
WINGS_RAD = np.radians(15.0)
RATE_MEAN_S = 3.0


def find_speed_runs(
    motion: Motion, grid: Grid, states: States, limits: PointCriteria, *, steady: Flags, new: Flags, taken: Flags
) -> tuple[Manoeuvre, ...]:
    """level_acceleration, level_deceleration and descending_deceleration in time order.

    Flags (n,): steady where nothing is being moved, new at the first sample of a new configuration,
    taken where another manoeuvre explains the speed.
    """
    if motion.airspeed_channel is None or motion.height_channel is None or not len(grid):
        return ()
    rate = smooth(motion.airspeed_rate, motion.samples(RATE_MEAN_S))
    with np.errstate(invalid="ignore"):
        usable = motion.airborne & steady & ~new & ~taken & ~(np.abs(motion.bank) > WINGS_RAD) & np.isfinite(rate)
    found = []
    for sign in (1.0, -1.0):
        for first, stop in runs(hysteresis(sign * rate, END_M_S2, RUN_M_S2) & usable):
            one = _run(motion, grid, states, limits, (int(first), int(stop)))
            if one is not None:
                found.append(one)
    return tuple(sorted(found, key=lambda m: m.segment.start_s))


def _run(motion: Motion, grid: Grid, states: States, limits: PointCriteria, span: tuple[int, int]) -> Manoeuvre | None:
    first, stop = span
    speed, height = motion.airspeed[first:stop], motion.height[first:stop]
    seconds = (stop - first) * motion.step_s
    change = float(speed[-1] - speed[0])
    if seconds < SHORTEST_S or not abs(change) >= LEAST_CHANGE_M_S or not np.isfinite(height).all():
        return None
    climb = float(height[-1] - height[0]) / seconds
    level = abs(climb) <= limits.level_vertical_speed and np.ptp(height) <= 2 * limits.level_altitude_band
    if not level and (change > 0 or climb > 0):
        return None
    kind = "level_acceleration" if change > 0 else "level_deceleration" if level else "descending_deceleration"
    channels = (str(motion.airspeed_channel), str(motion.height_channel))
    segment = Segment(motion.start_of(first), motion.start_of(stop))
    facts = {
        "start_airspeed": float(speed[0]),
        "end_airspeed": float(speed[-1]),
        "mean_rate": change / seconds,
        "height_change_m": float(height[-1] - height[0]),
        "duration_s": seconds,
        "air_distance_m": _distance(motion.true_airspeed[first:stop], motion.step_s),
        "ground_distance_m": _distance(grid.numbers("ground_speed")[first:stop], motion.step_s),
        **_configuration(states, first, stop),
    }
    return Manoeuvre(segment, kind, channels, 0.8 if level else 0.7, DETECTOR, facts)


def _distance(speed: Floats, step_s: float) -> float | None:
    """Integral of a speed; None where a sample is missing."""
    return float(speed.sum() * step_s) if np.isfinite(speed).all() else None


def _configuration(states: States, first: int, stop: int) -> dict[str, Any]:
    middle = (first + stop) // 2
    return {name: str(states.labels[name][middle]) for name in ("gear", "flap", "power", "propulsion")}
