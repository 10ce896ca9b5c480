"""Touch-and-goes: a touchdown and a lift-off of one roll."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from ..shared.findings import Event
from .flight import SPEED_CHANNELS
from .robust import smallest
from .signal import Grid, smooth

DETECTOR = "touch-and-goes/1"
LONGEST_S = 60.0  # common practice, no source: a longer stay is a landing and a new take-off
ROLLING_M_S = 5.0


def find_touch_and_goes(grid: Grid, contacts: tuple[Event, ...]) -> tuple[Event, ...]:
    """touch_and_go events from the touchdown to the lift-off. contacts: liftoff and touchdown in time order.

    facts: roll_s, lowest_speed [m/s] of the roll (None where no speed is recorded).
    """
    channel = grid.first("ground_speed", *SPEED_CHANNELS)
    speed = smooth(grid.numbers(channel or ""), grid.samples(1.0))
    out = []
    for down, up in pairwise(contacts):
        seconds = up.time_s - down.time_s
        if down.kind != "touchdown" or up.kind != "liftoff" or seconds > LONGEST_S:
            continue
        lowest = smallest(speed[grid.index(down.time_s) : grid.index(up.time_s) + 1])
        if lowest < ROLLING_M_S:
            continue
        facts = {"roll_s": seconds, "lowest_speed": float(lowest) if np.isfinite(lowest) else None}
        confidence = min(down.confidence, up.confidence)
        out.append(
            Event(
                "touch_and_go", down.time_s, up.time_s, down.uncertainty_s, down.channel, None, None, confidence,
                DETECTOR, facts,
            )
        )  # fmt: skip
    return tuple(out)
