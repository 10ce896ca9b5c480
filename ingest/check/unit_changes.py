"""A unit that does not fit: against another recorder, against satellite height, or before and after a reset."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from ...shared.findings import Finding
from ...shared.frame import sample_column
from ...shared.recording import Column, Floats, Track
from ...shared.vocabulary import ChannelMeaning
from .confused_units import CONFUSIONS, Confusion, confusions_of, find_confusion
from .places import channel_facts, channel_where, number_columns

LEAST_SAMPLES = 30
SAME = 0.02  # two recorders of one quantity agree better than this in their ratio
JUMP_TOLERANCE = 0.04  # the aeroplane goes on between the two samples
JUMP_NOISE = 15.0  # times the usual change from sample to sample
SIDE_ROWS = 8
LEAST_CLIMB_M = 30.0  # standard deviation of height that tells a slope
SLOPE_NEAR = 0.12  # height by pressure grows up to ten per cent slower than geometric height in warm air
_BY_PRESSURE = ("pressure_altitude", "baro_altitude", "unnamed_altitude")
_BY_SATELLITE = ("gnss_altitude", "gnss_unnamed_altitude")


def find_unit_changes(tracks: tuple[Track, ...]) -> list[Finding]:
    """UNIT_CHANGE_SUSPECTED for channels whose numbers fit another unit than the stated one. Nothing is altered."""
    out = []
    for track in tracks:
        for column, entry in number_columns(track):
            if entry.kind in CONFUSIONS and (found := _find_jump(track, column, entry)) is not None:
                out.append(found)
    for one, other in combinations(tracks, 2):
        out += _compare_recorders(one, other)
    return [*out, *_compare_heights(tracks)]


# -- before and after -----------------------------------------------------------------------------


def _find_jump(track: Track, column: Column, entry: ChannelMeaning) -> Finding | None:
    """A single step from one sample to the next that is the ratio of two units, and stays."""
    good = np.isfinite(column.values)
    values = column.values if good.all() else column.values[good]
    if len(values) < 2 * SIDE_ROWS:
        return None
    steps = np.abs(np.diff(values))
    k = int(np.argmax(steps))
    if not SIDE_ROWS <= k + 1 <= len(values) - SIDE_ROWS:
        return None
    before, after = values[k + 1 - SIDE_ROWS : k + 1], values[k + 1 : k + 1 + SIDE_ROWS]
    if np.min(np.abs(after - before[-1])) < 0.5 * steps[k] or np.min(np.abs(before - after[0])) < 0.5 * steps[k]:
        return None
    possible = confusions_of(entry.kind, column.source_unit)
    found = find_confusion(possible, float(_AT_STOP @ before), float(_AT_START @ after), JUMP_TOLERANCE)
    if found is None or not _stands_out(steps, k):
        return None
    place = int(np.flatnonzero(good)[k + 1])
    row = int(track.row[place])
    text = (
        f"{track.name}: {column.source_name} steps at line {row} from one sample to the next as if its unit had "
        f"changed ({found.words}); nothing was altered"
    )
    facts = channel_facts(track, column, confusion=found.words, factor=found.factor)
    at = float(track.time_s[place])
    return Finding("UNIT_CHANGE_SUSPECTED", text, "doubt", channel_where(track, column, row), 1, at, at, facts)


def _stands_out(steps: Floats, largest: int) -> bool:
    """Whether the largest step is many times the one that nine tenths of the others stay under."""
    limit = float(steps[largest]) / JUMP_NOISE - 1e-9
    # counting takes a tenth of sorting: too few small ones, and the percentile lies above the limit
    if np.count_nonzero(steps <= limit * (1 + 1e-9)) < 0.9 * (len(steps) - 2) - 1:
        return False
    return float(steps[largest]) >= JUMP_NOISE * _usual(np.delete(steps, largest))


def _usual(steps: Floats) -> float:
    return float(np.percentile(steps, 90)) + 1e-9


def _line_weights(at: float) -> Floats:
    """What SIDE_ROWS values are multiplied by to give their least-squares line at a place counted in rows."""
    away = np.arange(SIDE_ROWS) - (SIDE_ROWS - 1) / 2
    return 1 / SIDE_ROWS + (at - (SIDE_ROWS - 1) / 2) * away / (away @ away)


_AT_START, _AT_STOP = _line_weights(-0.5), _line_weights(SIDE_ROWS - 0.5)  # half-way to the next stretch


# -- against another recorder ---------------------------------------------------------------------


def _compare_recorders(one: Track, other: Track) -> list[Finding]:
    out = []
    meanings = {column.name: entry for column, entry in number_columns(one)}
    for column, entry in number_columns(other):
        if column.name not in meanings or entry.kind not in CONFUSIONS:
            continue
        mine, theirs = _together(one, other, column.name)
        if len(mine) < LEAST_SAMPLES:
            continue
        found = _constant_confusion(entry.kind, mine, theirs)
        if found is not None:
            out.append(_report_pair(other, column, one, found))
    return out


def _together(one: Track, other: Track, name: str) -> tuple[Floats, Floats]:
    """Samples of both tracks at the other's times, where both are known."""
    mine = sample_column(one, name, other.time_s).astype(np.float64)
    theirs = other.columns[name].values
    good = np.isfinite(mine) & np.isfinite(theirs)
    return mine[good], theirs[good]


