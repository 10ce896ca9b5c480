"""Isolated samples far from their neighbours. Flagged, never altered."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ...shared.findings import Finding
from ...shared.recording import Column, Floats, Track
from .places import channel_facts, channel_where, differences, is_circular, number_columns, step_of

NEIGHBOURS = 3  # on each side; a spike of one or two samples does not move the median of three
USUAL = 0.995  # share of the channel's own departures from its neighbours that are ordinary
TIMES = 6.0  # a spike departs this many times further than the ordinary
LEAST_STEPS = 10.0
LARGEST_SHARE = 0.01  # more departures than this are the channel's way, not spikes
FEW_STEPS = 2000  # so many places are looked at sooner than the ordinary departure is found
LISTED = 500
THIN_ROWS = 4000  # the ordinary departure is judged on about this many samples
# a hard landing or a gust is one sample long and real
JOLTING = frozenset({"load_factor", "angular_rate"})
WILD = frozenset({"track_true"})  # a receiver's course turns at random while it stands


def find_spikes(track: Track) -> list[Finding]:
    """One SPIKE finding for every channel that has some, with their count and first places."""
    out = []
    for column, entry in number_columns(track):
        if entry.reduction == "last" or entry.kind in JOLTING or entry.name in WILD:
            continue
        mask = spike_mask(column, is_circular(entry))
        if mask.any():
            out.append(_finding(track, column, mask))
    return out


def spike_mask(column: Column, circular: bool) -> NDArray[np.bool_]:
    """True at the spikes of a column, shape (n,)."""
    mask = np.zeros(len(column.values), dtype=bool)
    good = np.isfinite(column.values)
    values = column.values if good.all() else column.values[good]
    if len(values) < 4 * NEIGHBOURS:
        return mask
    steps = np.abs(differences(values[1:], values[:-1], circular))
    least = LEAST_STEPS * step_of(column)
    if not steps.max() > least / 2:
        return mask  # nothing moves far enough, whatever is ordinary
    padded = np.concatenate([values[NEIGHBOURS:0:-1], values, values[-2 : -2 - NEIGHBOURS : -1]])
    near = np.lib.stride_tricks.sliding_window_view(padded, 2 * NEIGHBOURS + 1)
    few = np.flatnonzero(steps > least / 2) if least > 0 else np.empty(0, np.intp)
    if 0 < len(few) <= FEW_STEPS and not len(_beyond(least, near, values, few, circular)):
        return mask  # most channels end here
    thin = max(1, len(values) // THIN_ROWS)
    ordinary = float(np.quantile(_distances(near[::thin], values[::thin], circular), USUAL))
    limit = max(TIMES * ordinary, least)
    large = np.flatnonzero(steps > limit / 2) if limit > 0 else steps[:0]
    if not len(large):
        return mask
    found = _beyond(limit, near, values, large, circular)
    if 0 < len(found) <= max(LARGEST_SHARE * len(values), 1):
        mask[np.flatnonzero(good)[found]] = True
    return mask


def _beyond(limit: float, near: Floats, values: Floats, large: NDArray[np.intp], circular: bool) -> NDArray[np.intp]:
    """Samples that depart further than the limit: only those beside a large step can, the others need no sorting."""
    beside = np.zeros(len(values) + 2 * NEIGHBOURS, dtype=bool)
    for away in range(1, 2 * NEIGHBOURS + 1):
        beside[large + away] = True
    places = np.flatnonzero(beside[NEIGHBOURS:-NEIGHBOURS])
    return np.asarray(places[_departures(near[places], values[places], circular) > limit])


def _distances(near: Floats, values: Floats, circular: bool) -> Floats:
    """Median distance of each sample to its neighbourhood: how much the channel moves in any case."""
    away = np.abs(differences(near, values[:, None], circular))
    return np.asarray(np.partition(away, NEIGHBOURS + 1, axis=1)[:, NEIGHBOURS + 1])


def _departures(near: Floats, values: Floats, circular: bool) -> Floats:
    """How far each sample lies outside what the medians before and after it span; zero on steps and ramps."""
    away = differences(near, values[:, None], circular)
    before, after = (_median_of_three(*side) for side in (away.T[:NEIGHBOURS], away.T[NEIGHBOURS + 1 :]))
    # measured from the sample itself: both sides above it, or both below it, by at least this much
    return np.asarray(np.maximum(0.0, np.maximum(np.minimum(before, after), -np.maximum(before, after))))


def _median_of_three(a: Floats, b: Floats, c: Floats) -> Floats:
    return np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))


def _finding(track: Track, column: Column, mask: NDArray[np.bool_]) -> Finding:
    places = np.flatnonzero(mask)
    times = track.time_s[places]
    first = f"{column.values[places[0]]:.4g} {column.unit or ''}".strip()
    text = f"{track.name}: {len(places)} isolated sample(s) of {column.source_name} far from their neighbours, the first {first}; flagged, not altered"
    facts = channel_facts(
        track, column, rows=[int(r) for r in track.row[places[:LISTED]]], times_s=[float(t) for t in times[:LISTED]]
    )
    where = channel_where(track, column, int(track.row[places[0]]))
    return Finding("SPIKE", text, "doubt", where, len(places), float(times[0]), float(times[-1]), facts)
