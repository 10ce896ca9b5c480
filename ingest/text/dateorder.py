"""Day before month or month before day: decided once per file from evidence, never per row."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .stamps import ROWS_AT_ONCE, Floats, Stamps, days_since_1970

Order = Literal["dmy", "mdy"]


@dataclass(frozen=True)
class DateOrder:
    """The decision and its evidence; order None: both readings are possible. inferred: not stated by anybody."""

    order: Order | None
    because: str
    inferred: bool = True


def find_order(stamps: Stamps, line: NDArray[np.int64], *, stated: str | None, known: Sequence[dt.date]) -> DateOrder:
    """The order of the two short date fields.

    Evidence, strongest first: what the user said (`stated`), any field above 12, dates that rise
    from row to row in one order only, dots as separators, a date known from elsewhere (`known`).
    """
    rows = np.flatnonzero(stamps.open_order & ~stamps.bad)
    if not len(rows):
        return DateOrder("dmy", "no date with an open order", inferred=False)
    if stated in ("dmy", "mdy"):
        return DateOrder("dmy" if stated == "dmy" else "mdy", "stated by the user", inferred=False)
    first, second = stamps.first[rows], stamps.second[rows]
    day_first, month_first = first > 12, second > 12
    if day_first.any() or month_first.any():
        order: Order = "dmy" if day_first.sum() >= month_first.sum() else "mdy"
        at = rows[np.argmax(day_first if order == "dmy" else month_first)]
        text = f"{stamps.first[at]:02d}/{stamps.second[at]:02d} in line {line[at]} has a field above 12"
        usual = stamps.separators == {"."} and order == "dmy"  # what dots say anyway: nothing to report
        return DateOrder(order, text + _monotonic_note(stamps, order), inferred=not usual)
    if bool((first == second).all()):
        return DateOrder("dmy", "day and month are equal in every row", inferred=False)
    by_rise = _by_rising(stamps)
    if by_rise is not None:
        return DateOrder(by_rise, f"the dates rise day by day only when read as {by_rise}")
    if stamps.separators == {"."}:
        return DateOrder("dmy", "dots between the fields: day before month")
    return _by_known_date(stamps, known)


def _by_known_date(stamps: Stamps, known: Sequence[dt.date]) -> DateOrder:
    for date in known:
        fits = [order for order in ("dmy", "mdy") if _first_date(stamps, order) == date]
        if len(fits) == 1:
            return DateOrder("dmy" if fits[0] == "dmy" else "mdy", f"the file states {date.isoformat()} elsewhere")
    return DateOrder(None, "no field above 12 and no other date in the file")


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
    day, month = (first, second) if order == "dmy" else (second, first)
    month = np.where(is_open, month, stamps.month[rows])
    day = np.where(is_open, day, stamps.day[rows])
    days = days_since_1970(stamps.year[rows], month, day)
    return np.where((stamps.year[rows] > 0) & ~stamps.bad[rows] & (month <= 12), days, np.nan)


def _by_rising(stamps: Stamps) -> Order | None:
    """The order in which the dates advance a day or so at a time, when only one does."""
    fits: list[Order] = []
    orders: tuple[Order, Order] = ("dmy", "mdy")
    for order in orders:
        days = dated(stamps, order)
        days = days[np.isfinite(days)]
        span = float(days.max() - days.min()) if len(days) else 0.0
        if 0 < span <= 14:
            fits.append(order)
    return fits[0] if len(fits) == 1 else None


def _monotonic_note(stamps: Stamps, order: Order) -> str:
    other: Order = "mdy" if order == "dmy" else "dmy"
    if _by_rising(stamps) == order:
        return f", and time rises only when read as {order} (not {other})"
    return ""
