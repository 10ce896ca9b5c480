"""The engine's history on one clock: speed, load and what they are measured against.

`load` is how hard the engine is worked, 0 at this sortie's flight idle and 1 at its full power,
from the best channel recorded: power lever, manifold pressure, fuel flow. Both ends are learned
from the sortie itself; where nothing shows an idle the lowest load is not taken for one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..shared.frame import sample_column
from ..shared.physics.atmosphere import standard_pressure
from ..shared.physics.constants import STANDARD_GRAVITY
from ..shared.recording import Floats, Recording, Track
from .robust import own_clock, share_of
from .signal import Flags, Grid, grid_column, slope, smooth
from .switches import holder_of
from .throttle import ratio_from_fuel, throttle_opening

# an idle is believed where the lowest load held is under this share of the highest; common
# practice, no source: piston engines idle at a third of full manifold pressure or less and at a
# fifth of full fuel flow or less, and windmill at idle at half the full speed
IDLE_SHARE = {
    "power_lever": 0.2,
    "manifold_pressure": 0.5,
    "fuel_flow": 0.3,
    "fuel_mass_flow": 0.3,
    "engine_speed": 0.6,
}
_AIRSPEEDS = ("true_airspeed", "recorded_true_airspeed", "calibrated_airspeed", "indicated_airspeed")
HELD_S = 5.0
SPIKE_SHARE = 0.15
TURNING_REV_S = 5.0
STOPPED_REV_S = 2.0
GAINING_M_S = 0.5
ENERGY_S = 8.0
NO_FUEL = 0.03  # of the sortie's full flow


@dataclass(frozen=True, slots=True, eq=False)
class Engine:
    """Engine channels on a uniform clock; arrays (n,), NaN where missing, all SI.

    load: (raw - idle) / (full - idle) of `load_channel`, whose own samples are `raw`. fuel: share of the sortie's full fuel
    flow. speed: engine or propeller revolutions per second. idle_seen: whether flight idle was
    recognised, so that load 0 means idle. reach: the load channel over the air pressure of the
    height, 1 at the sortie's best: an engine without a blower gives less the higher it flies.
    opening: how far the throttle is open, 0 to 1 (throttle.py), the load itself where that cannot be told.
    airspeed: true airspeed, else indicated. gaining: where the aircraft gains energy, which it does not without power;
    False all along where no height or airspeed is recorded, and where a load channel makes it needless.
    """

    time_s: Floats
    step_s: float
    speed: Floats
    speed_channel: str | None
    load: Floats
    load_channel: str | None
    raw: Floats
    reach: Floats
    opening: Floats
    fuel: Floats
    airspeed: Floats
    airborne: Flags
    idle_seen: bool
    gaining: Flags

    @property
    def stop_s(self) -> float:
        """End of the last sample's span."""
        return float(self.time_s[-1]) + self.step_s


def read_engine(recording: Recording, grid: Grid, airborne: Flags) -> Engine | None:
    """The engine's history, None where no engine channel is recorded.

    airborne: flag on the grid.
    """
    names = ("engine_speed", "propeller_speed", "power_lever", "manifold_pressure", "fuel_flow", "fuel_mass_flow")
    holders = {name: track for name in names if (track := holder_of(recording, name)) is not None}
    if not holders:
        return None
    speed_channel = next((n for n in names[:2] if n in holders), None)
    load_channel = next((n for n in names[2:] if n in holders), None)
    base = holders[speed_channel or load_channel or names[0]]
    time_s, step_s = own_clock(base, 0.2)
    flying = _on(grid, airborne, time_s)
    speed = _column(holders, speed_channel, time_s, step_s)
    fuel_channel = next((n for n in names[4:] if n in holders), None)
    fuel = _share_of_full(_column(holders, fuel_channel, time_s, step_s))
    with np.errstate(invalid="ignore"):
        working = ~(speed < TURNING_REV_S) & ~(fuel < NO_FUEL)
    raw = _column(holders, load_channel, time_s, step_s)
    load, idle_seen = _scaled(raw, flying & working, load_channel, step_s)
    air = _airspeed(grid, time_s)
    ambient = _ambient_pressure(grid, time_s)
    reach = _reach(raw, ambient, flying & working)
    opening = _opening(load_channel, raw, speed, ambient=ambient, load=load)
    gains = _gains_energy(grid) if load_channel is None else np.zeros(len(grid), dtype=bool)
    gaining = _on(grid, gains, time_s)
    return Engine(
        time_s, step_s, speed, speed_channel, load, load_channel, raw, reach, opening, fuel, air, flying, idle_seen, gaining
    )  # fmt: skip


