"""What the main recorder says of the airframe, for comparison with recorders that share nothing.

Energy: power, propeller, gear, flap and wheels change the rate of energy height,
dE/dt = (T - D) V / W with E = h + V^2/2g (Rutowski, J. Aeronautical Sciences 21, 1954).
Incidence: pitch less flight path is the angle of attack, a straight line of the load factor over
V^2 that flaps move bodily (linear lift curve; any flight-mechanics textbook).

Rates are differences over a few seconds, and other recorders' channels are averaged over the same
seconds: both sides are then the same integral, with no differentiation noise. Air data reach the
recorder late through their tubes; the lag is measured against satellite height and taken out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ...shared.recording import Floats, Track
from .series import Signal, channel_signal
from .shared_channel import Comparison, fine_shift

GRID_S = 0.5
BOX_S = 4.0
FLYING = 0.5  # share of the usual airspeed above which the balances are used
MOVING_M_S = 15.0
LEAST_ROWS = 240
LARGEST_LAG_S = 2.0
LAG_KNOWN_S = 0.2
LEAST_WINDOWS = 6
GRAVITY_M_S2 = 9.80665  # ISO 80000-3

_LAGGED = Comparison(bias=True, floor_s=0.0, window_s=20.0)  # short windows: scale errors of height stay outside


@dataclass(frozen=True, slots=True, eq=False)
class Balance:
    """One equation of motion on a uniform grid.

    time_s, left, speed: (n,); `left` is the side that is measured, speed relative to its usual
    value. base: (n, b) regressors that need no other recorder. usable: (n,) bool.
    """

    name: str
    time_s: Floats
    left: Floats
    speed: Floats
    base: Floats
    usable: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Airframe:
    """Energy and incidence of one main recorder; incidence None without pitch.

    gusty: the energy balance with the kinetic part's rate among its regressors: gusts change the
    airspeed, and with it speed-driven propellers, without any change of power.
    shown_m_s, climb_m_s, load, attack: (n,) on the energy balance's grid: airspeed as shown, climb
    rate, normal load factor (ones without one), pitch less flight path in radians (NaN without).
    """

    energy: Balance
    gusty: Balance
    incidence: Balance | None
    shown_m_s: Floats
    climb_m_s: Floats
    load: Floats
    attack: Floats


def read_airframe(main: Track) -> Airframe | None:
    """The balances of the main recorder, None without airspeed and altitude."""
    speed = _first(main, ("calibrated_airspeed", "indicated_airspeed", "true_airspeed"))
    height = _first(
        main, ("pressure_altitude", "baro_altitude", "unnamed_altitude", "gnss_altitude", "gnss_unnamed_altitude")
    )
    if speed is None or height is None:
        return None
    lag_s = air_data_lag(main)
    start = max(speed.time_s[0], height.time_s[0])
    time_s = np.arange(np.ceil(start / GRID_S) * GRID_S, speed.time_s[-1] - lag_s, GRID_S)
    shown = speed.at(time_s + lag_s)[:, 0]
    moving = shown[shown > MOVING_M_S]
    if len(moving) < LEAST_ROWS:
        return None
    metres = height.at(time_s + lag_s)[:, 0]
    density = np.clip(1 - 2.25577e-5 * metres, 0.2, 1.2) ** 4.2559  # standard atmosphere, ICAO Doc 7488
    true = shown / np.sqrt(density)
    usual = float(np.median(moving))
    load = _sampled(main, "normal_load_factor", time_s, 1.0)
    attack = _sampled(main, "pitch", time_s, np.nan) - np.arctan2(_centred_rate(metres, 1.0), np.maximum(true, 1.0))
    flying = shown > FLYING * usual
    energy = _energy(time_s, (metres, true, load), usual, flying)
    gusty = _gusty(energy, _centred_rate(true**2 / (2 * GRAVITY_M_S2), BOX_S))
    incidence = _incidence(time_s, (attack, shown, load), usual, flying)
    return Airframe(energy, gusty, incidence, shown, _centred_rate(metres, 1.0), load, attack)


def _energy(time_s: Floats, air: tuple[Floats, Floats, Floats], usual: float, flying: NDArray[np.bool_]) -> Balance:
    metres, true, load = air
    rate = _centred_rate(metres + true**2 / (2 * GRAVITY_M_S2), BOX_S)
    relative = true / usual
    safe = np.maximum(relative, 0.3)
    induced = box_mean(load[:, None] ** 2)[:, 0] / safe
    base = np.column_stack([np.ones_like(safe), safe, safe**2, safe**3, induced])
    usable = flying & np.isfinite(rate) & np.isfinite(base).all(axis=1)
    return Balance("energy_climb_rate", time_s, rate, relative, base, usable)


def _gusty(energy: Balance, kinetic: Floats) -> Balance:
    return replace(energy, base=np.column_stack([energy.base, kinetic]), usable=energy.usable & np.isfinite(kinetic))


def _incidence(
    time_s: Floats, air: tuple[Floats, Floats, Floats], usual: float, flying: NDArray[np.bool_]
) -> Balance | None:
    attack, shown, load = air
    if not np.isfinite(attack).any():
        return None
    relative = shown / usual
    safe = np.maximum(relative, 0.3)
    left = box_mean(attack[:, None])[:, 0]
    base = box_mean(np.column_stack([np.ones_like(safe), load / safe**2, 1 / safe**2]))
    usable = flying & np.isfinite(left) & np.isfinite(base).all(axis=1)
    return Balance("pitch", time_s, left, relative, base, usable)


def _sampled(track: Track, name: str, time_s: Floats, without: float) -> Floats:
    signal = channel_signal(track, name)
    return np.full(len(time_s), without) if signal is None else signal.at(time_s)[:, 0]


def _first(track: Track, names: Sequence[str]) -> Signal | None:
    for name in names:
        signal = channel_signal(track, name)
        if signal is not None:
            return signal
    return None


def air_data_lag(main: Track, *, least_s: float | None = None) -> float:
    """How much later pressure altitude comes than satellite altitude in the same recorder, seconds.

    Zero when it cannot be told to a fifth of a second. least_s: see `fine_shift`.
    """
    pressure, satellite = _first(main, ("pressure_altitude",)), _first(main, ("gnss_altitude", "gnss_unnamed_altitude"))
    if pressure is None or satellite is None:
        return 0.0
    found = fine_shift(pressure, satellite, _LAGGED, 0.0, least_s=least_s)
    if found is None or found[0].windows < LEAST_WINDOWS or found[0].uncertainty_s > LAG_KNOWN_S:
        return 0.0
    return float(np.clip(found[0].middle_offset_s, 0.0, LARGEST_LAG_S))


def _centred_rate(values: Floats, width_s: float) -> Floats:
    half = max(1, round(width_s / GRID_S / 2))
    out = np.full(len(values), np.nan)
    out[half:-half] = (values[2 * half :] - values[: -2 * half]) / (2 * half * GRID_S)
    return out


def box_mean(values: Floats) -> Floats:
    """Trapezoidal mean over the box, column by column; NaN where any sample is missing."""
    half = int(BOX_S / GRID_S / 2)
    kernel = np.ones(2 * half + 1)
    kernel[[0, -1]] = 0.5
    kernel /= kernel.sum()
    out = np.column_stack([np.convolve(column, kernel, mode="same") for column in values.T])
    out[:half], out[-half:] = np.nan, np.nan
    return out
