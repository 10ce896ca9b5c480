"""Recorders that write a row only when something changed: switches and states, rows minutes apart.

Between two such rows nothing is missing: the values hold until the next row, the last row's to the
recording's end. What tells such a track from one with gaps, all three together:

1. the time from row to row is irregular by an order of magnitude and more, and not usually one step;
2. all columns that change are words, 0/1, or state codes (whole numbers from 0 to 9);
3. every row differs from the one before in some column (a cell left empty repeats the last one).

A recorder with a rate of its own writes rows that repeat each other, so it fails the third. Everything
that asks for a gap (`frame.gap_limit_s`) or holds a value goes by this one answer.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .recording import Floats, Track

LEAST_ROWS = 4
MOST_ROWS = 20_000  # a recorder of changes writes few rows; more are not looked through
IRREGULAR = 30.0  # longest step over shortest
LARGEST_CODE = 9
FINEST_STAMP_S = 0.01


def is_on_change(track: Track) -> bool:
    """True when the track's rows are changes, see the module's head."""
    if "on_change" not in track.found:
        track.found["on_change"] = writes_changes(track.time_s, (column.values for column in track.columns.values()))
    return bool(track.found["on_change"])


def writes_changes(time_s: Floats, columns: Iterable[NDArray[Any]]) -> bool:
    """True when rows at time_s, (n,) in order, with these columns, (n,) each, are changes only."""
    return LEAST_ROWS <= len(time_s) <= MOST_ROWS and _irregular(time_s) and every_row_changes(columns)


def every_row_changes(columns: Iterable[NDArray[Any]]) -> bool:
    """True when columns, (n,) each, hold words and state codes only and every row differs from the one before."""
    differs: NDArray[np.bool_] | None = None
    for values in columns:
        codes = _codes(values)
        if codes is None:
            return False
        changes = np.diff(codes) != 0
        differs = changes if differs is None else differs | changes
    return differs is not None and bool(differs.all())


def stamp_step_s(track: Track) -> float:
    """How finely a track's stamps tell the time of a change, in seconds: 1, 0.1 or 0.01."""
    steps = np.diff(track.time_s)
    for fine in (1.0, 0.1):
        if len(steps) and bool((np.abs(steps / fine - np.rint(steps / fine)) < 0.02).all()):
            return fine
    return FINEST_STAMP_S


def _irregular(time_s: Floats) -> bool:
    steps = np.diff(time_s)
    steps = steps[steps > 0]
    if len(steps) < LEAST_ROWS - 1:
        return False
    usual = float(np.median(steps))
    near = (steps > 0.5 * usual) & (steps < 2.0 * usual)
    return bool(steps.max() >= IRREGULAR * steps.min() and near.mean() <= 0.5)


def _codes(values: NDArray[Any]) -> NDArray[np.int64] | None:
    """A column as whole numbers, empty cells carrying the last one on; None for a measured quantity."""
    if values.dtype == object:
        known = np.array([value is not None for value in values], dtype=bool)
        codes = np.full(len(values), -1, dtype=np.int64)
        codes[known] = np.unique(values[known].astype(str), return_inverse=True)[1]
    else:
        known = np.asarray(np.isfinite(values), dtype=bool)
        shown = values[known]
        if len(shown) and shown.min() != shown.max():
            if shown.min() < 0 or shown.max() > LARGEST_CODE or bool((shown != np.rint(shown)).any()):
                return None
        else:
            shown = np.zeros(len(shown))
        codes = np.full(len(values), -1, dtype=np.int64)
        codes[known] = shown.astype(np.int64)
    last = np.maximum.accumulate(np.where(known, np.arange(len(values)), -1))
    return np.asarray(np.where(last >= 0, codes[np.maximum(last, 0)], -1))
