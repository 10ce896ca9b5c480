"""Day, month or year first in dates of short fields: decided once per file from evidence, never per row."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .stamps import ROWS_AT_ONCE, Floats, Stamps, days_since_1970, full_year

Order = Literal["dmy", "mdy", "ymd"]
_TWO: tuple[Order, ...] = ("dmy", "mdy")
_THREE: tuple[Order, ...] = ("dmy", "mdy", "ymd")


@dataclass(frozen=True)
class DateOrder:
    """The decision and its evidence; order None: each reading of `possible` is. inferred: not stated by anybody."""

    order: Order | None
    because: str
    inferred: bool = True
    possible: tuple[Order, ...] = _TWO

    @property
    def reading(self) -> Order:
        """The order decided, or the first possible one, which the others are told against."""
        return self.order or self.possible[0]


def find_order(stamps: Stamps, line: NDArray[np.int64], *, stated: str | None, known: Sequence[dt.date]) -> DateOrder:
    """The order of the short date fields.

    Evidence, strongest first: what the user said (`stated`), any field that one order excludes, dates that rise
    from row to row in one order only, dots as separators, a date known from elsewhere (`known`). The year may stand
    first in three fields of two digits with hyphens only.
    """
    rows = np.flatnonzero(stamps.open_order & ~stamps.bad)
    if not len(rows):
        return DateOrder("dmy", "no date with an open order", inferred=False)
    orders = _THREE if bool(stamps.year_open[rows].all()) else _TWO
    told = [order for order in orders if order == stated]
    if told:
        return DateOrder(told[0], "stated by the user", inferred=False)
    if orders == _THREE:
        return _find_of_three(stamps, known)
    first, second = stamps.first[rows], stamps.second[rows]
    day_first, month_first = (first > 12) & (first <= 31), second > 12
    if day_first.any() or month_first.any():
        order: Order = "dmy" if day_first.sum() >= month_first.sum() else "mdy"
        at = rows[np.argmax(day_first if order == "dmy" else month_first)]
        text = f"{stamps.first[at]:02d}/{stamps.second[at]:02d} in line {line[at]} has a field above 12"
        usual = stamps.separators == {"."} and order == "dmy"  # what dots say anyway: nothing to report
        return DateOrder(order, text + _monotonic_note(stamps, order), inferred=not usual)
    if bool((first == second).all()):
        return DateOrder("dmy", "day and month are equal in every row", inferred=False)
    by_rise = _by_rising(stamps, _TWO)
    if by_rise is not None:
        return by_rise
    if stamps.separators == {"."}:
        return DateOrder("dmy", "dots between the fields: day before month")
    by_date = _by_known_date(stamps, known, _TWO)
    return by_date or DateOrder(None, "no field above 12 and no other date in the file")


def _find_of_three(stamps: Stamps, known: Sequence[dt.date]) -> DateOrder:
    """The order of dates such as '25-04-14', by the readings that make a date of the most rows."""
    readings = {order: dated(stamps, order) for order in _THREE}
    dates = {order: int(np.isfinite(days).sum()) for order, days in readings.items()}
    possible = tuple(order for order in _THREE if dates[order] == max(dates.values()))
    if len(possible) == 1:
        rows = f"{dates[possible[0]]} rows"
        others = ", ".join(f"{dates[order]} as {order}" for order in _THREE if order not in possible)
        return DateOrder(possible[0], f"{rows} are dates when read as {possible[0]}, {others}")
    different = _different(readings, possible)
    if len(different) == 1:
        return DateOrder(different[0], "every possible reading gives the same dates", inferred=False)
    found = _by_rising(stamps, different) or _by_known_date(stamps, known, different)
    return found or DateOrder(None, "no field excludes a reading, and no other date in the file", possible=different)


def _different(readings: Mapping[Order, Floats], possible: Sequence[Order]) -> tuple[Order, ...]:
    """The possible readings without those that give the same dates as one before."""
    out: list[Order] = []
    for order in possible:
        if not any(np.array_equal(readings[order], readings[other], equal_nan=True) for other in out):
            out.append(order)
    return tuple(out)


def _by_known_date(stamps: Stamps, known: Sequence[dt.date], orders: Sequence[Order]) -> DateOrder | None:
    for date in known:
        fits = [order for order in orders if _first_date(stamps, order) == date]
        if len(fits) == 1:
            return DateOrder(fits[0], f"the file states {date.isoformat()} elsewhere")
    return None


def _first_date(stamps: Stamps, order: str) -> dt.date | None:
    days = dated(stamps, order)
    good = days[np.isfinite(days)]
    return dt.date(1970, 1, 1) + dt.timedelta(days=int(good[0])) if len(good) else None


def dated(stamps: Stamps, order: str) -> Floats:
    """Days since 1970-01-01 of every stamp with this reading of the open ones, NaN where there is no date."""
    out = np.empty(len(stamps.year))
    for start in range(0, len(out), ROWS_AT_ONCE):
        out[start : start + ROWS_AT_ONCE] = _dated(stamps, order, slice(start, start + ROWS_AT_ONCE))
    return out


def _dated(stamps: Stamps, order: str, rows: slice) -> Floats:
    first, second, is_open = stamps.first[rows], stamps.second[rows], stamps.open_order[rows]
    year = stamps.year[rows]
    day, month = (second, first) if order == "mdy" else (first, second)
    month = np.where(is_open, month, stamps.month[rows])
    day = np.where(is_open, day, stamps.day[rows])
    if order == "ymd":
        turned = stamps.year_open[rows]
        year, day = np.where(turned, full_year(first, 2), year), np.where(turned, year % 100, day)
    days = days_since_1970(year, month, day)
    return np.where((year > 0) & ~stamps.bad[rows] & (month >= 1) & (month <= 12), days, np.nan)


def _by_rising(stamps: Stamps, orders: Sequence[Order]) -> DateOrder | None:
    """The order in which the dates advance a day or so at a time, when only one does."""
    fits: list[Order] = []
    for order in orders:
        days = dated(stamps, order)
        days = days[np.isfinite(days)]
        span = float(days.max() - days.min()) if len(days) else 0.0
        if 0 < span <= 14:
            fits.append(order)
    return DateOrder(fits[0], f"the dates rise day by day only when read as {fits[0]}") if len(fits) == 1 else None


def _monotonic_note(stamps: Stamps, order: Order) -> str:
    other: Order = "mdy" if order == "dmy" else "dmy"
    rising = _by_rising(stamps, _TWO)
    if rising is not None and rising.order == order:
        return f", and time rises only when read as {order} (not {other})"
    return ""
