"""The column in which a recorder states how far its clock is from UTC, row by row."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from .headers import Heading
from .timecolumns import Column, words_of
from .zones import read_offset
from .zonewords import ZONE_WORDS_S

Floats = NDArray[np.float64]

_OFFSET_WORDS = frozenset(("offset", "ofst", "offs"))
_UTC_WORDS = frozenset(("utc", "gmt"))
_ZONE_NAMES = frozenset(("zone", "tz", "timezone", "utcoffset", "utcofst"))
FURTHEST_H = 14
MOST_OFFSETS = 50  # different ones in a column: more are no zones


def find_offsets(columns: Sequence[Column], headings: Sequence[Heading]) -> tuple[int, Floats] | None:
    """(position, seconds from UTC of every row, (n,), NaN where blank) of the column that states them; None without one.

    Named as an offset or a zone, and every filled field an offset such as '+02:00', 'UTC-5', 'CEST', or hours from -14 to 14.
    """
    for place, (column, heading) in enumerate(zip(columns, headings, strict=True)):
        words = set(words_of(heading.written))
        if not (words & _ZONE_NAMES or (words & _OFFSET_WORDS and words & _UTC_WORDS)):
            continue
        seconds = _hours(column) if isinstance(column, np.ndarray) else _texts(column)
        if seconds is not None:
            return place, seconds
    return None


def _hours(values: Floats) -> Floats | None:
    """Hours in quarters, no more of them than a day's flight can meet."""
    known = values[np.isfinite(values)]
    fits = len(known) and np.abs(known).max() <= FURTHEST_H and bool((known * 4 % 1 == 0).all())
    return values * 3600.0 if fits and len(np.unique(known)) <= 4 else None


def _texts(column: pa.Array) -> Floats | None:
    words = column.unique().to_pylist()
    known: dict[str, float] = {}
    for word in words:
        if word is None or not word.strip():
            continue
        offset = read_offset(word) if len(known) < MOST_OFFSETS else None
        offset = ZONE_WORDS_S.get(word.strip().lower()) if offset is None else offset
        if offset is None or abs(offset) >= (FURTHEST_H + 1) * 3600.0:
            return None
        known[word] = offset
    if not known:
        return None
    index = pc.index_in(column, value_set=column.unique()).to_numpy(zero_copy_only=False)
    return np.asarray(np.array([known.get(word, np.nan) for word in words])[index])
