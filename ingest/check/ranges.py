"""Samples no aeroplane of this kind could show, and steps too coarse to difference."""

from __future__ import annotations

import numpy as np

from ...shared.findings import Finding, Level
from ...shared.recording import Floats, Track
from .places import channel_facts, channel_where, number_columns, step_of

LEAST_STEPS = 3  # a channel that moved by fewer of its steps shows nothing
STANDING_ROWS = 3

# SI kind or channel -> step from which on the recorder's resolution is worth telling (common practice, no source)
COARSE: dict[str, float] = {
    "indicated_airspeed": 0.4,
    "calibrated_airspeed": 0.4,
    "true_airspeed": 0.4,
    "vertical_speed": 0.45,
    "pressure_altitude": 2.0,
    "baro_altitude": 2.0,
    "pitch": 0.015,
    "bank": 0.015,
    "normal_load_factor": 0.045,
    "outside_air_temperature": 0.5,
    "engine_speed": 0.8,
    "manifold_pressure": 1000.0,
}


def find_out_of_range(track: Track) -> list[Finding]:
    """One OUT_OF_RANGE finding for every channel that leaves the vocabulary's plausible range."""
    out = []
    for column, entry in number_columns(track):
        margin = 1e-9 + 1e-6 * (entry.high - entry.low)
        with np.errstate(invalid="ignore"):
            outside = (column.values < entry.low - margin) | (column.values > entry.high + margin)
        places = np.flatnonzero(outside)
        if not len(places):
            continue
        worst = column.values[places]
        text = (
            f"{track.name}: {len(places)} sample(s) of {column.source_name} between {worst.min():.4g} and {worst.max():.4g} "
            f"{entry.unit}, plausible are {entry.low:.4g} to {entry.high:.4g}; flagged, not altered"
        )
        times = track.time_s[places]
        facts = channel_facts(track, column, low=entry.low, high=entry.high)
        where = channel_where(track, column, int(track.row[places[0]]))
        out.append(Finding("OUT_OF_RANGE", text, "doubt", where, len(places), float(times[0]), float(times[-1]), facts))
    return out


def _moves_finer(values: Floats, limit: float) -> bool:
    """True where two samples beside each other differ by less than the limit: no grid can be that coarse."""
    steps = np.abs(np.diff(values))
    return bool(((steps > 0) & (steps < limit)).any())


def _grid(values: Floats) -> float:
    """The step all values keep to, where it shows: a few distinct values, each used often; else 0."""
    distinct, count = np.unique(values[np.isfinite(values)], return_counts=True)
    if len(distinct) < LEAST_STEPS or float(np.median(count)) < STANDING_ROWS:
        return 0.0
    steps = np.diff(distinct)
    smallest = float(steps.min())
    return smallest if bool((np.abs(steps / smallest - np.rint(steps / smallest)) < 0.05).all()) else 0.0


def _stands(values: Floats, step: float) -> bool:
    """True where the channel moves by whole steps and stands between them: its differences tell nothing."""
    known = values[np.isfinite(values)]
    moved = np.abs(np.diff(known)) > 0.5 * step
    return bool(len(known) and float(np.ptp(known)) >= LEAST_STEPS * step and moved.mean() < 0.5)


def find_coarse_steps(track: Track) -> list[Finding]:
    """QUANTISED for channels whose resolution widens what can be said of them."""
    out = []
    for column, entry in number_columns(track):
        limit = COARSE.get(entry.name)
        if limit is None or (step_of(column) < limit and _moves_finer(column.values, limit)):
            continue
        step = max(step_of(column), _grid(column.values))
        if step < limit:
            continue
        adds = step / np.sqrt(12.0)  # standard deviation of a rounding error
        level: Level = "doubt" if _stands(column.values, step) else "note"
        text = f"{track.name}: {column.source_name} comes in steps of {step:.3g} {entry.unit}; adds {adds:.2g} {entry.unit} to every sample's uncertainty"
        facts = channel_facts(track, column, step=step, adds=float(adds))
        out.append(Finding("QUANTISED", text, level, channel_where(track, column), facts=facts))
    return out
