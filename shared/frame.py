"""The frame: every channel of a Recording on the main recorder's clock.

The main track's rows are the frame's rows, untouched. Other tracks are brought over: numbers by a
straight line between neighbours, angles the short way round, counts and words by holding the last
value; never across a gap (more than `gap_factor` of the other recorder's median steps). A recorder
that writes changes only has no gaps: its values hold (`on_change`).
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from .circle import unwrap, within_turn
from .on_change import is_on_change
from .recording import Column, Floats, Recording, Track
from .vocabulary import meaning_of

GAP_FACTOR = 2.5
GAP_FLOOR_S = 1.5
_ROWS_AT_ONCE = 1 << 19  # keeps what is held beside a column of millions of rows small


def gap_limit_s(track: Track) -> float:
    """Longest step between two rows of a track that is still not a gap, in seconds; infinite for rows on change."""
    if is_on_change(track):
        return float("inf")
    step = track.median_step_s
    return max(GAP_FLOOR_S, GAP_FACTOR * step) if np.isfinite(step) else GAP_FLOOR_S  # a single row has no step


Reading = tuple[NDArray[np.bool_], Floats]  # flag (n,) of the times between two rows, and those times


def reading_of(track: Track, time_s: Floats) -> Reading:
    """Where each of the times lies between two rows no further apart than a gap: the same for all complete columns."""
    good = np.empty(len(time_s), dtype=bool)
    for first in range(0, len(time_s), _ROWS_AT_ONCE):
        part = slice(first, first + _ROWS_AT_ONCE)
        good[part] = _between(track.time_s, time_s[part], gap_limit_s(track))
    return good, time_s[good]


def sample_column(
    track: Track, name: str, time_s: Floats, *, column: Column | None = None, reading: Reading | None = None
) -> NDArray[np.float64] | NDArray[np.object_]:
    """A column of a track at other times, shape of time_s; NaN or None where it was not recorded.

    column: the samples to take instead of the track's own; reading: what `reading_of` gives for these times.
    """
    column = column or track.columns[name]
    entry = meaning_of(name)
    reduction = entry.reduction if entry else ("last" if column.is_text else "mean")
    if column.is_text or reduction == "last" or is_on_change(track):
        return _hold(track, column, time_s)
    return _line(track, column, time_s, circular=reduction == "circular", reading=reading)


def _usable(track: Track, column: Column) -> NDArray[np.bool_]:
    if column.is_text:
        return np.array([value is not None for value in column.values], dtype=bool)
    return np.asarray(np.isfinite(column.values), dtype=bool)


def _hold(track: Track, column: Column, time_s: Floats) -> NDArray[np.float64] | NDArray[np.object_]:
    missing = None if column.is_text else np.nan
    out = np.full(len(time_s), missing, dtype=object if column.is_text else np.float64)
    keep = _usable(track, column)
    known = track.time_s[keep]
    if not len(known):
        return out
    index = np.searchsorted(known, time_s, side="right") - 1
    inside = (index >= 0) & (time_s - known[np.maximum(index, 0)] <= gap_limit_s(track))
    out[inside] = column.values[keep][index[inside]]
    return out


def _between(known: Floats, time_s: Floats, limit_s: float) -> NDArray[np.bool_]:
    """Which times lie between known samples no further apart than limit_s."""
    right = np.searchsorted(known, time_s, side="left")
    exact = (right < len(known)) & (known[np.minimum(right, len(known) - 1)] == time_s)
    inner = (right > 0) & (right < len(known))
    left = np.maximum(right - 1, 0)
    span = known[np.minimum(right, len(known) - 1)] - known[left]
    return np.asarray(exact | (inner & (span <= limit_s)))


def _rises(track: Track) -> bool:
    """Whether no two rows have one time: a line through them then gives every row its own value. Asked once a track."""
    if "rises" not in track.found:
        track.found["rises"] = bool((np.diff(track.time_s) > 0).all())
    return bool(track.found["rises"])


def _line(
    track: Track, column: Column, time_s: Floats, *, circular: bool, reading: Reading | None
) -> NDArray[np.float64]:
    out = np.full(len(time_s), np.nan)
    keep = _usable(track, column)
    known, values = (track.time_s, column.values) if keep.all() else (track.time_s[keep], column.values[keep])
    if not len(known):
        return out
    turn = 360.0 if column.unit == "deg" else 2 * np.pi
    if circular:
        values = unwrap(values, turn)
    if time_s is known and _rises(track):
        out[:] = values
    elif reading is not None and len(known) == len(track.time_s):
        out[reading[0]] = np.interp(reading[1], known, values)
    else:
        for first in range(0, len(time_s), _ROWS_AT_ONCE):
            part = slice(first, first + _ROWS_AT_ONCE)
            good = _between(known, time_s[part], gap_limit_s(track))
            out[part][good] = np.interp(time_s[part][good], known, values)
    if not circular:
        return out
    if column.unit == "deg":  # longitude, kept in -180..180
        return within_turn(out + 180.0, 360.0) - 180.0
    return within_turn(out, turn)


def frame_columns(
    recording: Recording, names: Iterable[str] | None = None
) -> dict[str, NDArray[np.float64] | NDArray[np.object_]]:
    """Canonical channels on the main track's clock, name -> samples of shape (n_main,).

    Where several recorders hold a channel the main one's is taken, and gaps in it stay gaps.
    """
    main = recording.track(recording.main)
    wanted = list(names) if names is not None else [n for n in recording.channels() if meaning_of(n)]
    out: dict[str, NDArray[np.float64] | NDArray[np.object_]] = {}
    for name in wanted:
        holders = recording.holders(name)
        if not holders:
            continue
        holder = holders[0]
        if holder.name == main.name:
            out[name] = main.columns[name].values
        else:
            out[name] = sample_column(holder, name, main.time_s)
    return out
