"""Time shift of a recorder that knows when the wheels are on the ground.

On its wheels an aeroplane neither climbs nor banks and its load factor rests at one. Around every
edge of the switch the main recorder's samples are weighed: how much likelier are they with the
switch on than off? The moment that splits them best is when the switch moved. What 'on' and 'off'
look like is learnt from the samples beside the edges, so rough ground or a soft gear only widen
the answer.
"""

from __future__ import annotations

import numpy as np

from ...shared.recording import Floats, Track
from .air import Airframe
from .line import ClockLine, Shifts, fit_line
from .series import Signal, channel_signal
from .shared_channel import Comparison, coarse_shift

GRID_S = 0.2
REACH_S = 10.0  # samples this near an edge are used
SEEK_S = 6.0
SHORTEST_RUN_S = 2.0  # shorter runs of a switch are bounces
LARGEST_LOG_ODDS = 3.0
LOOKS_PER_SECOND = 1.0  # neighbouring samples repeat each other
FLYING = 0.45  # share of the usual airspeed: slower than any approach, faster than most of a landing roll
ONE_EDGE_S = 0.6  # how well a single touch-down or lift-off is told (measured on simulated landings)
FLOOR_S = 0.25
WHOLE = Comparison(bias=False, floor_s=FLOOR_S)


def coarse_wheels(own: Track, airframe: Airframe) -> float | None:
    """First guess from weight on wheels against flying speed over the whole flight, seconds."""
    signals = wheel_signals(own, airframe)
    return None if signals is None else coarse_shift(*signals, WHOLE)


def wheel_signals(own: Track, airframe: Airframe) -> tuple[Signal, Signal] | None:
    """Weight on wheels and 'slower than flying', each 0 or 1; None without the switch."""
    wheels = channel_signal(own, "weight_on_wheels")
    if wheels is None:
        return None
    shown = airframe.shown_m_s
    good = np.isfinite(shown)
    usual = float(np.median(shown[good & (shown > 15.0)]))
    on_ground = (shown[good] < FLYING * usual).astype(np.float64)[:, None]
    return wheels, Signal(airframe.energy.time_s[good], on_ground, 2.0, held=True)


def fine_wheels(own: Track, main: Track, airframe: Airframe, start_s: float) -> ClockLine | None:
    """Clock error from lift-offs and touch-downs, from a first guess good to a few seconds."""
    switch = channel_signal(own, "weight_on_wheels")
    if switch is None:
        return None
    edge_s, after = _edges(switch)
    time_s, looks = _wheel_looks(main, airframe)
    line: ClockLine | None = None
    error_s = start_s
    for guard_s in (2.5, 1.0, 1.0):
        odds = _log_odds(time_s, looks, (edge_s - error_s, after), guard_s)
        if odds is None:
            return None
        line = fit_line(_edge_shifts(time_s, odds, (edge_s, after), error_s), FLOOR_S / 2)
        if line is None:
            return None
        error_s = float(line.error_at(np.array([line.middle_s]))[0])
    assert line is not None
    least = ONE_EDGE_S / np.sqrt(line.windows)  # two edges that happen to agree prove little
    uncertainty = float(max(line.uncertainty_s, least))
    return ClockLine(error_s, uncertainty, 0.0, line.drift_uncertainty_ppm, line.middle_s, line.windows)


def _edges(switch: Signal) -> tuple[Floats, Floats]:
    """Times of the edges between runs that last, and the value after each (1 or 0)."""
    on = (switch.values[:, 0] > 0.5).astype(np.float64)
    place = np.flatnonzero(np.diff(on) != 0)
    bounds = np.concatenate([[switch.time_s[0] - 1e3], switch.time_s[place + 1], [switch.time_s[-1] + 1e3]])
    long_before, long_after = np.diff(bounds)[:-1] >= SHORTEST_RUN_S, np.diff(bounds)[1:] >= SHORTEST_RUN_S
    unbroken = switch.time_s[place + 1] - switch.time_s[place] <= switch.limit_s if len(place) else np.zeros(0, bool)
    keep = long_before & long_after & unbroken
    middle = 0.5 * (switch.time_s[place] + switch.time_s[place + 1])
    return middle[keep], on[place + 1][keep]


def _wheel_looks(main: Track, airframe: Airframe) -> tuple[Floats, Floats]:
    """Load factor, climb and bank rate on a fine grid, (n, d)."""
    coarse = airframe.energy.time_s
    time_s = np.arange(coarse[0], coarse[-1], GRID_S)
    columns = [np.interp(time_s, coarse, airframe.climb_m_s)]
    load, bank = channel_signal(main, "normal_load_factor"), channel_signal(main, "bank")
    if load is not None:
        columns.append(load.at(time_s)[:, 0])
    if bank is not None:
        angle = bank.at(time_s)[:, 0]
        rate = np.full(len(angle), np.nan)
        rate[2:-2] = (angle[4:] - angle[:-4]) / (4 * GRID_S)
        columns.append(rate)
    return time_s, np.column_stack(columns)


def _log_odds(time_s: Floats, looks: Floats, edges: tuple[Floats, Floats], guard_s: float) -> Floats | None:
    """Log odds of 'on' for every sample, from normal distributions learnt beside the edges."""
    on, off = np.zeros(len(time_s), bool), np.zeros(len(time_s), bool)
    for edge, after in zip(*edges, strict=True):
        later = (time_s >= edge + guard_s) & (time_s <= edge + REACH_S)
        sooner = (time_s <= edge - guard_s) & (time_s >= edge - REACH_S)
        on |= later if after else sooner
        off |= sooner if after else later
    known = np.isfinite(looks).all(axis=1)
    if (on & known).sum() < 10 or (off & known).sum() < 10:
        return None
    odds = np.zeros(len(time_s))
    for column in looks.T:
        odds += _log_density(column, column[on & known]) - _log_density(column, column[off & known])
    return np.asarray(np.clip(np.where(known, odds, 0.0), -LARGEST_LOG_ODDS, LARGEST_LOG_ODDS))


def _log_density(values: Floats, sample: Floats) -> Floats:
    middle = np.median(sample)
    scale = max(1.4826 * float(np.median(np.abs(sample - middle))), 0.3 * float(np.std(sample)), 1e-6)
    return np.asarray(-0.5 * ((values - middle) / scale) ** 2 - np.log(scale))


def _edge_shifts(time_s: Floats, odds: Floats, edges: tuple[Floats, Floats], error_s: float) -> Shifts:
    """For every edge the shift that splits the samples around it best, and how sharply it does."""
    shifts, information = [], []
    for edge, after in zip(*edges, strict=True):
        near = np.flatnonzero(np.abs(time_s - (edge - error_s)) <= SEEK_S)
        if len(near) < 2 * SEEK_S / GRID_S * 0.9:
            shifts.append(np.nan)
            information.append(0.0)
            continue
        signed = odds[near] if after else -odds[near]
        # splitting before sample k: everything before says 'old', everything from k on says 'new'
        gain = (np.sum(signed) - 2 * np.concatenate([[0.0], np.cumsum(signed)])) * GRID_S * LOOKS_PER_SECOND
        likely = np.exp(gain - gain.max())
        moment = np.concatenate([time_s[near], [time_s[near[-1]] + GRID_S]]) - GRID_S / 2
        mean = float(np.sum(likely * moment) / likely.sum())
        variance = float(np.sum(likely * (moment - mean) ** 2) / likely.sum())
        shifts.append(edge - mean)
        information.append(1.0 / (variance + 0.3**2))
    return Shifts(edges[0], np.array(shifts), np.array(information))
