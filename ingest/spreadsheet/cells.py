"""Cells of a sheet as text that loses nothing: numbers with all their digits, dates and times as ISO stamps."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

_HOUR_S = 3600.0


def as_lines(rows: Sequence[Sequence[Any]]) -> bytes:
    """Rows of cells as tab-delimited lines; always empty columns at the right are left out."""
    width = max((_filled(row) for row in rows), default=0)
    hours_lost = _columns_without_hours(rows, width)
    lines = []
    for row in rows:
        cells = [as_text(value, minutes_only=k in hours_lost) for k, value in enumerate(row[:width])]
        lines.append("\t".join(cells + [""] * (width - len(cells))) if any(cells) else "")
    return ("\n".join(lines) + "\n").encode("utf-8") if lines else b""


def _filled(row: Sequence[Any]) -> int:
    return next((k for k in range(len(row), 0, -1) if row[k - 1] not in (None, "")), 0)


def as_text(value: Any, *, minutes_only: bool = False) -> str:
    """One cell. minutes_only: a time whose hours are not there, as mm:ss.f."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "1" if value else "0"
    if isinstance(value, float):
        return repr(int(value)) if value.is_integer() and abs(value) < 2**53 else repr(value)
    if isinstance(value, int):
        return repr(value)
    if isinstance(value, dt.datetime):
        return _fraction(value.replace(tzinfo=None).isoformat(" ", "microseconds"))
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, dt.time):
        text = _fraction(value.isoformat("microseconds"))
        return text[3:] + ("" if "." in text else ".0") if minutes_only else text
    if isinstance(value, dt.timedelta):
        return repr(value.total_seconds())
    return " ".join(str(value).split())


def _fraction(text: str) -> str:
    """The stamp without idle zeros behind the second."""
    return text.rstrip("0").rstrip(".") if "." in text else text


def _columns_without_hours(rows: Sequence[Sequence[Any]], width: int) -> set[int]:
    """Columns of times of day that all lie below one o'clock.

    So look stamps of the form mm:ss.0 after a spreadsheet took the minutes for minutes after
    midnight: a recorder running past midnight is the rarer case, and the user is asked.
    """
    out = set()
    for k in range(width):
        times = [row[k] for row in rows if k < len(row) and isinstance(row[k], dt.time)]
        if len(times) >= 2 and all(time.hour == 0 for time in times):
            out.add(k)
    return out
