"""Go-arounds: a descent towards a place the aircraft also landed at or left, ended by a climb."""

from __future__ import annotations

import numpy as np

from ..shared.findings import Event
from .flight import HEIGHT_CHANNELS
from .robust import largest, median_of
from .signal import Flags, Grid, runs, smooth

DETECTOR = "go_arounds/1"
LOW_M = 150.0  # above the field: lower than any other reason to level off; common practice, no source
DOWN_UP_M = 60.0


def find_go_arounds(grid: Grid, airborne: Flags, power: tuple[Event, ...]) -> tuple[Event, ...]:
    """go_around events: at the power increase beside the lowest height, else at the lowest height."""
    channel = grid.first(*HEIGHT_CHANNELS)
    if channel is None or airborne.all() or not airborne.any():
        return ()
    height = smooth(grid.columns[channel], grid.samples(2.0))
    field = median_of(height[~airborne])
    with np.errstate(invalid="ignore"):
        low = airborne & (height < field + LOW_M)
    out = []
    for first, stop in runs(low):
        if first == 0 or stop == len(low) or not (airborne[first - 1] and airborne[stop]):
            continue
        k = int(first + np.argmin(height[first:stop]))
        before, after = height[max(0, k - grid.samples(120.0)) : k + 1], height[k : k + grid.samples(120.0)]
        if not min(largest(before), largest(after)) - height[k] >= DOWN_UP_M:
            continue
        out.append(_go_around(float(grid.time_s[k]), channel, float(height[k] - field), power))
    return tuple(out)


def _go_around(lowest_s: float, channel: str, height: float, power: tuple[Event, ...]) -> Event:
    raised = [e for e in power if float(e.facts["load_change"]) > 0.3 and -12.0 < e.time_s - lowest_s < 4.0]
    start, doubt, confidence = (raised[0].time_s, 1.0, 0.9) if raised else (lowest_s, 4.0, 0.6)
    return Event(
        "go_around", start, max(lowest_s, start), doubt, channel, "approach", "climb", confidence, DETECTOR,
        {"lowest_height": height},
    )  # fmt: skip
