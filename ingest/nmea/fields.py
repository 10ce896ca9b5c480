"""Fields of NMEA 0183 sentences as arrays: numbers, positions, times of day, dates.

An empty field is a missing value, never zero.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
_EPOCH = dt.date(1970, 1, 1).toordinal()
# Two-digit years: satellite time begins in January 1980, so 80..99 are of the last century.
_FIRST_YEAR_OF_CENTURY = 80


def text_at(fields: Sequence[Sequence[bytes]], position: int) -> list[bytes]:
    """One field of every sentence; empty where a sentence is shorter."""
    return [row[position] if len(row) > position else b"" for row in fields]


def numbers(texts: Sequence[bytes]) -> Floats:
    """Texts as numbers; NaN for empty fields and for anything that is no finite number."""
    if not texts:
        return np.empty(0)
    raw = np.array([text or b"nan" for text in texts], dtype="S")
    try:
        values = raw.astype(np.float64)
    except ValueError:
        values = np.array([_number(text) for text in texts])
    values[~np.isfinite(values)] = np.nan
    return values


def _number(text: bytes) -> float:
    try:
        return float(text)
    except ValueError:
        return float("nan")


def decimals(texts: Sequence[bytes]) -> int:
    """Largest number of digits written behind the point, at most 15: a number holds no more."""
    return min(15, max((len(text) - text.rfind(b".") - 1 for text in texts if b"." in text), default=0))


def signed(values: Floats, marks: Sequence[bytes], letters: bytes) -> Floats:
    """Values with the sign of their letter: positive for the first of `letters`, negative for the second.

    NaN where the letter is neither: a position without its hemisphere is no position.
    """
    positive, negative = letters[:1], letters[1:]
    sign = np.array([1.0 if m == positive else -1.0 if m == negative else np.nan for m in marks])
    return values * sign if len(values) else values


def degrees(values: Floats, limit: float) -> Floats:
    """dddmm.mmmm as degrees; NaN where minutes reach 60 or degrees pass the limit."""
    whole = np.floor(values / 100.0)
    minutes = values - 100.0 * whole
    out = whole + minutes / 60.0
    bad = ~((minutes < 60.0) & (out <= limit) & (values >= 0.0))
    return np.where(bad, np.nan, out)


def times_of_day(texts: Sequence[bytes]) -> Floats:
    """hhmmss.sss as seconds since midnight; NaN where it is none. Second 60 is allowed."""
    values = numbers(texts)
    values = np.where((values >= 0) & (values < 240000.0), values, np.nan)
    digits = decimals(texts)
    hours = np.floor(values / 10000.0)
    minutes = np.floor(values / 100.0) - 100.0 * hours
    seconds = np.round(values - 10000.0 * hours - 100.0 * minutes, digits)
    good = (hours >= 0) & (hours < 24) & (minutes < 60) & (seconds < 61.0) & (seconds >= 0)
    return np.where(good, hours * 3600.0 + minutes * 60.0 + seconds, np.nan)


def days_of_dates(texts: Sequence[bytes]) -> Floats:
    """ddmmyy as days since 1970-01-01; NaN where it is no date."""
    known: dict[bytes, float] = {}
    return np.array([known.setdefault(t, _day(t)) if t not in known else known[t] for t in texts])


def _day(text: bytes) -> float:
    if len(text) != 6 or not text.isdigit():
        return float("nan")
    year = int(text[4:6])
    return day_of(year + (1900 if year >= _FIRST_YEAR_OF_CENTURY else 2000), int(text[2:4]), int(text[:2]))


def day_of(year: float, month: float, day: float) -> float:
    """Days since 1970-01-01 of a calendar date; NaN where there is no such date."""
    try:
        return float(dt.date(int(year), int(month), int(day)).toordinal() - _EPOCH)
    except (ValueError, OverflowError):
        return float("nan")
