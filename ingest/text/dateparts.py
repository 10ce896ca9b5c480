"""Moments written in parts: year, month, day, hour, minute and second each in a column of its own; dates of six digits."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

# letter of a part -> its names, least and greatest value
_PARTS: dict[str, tuple[frozenset[str], int, int]] = {
    "y": (frozenset(("year", "yr", "yyyy", "yy", "jahr", "annee", "ano")), 0, 2100),
    "m": (frozenset(("month", "mon", "mo", "monat", "mois", "mes")), 1, 12),
    "d": (frozenset(("day", "dd", "dom", "tag", "jour", "dia")), 1, 31),
    "H": (frozenset(("hour", "hours", "hr", "hrs", "hh", "h", "stunde", "heure", "hora")), 0, 24),
    "M": (frozenset(("minute", "minutes", "min", "mins", "mn", "minuto")), 0, 59),
    "S": (frozenset(("second", "seconds", "sec", "secs", "ss", "s", "sekunde", "seconde", "segundo")), 0, 60),
    "f": (frozenset(("millisecond", "milliseconds", "ms", "msec", "millis")), 0, 999),
}
_BESIDE = frozenset(("utc", "gmt", "gps", "local", "time", "zulu", "clock"))  # words that may stand beside a part's


def find_parts(
    columns: Sequence[NDArray[np.float64] | pa.Array], words: Sequence[Sequence[str]]
) -> tuple[str, tuple[int, ...]] | None:
    """The parts ('ymdHMS', 'HMS', with 'f' behind for milliseconds) and their columns; None where they are not all there.

    words: of the columns' names, lower case.
    """
    found: dict[str, int] = {}
    for i, column in enumerate(columns):
        part = _part_of(column, set(words[i]) - _BESIDE)
        if part is not None:
            found.setdefault(part, i)
    if not {"H", "M", "S"} <= set(found):
        return None
    letters = ("ymd" if {"y", "m", "d"} <= set(found) else "") + "HMS" + ("f" if "f" in found else "")
    return letters, tuple(found[letter] for letter in letters)


def numbers_of(column: NDArray[np.float64] | pa.Array) -> NDArray[np.float64] | None:
    """The column as numbers, digits with leading zeros too ('04'); None for other text."""
    if isinstance(column, np.ndarray):
        return column
    try:
        return np.asarray(pc.cast(column, pa.float64()).to_numpy(zero_copy_only=False), dtype=np.float64)
    except pa.ArrowInvalid:
        return None


def _part_of(column: NDArray[np.float64] | pa.Array, words: set[str]) -> str | None:
    letter = next((k for k, (names, _, _) in _PARTS.items() if words and words <= names), None)
    values = numbers_of(column) if letter is not None and len(words) == 1 else None
    if letter is None or values is None or not np.isfinite(values).any():
        return None
    known, (_, low, high) = values[np.isfinite(values)], _PARTS[letter]
    whole = letter == "S" or bool((known % 1 == 0).all())
    return letter if whole and known.min() >= low and known.max() < high + 1 else None


def with_slashes(column: NDArray[np.float64] | pa.Array) -> NDArray[np.float64] | pa.Array:
    """Dates of six digits, as satellite receivers write them, as '14/04/31'; any other column as it is."""
    if not isinstance(column, np.ndarray):
        text = column.drop_null()
        if not len(text) or not pc.all(pc.match_substring_regex(text, r"^\d{6}$")).as_py():
            return column
        column = np.asarray(pc.cast(column, pa.float64()).to_numpy(zero_copy_only=False), dtype=np.float64)
    good = column[np.isfinite(column)]
    fields = good // 10_000, good // 100 % 100, good % 100
    short = len(good) and good.max() < 1_000_000 and good.min() >= 10_101 and (good % 1 == 0).all()
    if not short or any(field.min() < 1 or field.max() > 31 for field in fields[:2]) or len(np.unique(good)) > 3:
        return column
    digits = [f"{int(v):06d}" if np.isfinite(v) else None for v in column]
    return pa.array([d and f"{d[:2]}/{d[2:4]}/{d[4:]}" for d in digits], pa.string())
