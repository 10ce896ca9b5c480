"""Where a manoeuvre can be measured: flags on the grid, from the states and events already found."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..shared.findings import Event
from .motion import Motion
from .signal import Flags, Grid, runs
from .states import States

AFTER_LIFT_OFF_S = 40.0
BEFORE_TOUCHDOWN_S = 30.0
BESIDE_S = 5.0
STALL_S = (5.0, 20.0)
POWER_EVENTS = ("power_change", "power_to_idle", "power_from_idle")
MOVING_EVENTS = ("gear_up", "gear_down", "flap_change")


def steady_configuration(grid: Grid, states: States, events: Sequence[Event]) -> Flags:
    """Where neither gear, flap nor power is being changed, nor the rpm commanded."""
    out = np.ones(len(grid), dtype=bool)
    for name in ("gear", "flap"):
        out &= states.labels[name] != "transit"
    for event in events:
        if event.kind in (*POWER_EVENTS, *MOVING_EVENTS, "rpm_command"):
            out[grid.index(event.time_s) : grid.index(event.stop_s) + 1] = False
    return out


def changes_before(grid: Grid, states: States, steady: Flags) -> Flags:
    """True at the first sample of every new configuration: a stretch across it is two."""
    out = np.zeros(len(grid), dtype=bool)
    if len(grid) > 1:
        for name in ("gear", "flap", "power"):
            out[1:] |= states.labels[name][1:] != states.labels[name][:-1]
        out[1:] |= steady[1:] & ~steady[:-1]
    return out


def free_flight(motion: Motion, grid: Grid, events: Sequence[Event]) -> Flags:
    """Airborne, and neither beside a lift-off, touchdown, go-around or stall, nor a movement of gear or flap."""
    out = motion.airborne.copy()
    for first, stop in runs(motion.airborne):
        out[first : first + motion.samples(AFTER_LIFT_OFF_S)] = first == 0
        if stop < len(out):
            out[max(first, stop - motion.samples(BEFORE_TOUCHDOWN_S)) : stop] = False
    for event in events:
        before, after = BESIDE_S, BESIDE_S
        if event.kind in ("stall_onset", "minimum_speed"):
            before, after = STALL_S
        elif event.kind == "go_around":
            before, after = BEFORE_TOUCHDOWN_S, AFTER_LIFT_OFF_S
        elif event.kind not in MOVING_EVENTS:
            continue
        out[grid.index(event.time_s - before) : grid.index(event.stop_s + after) + 1] = False
    return out
