"""Cells of a sheet as text that loses nothing: numbers with all their digits, dates and times as ISO stamps."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from typing import Any

_DAY = dt.timedelta(days=1)
_DAY_ZERO_YEARS = (1899, 1900, 1904)  # of the days a spreadsheet counts from
_CLOCK = re.compile(r"(?i)\b(utc|gmt|zulu|local|clock|time of day|uhrzeit|heure|hora)\b")


def as_lines(rows: Sequence[Sequence[Any]]) -> bytes:
    """Rows of cells as tab-delimited lines; always empty columns at the right are left out."""
    width = max((_filled(row) for row in rows), default=0)
    rows = _with_times_of_day(rows, width)
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


def _with_times_of_day(rows: Sequence[Sequence[Any]], width: int) -> Sequence[Sequence[Any]]:
    """Rows in which times of day that counted on past midnight (24:00:05 is day 1 and 5 s) are times of day again."""
    places = [k for k in range(width) if _counts_on(rows, k)]
    if not places:
        return rows
    out = [list(row) for row in rows]
    for row in out:
        for k in places:
            if k < len(row):
                row[k] = _time_of_day(row[k])
    return out


def _counts_on(rows: Sequence[Sequence[Any]], k: int) -> bool:
    cells = [row[k] for row in rows if k < len(row) and row[k] not in (None, "")]
    first = next((i for i, cell in enumerate(cells) if isinstance(cell, dt.time | dt.timedelta)), None)
    if first is None:
        return False
    if isinstance(cells[first], dt.time):
        return any(isinstance(cell, dt.date) and cell.year in _DAY_ZERO_YEARS for cell in cells[first:])
    title = next((cell for cell in reversed(cells[:first]) if isinstance(cell, str)), "")
    return bool(_CLOCK.search(title)) and cells[first] < _DAY


def _time_of_day(cell: Any) -> Any:
    if isinstance(cell, dt.timedelta):
        return (dt.datetime.min + cell % _DAY).time()
    if isinstance(cell, dt.datetime) and cell.year in _DAY_ZERO_YEARS:
        return cell.time()
    if isinstance(cell, dt.date) and cell.year in _DAY_ZERO_YEARS:
        return dt.time()
    return cell