def _constant_confusion(kind: str, mine: Floats, theirs: Floats) -> Confusion | None:
    """The confusion that holds at the lower, the middle and the upper values alike."""
    if kind == "length":
        slope = _slope(mine, theirs)
        return None if slope is None else find_confusion(CONFUSIONS[kind], 1.0, slope, SAME)
    order = np.argsort(mine)
    parts = np.array_split(order, 3)
    found = [
        find_confusion(CONFUSIONS[kind], float(np.median(mine[p])), float(np.median(theirs[p])), SAME)
        for p in parts
        if len(p)
    ]
    return found[0] if found[0] is not None and all(one is found[0] for one in found) else None


def _slope(mine: Floats, theirs: Floats) -> float | None:
    """How much `theirs` changes for a change of `mine`: heights may differ by a setting besides."""
    if min(float(np.std(mine)), float(np.std(theirs))) < LEAST_CLIMB_M * 0.3048:
        return None
    if abs(float(np.corrcoef(mine, theirs)[0, 1])) < 0.98:
        return None
    return float(np.polynomial.Polynomial.fit(mine, theirs, 1).convert().coef[1])


def _compare_heights(tracks: tuple[Track, ...]) -> list[Finding]:
    """Height by pressure against satellite height: the slope tells feet from metres whatever the altimeter setting."""
    out = []
    for holder in tracks:
        for track in tracks:
            pairs = [(a, b) for a in _BY_PRESSURE for b in _BY_SATELLITE if a in track.columns and b in holder.columns]
            for name, witness in pairs[:1]:
                column = track.columns[name]
                mine = sample_column(holder, witness, track.time_s).astype(np.float64)
                good = np.isfinite(mine) & np.isfinite(column.values)
                slope = _slope(mine[good], column.values[good]) if good.sum() >= LEAST_SAMPLES else None
                possible = confusions_of("length", column.source_unit)
                found = find_confusion(possible, 1.0, slope, SLOPE_NEAR) if slope is not None else None
                if found is not None and not column.derived_from:
                    out.append(_report_pair(track, column, holder, found))
    return out


def _report_pair(track: Track, column: Column, witness: Track, found: Confusion) -> Finding:
    text = (
        f"{track.name}: {column.source_name} against {witness.name} fits {found.words} (factor {found.factor:.4g}): "
        "one of the two has another unit than stated; nothing was altered"
    )
    facts = channel_facts(track, column, witness=witness.name, confusion=found.words, factor=found.factor)
    return Finding("UNIT_CHANGE_SUSPECTED", text, "doubt", channel_where(track, column), facts=facts)
