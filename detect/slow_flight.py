"""How the aircraft was slowed down to its lowest speed: entry rate, and the approach as a manoeuvre.

Entry rate: mean deceleration from 1.1 times the speed at the stall (or at the lowest speed) down to
it, the last tenth being what stall speed is reported against (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from ..shared.findings import Event, Manoeuvre, Segment
from ..shared.recording import Floats
from .motion import Motion
from .signal import Grid, hysteresis
from .states import States

DETECTOR = "slow-flight/1"
ENTRY_FROM = 1.1
LONGEST_S = 120.0
SLOWING_M_S2, ENDED_M_S2 = 0.15, 0.0
RECOVERY_S = 30.0
SHORTEST_S = 3.0


def entry_rate(speed: Floats, index: int, step_s: float) -> float | None:
    """Deceleration [m/s2], positive, from 1.1 times speed[index] down to it; None when that was not flown."""
    first = max(0, index - round(LONGEST_S / step_s))
    with np.errstate(invalid="ignore"):
        above = np.flatnonzero(speed[first:index] >= ENTRY_FROM * speed[index])
    if not len(above):
        return None
    start = first + int(above[-1])
    if not np.isfinite(speed[start : index + 1]).all():
        return None
    return float((speed[start] - speed[index]) / ((index - start) * step_s))


def find_stall_approaches(motion: Motion, grid: Grid, states: States, events: tuple[Event, ...]) -> list[Manoeuvre]:
    """approach_to_stall manoeuvres, each ending in a stall_onset or minimum_speed event."""
    slowing = hysteresis(-motion.airspeed_rate, ENDED_M_S2, SLOWING_M_S2)
    found = []
    for event in events:
        if event.kind not in ("stall_onset", "minimum_speed"):
            continue
        end = grid.index(event.time_s)
        first = end - motion.samples(2.0)  # the rate's line looks past the break
        least = max(0, end - motion.samples(LONGEST_S))
        while first > least and slowing[first - 1] and motion.airborne[first - 1]:
            first -= 1
        if (end - first) * motion.step_s >= SHORTEST_S:
            found.append(_approach(motion, states, event, (max(first, 0), end)))
    return found


def _approach(motion: Motion, states: States, event: Event, span: tuple[int, int]) -> Manoeuvre:
    first, end = span
    after = motion.height[end : end + motion.samples(RECOVERY_S)]
    known = after[np.isfinite(after)]
    lowest = event.facts.get("lowest_speed")
    facts: Mapping[str, Any] = {
        "start_airspeed": _finite(motion.airspeed[first]),
        "airspeed": _finite(motion.airspeed[end]),
        "lowest_speed": lowest,
        "entry_rate": event.facts.get("entry_rate"),
        "load_factor": event.facts.get("load_factor"),
        "stalled": event.kind == "stall_onset",
        "bank": _finite(motion.bank[end]),
        "height_lost_m": float(known[0] - known.min()) if len(known) else None,
        **{name: str(states.labels[name][end]) for name in ("gear", "flap", "power", "propulsion")},
    }
    segment = Segment(motion.start_of(first), motion.start_of(end))
    channels = (str(motion.airspeed_channel), event.channel)
    return Manoeuvre(segment, "approach_to_stall", channels, event.confidence, DETECTOR, facts)


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
