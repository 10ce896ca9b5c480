"""How far one recorder's clock lags another's, by a quantity of the one that follows a quantity of the other.

A fixed-pitch propeller's speed follows the airspeed within tenths of a second. Where engine monitor and flight
display keep clocks of their own, a second or two may be left between them, and then the speed seems to change
without cause whenever the airspeed does. The delay is the one at which the follower is best explained in steady
windows of the whole sortie.
"""

from __future__ import annotations

import numpy as np

from ..shared.recording import Floats
from .robust import share_of
from .signal import Indices
from .windows import Pair

MOST_DELAY_S = 2.8
DELAY_STEP_S = 0.4
SAMPLE_S = 1.0
WINDOW_S = 20.0
STEADY_PERCENT = 30.0  # of the windows are steadier: those in which the throttle stood still
LEAST_GAIN = 0.1
FEWEST_WINDOWS = 6
WELL_FOLLOWED = 0.0012  # share that hardly asks for an explanation: half of what `engine_speed_scatter` allows


def delay_of(leader: Floats, follower: Floats, step_s: float, *, most: float) -> int:
    """Samples by which the follower comes after the leader, negative when before; 0 where none explains it clearly better.

    leader, follower: float64 (n,) on one uniform clock of step_s; most: steepest slope of the one in the other.
    """
    pace = max(1, round(SAMPLE_S / step_s))
    width = round(WINDOW_S / (pace * step_s))
    starts = np.arange(0, len(leader[::pace]) - width, width // 2, dtype=np.int64)
    rest = _unexplained(leader, follower, starts, pace=pace, span=width, most=most)
    if not rest > WELL_FOLLOWED:
        return 0
    unit = max(1, round(DELAY_STEP_S / step_s))
    delays = [unit * k for k in range(-round(MOST_DELAY_S / DELAY_STEP_S), round(MOST_DELAY_S / DELAY_STEP_S) + 1)]
    left = [_unexplained(delayed(leader, d), follower, starts, pace=pace, span=width, most=most) for d in delays]
    best = int(np.nanargmin(left))
    return delays[best] if left[best] < (1.0 - LEAST_GAIN) * rest else 0


def delayed(values: Floats, samples: int) -> Floats:
    """The values as many samples later (earlier when negative), missing where there is none."""
    out = np.full(len(values), np.nan)
    if samples >= 0:
        out[samples:] = values[: len(values) - samples]
    else:
        out[:samples] = values[-samples:]
    return out


def _unexplained(leader: Floats, follower: Floats, starts: Indices, *, pace: int, span: int, most: float) -> float:
    """What is typically left of the follower about a line in the leader, over steady windows; NaN for too few."""
    left = Pair(leader[::pace], follower[::pace]).residual(starts, starts + span, least=0.0, most=most)
    told = left[left > 0.0]
    return share_of(told, STEADY_PERCENT) if len(told) >= FEWEST_WINDOWS else float("nan")
