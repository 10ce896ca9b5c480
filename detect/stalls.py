"""Stalls as the log shows them: the speed runs down to its lowest, then the nose drops and the
load factor gives way. Without pitch and load factor a stall is not told from slow flight.

Onset is where the nose begins to drop: the peak of the pitch attitude beside the lowest speed.
Limits: common practice, no source; a gentle mush without a nose drop is not reported.
"""

from __future__ import annotations

import numpy as np

from ..shared.findings import Event, Finding
from ..shared.recording import Floats
from .flight import SPEED_CHANNELS
from .robust import largest, smallest
from .signal import Flags, Grid, smooth

DETECTOR = "stalls/1"
SPEED_NEIGHBOURHOOD_S = 12.0
RUN_DOWN = 0.08  # share of the speed lost in the 20 s before
NOSE_DROP_RAD = np.radians(9.0)
DROP_WITHIN_S = 5.0
UNLOADED = 0.90  # load factor that the break falls under
BESIDE_S = 6.0
REGAINED = 0.25  # share of the speed that the recovery brings back
REGAIN_WITHIN_S = 12.0


def find_stalls(grid: Grid, airborne: Flags) -> tuple[tuple[Event, ...], tuple[Finding, ...]]:
    """stall_onset events in time order; a finding where they were not looked for."""
    channel = grid.first(*SPEED_CHANNELS)
    if channel is None or grid.first("pitch") is None or grid.first("normal_load_factor") is None:
        text = "stalls were not looked for: they need airspeed, pitch and normal load factor"
        return (), (Finding("NOT_ATTEMPTED", text),)
    speed = smooth(grid.columns[channel], grid.samples(1.0))
    pitch = smooth(grid.columns["pitch"], grid.samples(0.6))
    factor = smooth(grid.columns["normal_load_factor"], grid.samples(0.6))
    found = [_stall(grid, k, speed, pitch, factor) for k in _lowest_speeds(grid, speed, airborne)]
    return tuple(e for e in found if e is not None), ()


def _lowest_speeds(grid: Grid, speed: Floats, airborne: Flags) -> list[int]:
    """Indices of speeds lowest in their neighbourhood, run down to, and below the usual."""
    reach = grid.samples(SPEED_NEIGHBOURHOOD_S)
    known = airborne & np.isfinite(speed)
    if not known.any() or len(speed) < 2 * reach + 1:
        return []
    usual = float(np.median(speed[known]))
    padded = np.pad(np.where(known, speed, np.inf), reach, constant_values=np.inf)
    lowest = _sliding_minimum(padded, 2 * reach + 1)
    with np.errstate(invalid="ignore"):
        candidates = np.flatnonzero(known & (speed <= lowest) & (speed < 0.85 * usual))
    out: list[int] = []
    for k in candidates:
        if out and k - out[-1] < reach:
            continue
        before = speed[max(0, k - grid.samples(20.0)) : k]
        after_flight = airborne[k : k + grid.samples(20.0)].all()
        if len(before) and largest(before) * (1.0 - RUN_DOWN) > speed[k] and after_flight:
            out.append(int(k))
    return out


def _sliding_minimum(values: Floats, width: int) -> Floats:
    """Minimum of every window of `width` values, by doubling: shape (n - width + 1,)."""
    out, have = values, 1
    while 2 * have <= width:
        out = np.minimum(out[:-have], out[have:])
        have *= 2
    rest = width - have
    return np.minimum(out[: len(out) - rest], out[rest:]) if rest else out


def _stall(grid: Grid, k: int, speed: Floats, pitch: Floats, factor: Floats) -> Event | None:
    low, high = max(0, k - grid.samples(BESIDE_S)), min(len(pitch), k + grid.samples(BESIDE_S))
    beside = pitch[low:high]
    if not np.isfinite(beside).any():
        return None
    peak = low + int(np.nanargmax(beside))
    after = pitch[peak : peak + grid.samples(DROP_WITHIN_S) + 1]
    loads = factor[peak : peak + grid.samples(DROP_WITHIN_S) + 1]
    if not np.isfinite(after).all():
        return None
    drop, lightest = float(pitch[peak] - after.min()), smallest(loads)
    regained = largest(speed[k : k + grid.samples(REGAIN_WITHIN_S)]) / speed[k] - 1.0
    if drop < NOSE_DROP_RAD or not lightest <= UNLOADED or not regained >= REGAINED:
        return None
    start, stop = float(grid.time_s[peak]), float(grid.time_s[min(peak + int(np.argmin(after)), len(grid) - 1)])
    clear = min(1.0, drop / (2.0 * NOSE_DROP_RAD)) * min(1.0, (1.0 - lightest) / 0.2) * min(1.0, regained / 0.5)
    facts = {"lowest_speed": float(speed[k]), "nose_drop": drop, "lowest_load_factor": lightest, "regained": regained}
    return Event("stall_onset", start, stop, 1.0, "pitch", None, None, 0.5 + 0.4 * clear, DETECTOR, facts)
