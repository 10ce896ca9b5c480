"""Stalls as the log shows them: the speed runs down to its lowest, then the nose drops and the
load factor gives way. Without pitch and load factor a stall is not told from slow flight.

Onset is where the nose begins to drop: the peak of the pitch attitude beside the lowest speed.
A speed run down without a nose drop is a minimum_speed where it came within SLOW of a stall speed: one of
the settings, else the lowest one of this sortie's own stalls. Limits: common practice, no source.
"""

from __future__ import annotations

import numpy as np

from ..shared.findings import Event, Finding
from ..shared.recording import Floats
from ..shared.settings import Aircraft
from .flight import SPEED_CHANNELS
from .robust import largest, smallest
from .signal import Flags, Grid, sliding_minimum, smooth
from .slow_flight import entry_rate

DETECTOR = "stalls/2"
NEEDS = "they need airspeed, pitch and normal load factor"
SPEED_NEIGHBOURHOOD_S = 12.0
RUN_DOWN = 0.08  # share of the speed lost in the 20 s before
NOSE_DROP_RAD = np.radians(9.0)
DROP_WITHIN_S = 5.0
UNLOADED = 0.90  # load factor that the break falls under
BESIDE_S = 6.0
REGAINED = 0.25  # share of the speed that the recovery brings back
REGAIN_WITHIN_S = 12.0
SLOW = 1.1  # times a stall speed
REGAINED_SLOW = 0.1


def find_stalls(grid: Grid, airborne: Flags, aircraft: Aircraft) -> tuple[tuple[Event, ...], tuple[Finding, ...]]:
    """stall_onset and minimum_speed events in time order; a finding where stalls were not looked for.

    facts, SI: lowest_speed, load_factor at the event, entry_rate [m/s2] down to it, and the stall's signs.
    """
    channel = grid.first(*SPEED_CHANNELS)
    if channel is None:
        return (), (Finding("NOT_ATTEMPTED", f"stalls were not looked for: {NEEDS}"),)
    speed = smooth(grid.columns[channel], grid.samples(1.0))
    pitch = smooth(grid.numbers("pitch"), grid.samples(0.6))
    factor = smooth(grid.numbers("normal_load_factor"), grid.samples(0.6))
    slow = _lowest_speeds(grid, speed, airborne)
    stalls: list[Event] = []
    findings: tuple[Finding, ...] = ()
    if grid.first("pitch") is None or grid.first("normal_load_factor") is None:
        findings = (Finding("NOT_ATTEMPTED", f"stalls were not looked for: {NEEDS}"),)
    else:
        stalls = [e for k in slow if (e := _stall(grid, k, speed, pitch, factor)) is not None]
    known = [aircraft.stall_speed_clean, aircraft.stall_speed_landing, *(e.facts["lowest_speed"] for e in stalls)]
    limit = SLOW * min((v for v in known if v is not None), default=0.0)
    others = [k for k in slow if speed[k] <= limit and not any(_beside(grid, k, e) for e in stalls)]
    minima = [e for k in others if (e := _minimum_speed(grid, k, speed, factor, channel)) is not None]
    return tuple(sorted((*stalls, *minima), key=lambda e: e.time_s)), findings


def _beside(grid: Grid, k: int, event: Event) -> bool:
    return abs(float(grid.time_s[k]) - event.time_s) < SPEED_NEIGHBOURHOOD_S


def _minimum_speed(grid: Grid, k: int, speed: Floats, factor: Floats, channel: str) -> Event | None:
    regained = float(largest(speed[k : k + grid.samples(REGAIN_WITHIN_S)]) / speed[k] - 1.0)
    if not regained >= REGAINED_SLOW:
        return None
    at = float(grid.time_s[k])
    facts = {"lowest_speed": float(speed[k]), "regained": regained, **_entry(grid, k, speed, factor)}
    return Event("minimum_speed", at, at, 1.0, channel, None, float(speed[k]), 0.6, DETECTOR, facts)


def _entry(grid: Grid, k: int, speed: Floats, factor: Floats) -> dict[str, float | None]:
    """How the speed at index k was come to: entry rate and load factor."""
    load = float(factor[k]) if np.isfinite(factor[k]) else None
    return {"entry_rate": entry_rate(speed, k, grid.step_s), "load_factor": load}


def _lowest_speeds(grid: Grid, speed: Floats, airborne: Flags) -> list[int]:
    """Indices of speeds lowest in their neighbourhood, run down to, and below the usual."""
    reach = grid.samples(SPEED_NEIGHBOURHOOD_S)
    known = airborne & np.isfinite(speed)
    if not known.any() or len(speed) < 2 * reach + 1:
        return []
    usual = float(np.median(speed[known]))
    padded = np.pad(np.where(known, speed, np.inf), reach, constant_values=np.inf)
    lowest = sliding_minimum(padded, 2 * reach + 1)
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
    regained = float(largest(speed[k : k + grid.samples(REGAIN_WITHIN_S)]) / speed[k] - 1.0)
    if drop < NOSE_DROP_RAD or not lightest <= UNLOADED or not regained >= REGAINED:
        return None
    start, stop = float(grid.time_s[peak]), float(grid.time_s[min(peak + int(np.argmin(after)), len(grid) - 1)])
    clear = min(1.0, drop / (2.0 * NOSE_DROP_RAD)) * min(1.0, (1.0 - lightest) / 0.2) * min(1.0, regained / 0.5)
    facts: dict[str, float | None] = {
        "lowest_speed": float(speed[k]),
        "nose_drop": drop,
        "lowest_load_factor": lightest,
        "regained": regained,
    }
    facts |= _entry(grid, peak, speed, factor)
    return Event("stall_onset", start, stop, 1.0, "pitch", None, None, 0.5 + 0.4 * clear, DETECTOR, facts)