def _gains_energy(grid: Grid) -> Flags:
    """Where energy height rises by GAINING_M_S or more, on the grid."""
    height = grid.first(
        "pressure_altitude", "baro_altitude", "unnamed_altitude", "gnss_altitude", "gnss_unnamed_altitude"
    )
    speed = grid.first(*_AIRSPEEDS)
    if height is None or speed is None:
        return np.zeros(len(grid), dtype=bool)
    energy = grid.columns[height] + grid.columns[speed] ** 2 / (2.0 * STANDARD_GRAVITY)
    with np.errstate(invalid="ignore"):
        return np.asarray(slope(energy, grid.samples(ENERGY_S), grid.step_s) > GAINING_M_S, dtype=bool)


def _opening(channel: str | None, raw: Floats, speed: Floats, *, ambient: Floats, load: Floats) -> Floats:
    ratio = np.full(len(raw), np.nan)
    if channel == "manifold_pressure":
        ratio = raw / ambient
    elif channel in ("fuel_flow", "fuel_mass_flow") and np.isfinite(speed).any():
        ratio = ratio_from_fuel(raw, speed, ambient)
    return throttle_opening(ratio, speed) if np.isfinite(ratio).any() else load


def _ambient_pressure(grid: Grid, time_s: Floats) -> Floats:
    """Pressure of the standard atmosphere at the height flown; NaN where no height is recorded."""
    name = grid.first("pressure_altitude", "baro_altitude", "unnamed_altitude", "gnss_altitude")
    if name is None:
        return np.full(len(time_s), np.nan)
    return standard_pressure(np.interp(time_s, grid.time_s, grid.columns[name]))


def _reach(raw: Floats, ambient: Floats, flagged: Flags) -> Floats:
    ratio = raw / ambient
    best = share_of(ratio[flagged], 99.0)
    return ratio / best if best > 0.0 else np.full(len(raw), np.nan)


def with_speed_as_load(engine: Engine) -> Engine:
    """The same engine, its speed taken for its load: right for a fixed pitch only."""
    working = engine.airborne & (np.nan_to_num(engine.speed) >= TURNING_REV_S)
    load, idle_seen = _scaled(engine.speed, working, "engine_speed", engine.step_s)
    return replace(
        engine, load=load, load_channel=engine.speed_channel, raw=engine.speed, opening=load, idle_seen=idle_seen
    )


def _share_of_full(fuel: Floats) -> Floats:
    full = share_of(fuel, 98.0)
    return fuel / full if full > 0.0 else np.full(len(fuel), np.nan)


def _airspeed(grid: Grid, time_s: Floats) -> Floats:
    name = grid.first(*_AIRSPEEDS)
    return np.interp(time_s, grid.time_s, grid.columns[name]) if name else np.full(len(time_s), np.nan)


def _on(grid: Grid, flags: Flags, time_s: Floats) -> Flags:
    if not len(grid):
        return np.zeros(len(time_s), dtype=bool)
    place = np.round((time_s - grid.time_s[0]) / grid.step_s).astype(np.int64)
    inside = (place >= 0) & (place < len(grid))
    return np.asarray(inside & flags[np.clip(place, 0, len(grid) - 1)], dtype=bool)


def _column(holders: dict[str, Track], name: str | None, time_s: Floats, step_s: float) -> Floats:
    if name is None:
        return np.full(len(time_s), np.nan)
    track = holders[name]
    if track.median_step_s < 0.75 * step_s:
        return _without_spikes(np.asarray(grid_column(track, name, time_s, step_s), dtype=np.float64))
    return _without_spikes(np.asarray(sample_column(track, name, time_s), dtype=np.float64))


def _without_spikes(values: Floats) -> Floats:
    """Single samples far from both neighbours, which agree with each other, put between them."""
    out = values.copy()
    if len(values) < 3:
        return out
    left, middle, right = values[:-2], values[1:-1], values[2:]
    with np.errstate(invalid="ignore"):
        away = np.minimum(np.abs(middle - left), np.abs(middle - right))
        spike = (np.sign(middle - left) == np.sign(middle - right)) & (np.abs(left - right) < 0.25 * away)
        spike &= away > SPIKE_SHARE * share_of(np.abs(values), 95.0)
    out[1:-1][spike] = 0.5 * (left + right)[spike]
    return out


def _scaled(raw: Floats, flying: Flags, channel: str | None, step_s: float) -> tuple[Floats, bool]:
    """Load from the raw channel, and whether an idle was seen in flight; learned from the flagged samples."""
    if channel is None:
        return raw, False
    held = smooth(raw, max(1, round(HELD_S / step_s)))
    flight = held[flying & np.isfinite(held)]
    if len(flight) < 10:
        flight = held[np.isfinite(held)]
    if not len(flight):
        return raw, False
    low, full = np.percentile(flight, (0.2, 99.0))
    idle_seen = bool(low < IDLE_SHARE[channel] * full)
    if not idle_seen:
        low = IDLE_SHARE[channel] * 0.6 * full
    else:
        low = float(np.median(flight[flight < low + 0.12 * (full - low)]))
    return (raw - low) / max(full - low, 1e-12), idle_seen
