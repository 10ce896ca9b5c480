"""The time axis of a table whose time is written as stamps (text), and the way to the other kinds."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ..raw import RawTime
from ..timeline import mend_late_dates
from .axis import DAY_S, Axis, Context, Flags, Floats, Reading, axis_of, keep_readable
from .civil import ELAPSED_WORDS, civil, elapsed, time_of_day
from .counts import read_counts
from .dateorder import DateOrder, dated, find_order
from .dateparts import numbers_of, with_slashes
from .notes import lines_text
from .oddstamps import find_zero_stamps
from .preamble import date_in_name
from .stamps import Stamps, days_since_1970, full_year, no_stamps, read_stamps
from .timecolumns import Column, TimeColumns
from .yeardays import settle_days

_ORDER_WORDS = {"dmy": "day/month", "mdy": "month/day", "ymd": "year-month-day"}


def read_time(found: TimeColumns, columns: Sequence[Column], context: Context) -> Axis:
    """The time axis of the columns found. Raises ClockError when no row has a usable time."""
    context.notes.decide("time", found.kind, found.because)
    if found.kind in ("datetime", "date_time", "time"):
        return _read_stamped(found, columns, context)
    if found.kind == "minute_second":
        return _read_minute_second(found, columns, context)
    if found.kind == "parts":
        return _read_parts(found, columns, context)
    if found.kind == "day_time":
        return _read_day_time(found, columns, context)
    return read_counts(found, columns, context)


def _text(column: Column, digits: int = 8, decimals: int = 0) -> pa.Array:
    """A column as text; numbers as digits (20310314 with 8, 092640.5 with 6 and one decimal)."""
    if not isinstance(column, np.ndarray):
        return column
    width = digits + decimals + (1 if decimals else 0)
    return pa.array([f"{v:0{width}.{decimals}f}" if np.isfinite(v) else None for v in column], pa.string())


def _blank(column: Column) -> Flags:
    if isinstance(column, np.ndarray):
        return np.asarray(np.isnan(column))
    return np.asarray(column.is_null().to_numpy(zero_copy_only=False), dtype=np.bool_)


def _read_stamped(found: TimeColumns, columns: Sequence[Column], context: Context) -> Axis:
    last = found.positions[-1]
    clock = _read_clock(columns[last], context.decimals[last], found.seconds)
    written = [_text(with_slashes(columns[i])) for i in found.positions[:-1]]
    carried = _carried(written[0]) if written else None
    stamps = [read_stamps(column if carried is None else pc.fill_null_forward(column)) for column in written] + [clock]
    seconds = clock.second_of_day
    if carried is not None:
        seconds = seconds + _days_passed(seconds, carried, context)
    bad = clock.bad | np.isnan(seconds)
    if found.kind == "time" and context.words(found.positions) & ELAPSED_WORDS:
        bad &= ~clock.long
    dates = stamps[0] if found.kind != "time" else None
    order = DateOrder("dmy", "", inferred=False)
    if dates is not None:
        order = _settle_order(dates, context)
        seconds = dated(dates, order.reading) * DAY_S + seconds
        bad |= np.isnan(seconds)
    blank = _blank(columns[last])
    if dates is not None:
        first = columns[found.positions[0]]
        read = None if isinstance(first, np.ndarray) else ~dates.bad & (dates.year > 0)
        zero = find_zero_stamps(_text(first), dated=read)
        blank, bad = blank | zero, bad | zero
    keep, seconds = keep_readable(seconds, bad, blank=blank, context=context)
    leap = _is_second_60(columns[last], clock.second_of_day) & keep
    _report_24h(clock, keep & ~leap, context)
    resolution = 10.0**-clock.digits if clock.has_seconds else 60.0
    reading = Reading(keep, resolution, found.positions, clock)
    if dates is None:
        axis = time_of_day(seconds, reading, context)
    else:
        if found.kind == "date_time":
            seconds, findings = mend_late_dates(seconds, context.line[keep])
            context.notes.findings.extend(findings)
        axis = civil(seconds, reading, context)
        if order.order is None:
            axis = _keep_both_readings(axis, dates, order, context)
    axis.leap = leap[keep]
    return axis


def _read_clock(column: Column, decimals: int, scale: float | None) -> Stamps:
    """Times of day; numbers below one are parts of a day, others digits hhmmss, or counts of `scale` seconds."""
    if not isinstance(column, np.ndarray) or (scale is None and not np.nanmax(column, initial=0.0) < 1):
        return read_stamps(_text(column, 6, decimals))
    clock = no_stamps(len(column))
    clock.second_of_day[:] = np.round(column * DAY_S, 3) if scale is None else column * scale
    clock.bad[:] = np.isnan(column)
    clock.digits = 3 if scale is None else decimals  # a double tells a day number to microseconds
    return clock


def _carried(dates: pa.Array) -> Flags | None:
    """Rows whose date stands in a row above, (n,), where the recorder writes it only when it changes; else None."""
    known = np.asarray(pc.is_valid(dates).to_numpy(zero_copy_only=False), dtype=np.bool_)
    blank = ~known
    blank[: int(np.argmax(known))] = False
    return blank if blank.mean() > 0.5 else None


def _days_passed(seconds: Floats, carried: Flags, context: Context) -> Floats:
    """Seconds of the days since the row whose date is carried on, (n,): a clock that falls by half a day passed midnight."""
    later = np.concatenate(([0], np.cumsum(np.diff(seconds) < -DAY_S / 2)))
    since = np.maximum.accumulate(np.where(carried, 0, np.arange(len(seconds))))
    text = "the date stands in few rows; the rows below have the same date, counted on past midnight"
    context.notes.find("DATE_MISSING", text, count=int(carried.sum()))
    return np.asarray((later - later[since]) * DAY_S)


def _is_second_60(column: Column, second: Floats) -> Flags:
    """True for stamps whose second is 60 (a leap second); only whole minutes are looked at as text."""
    minute = np.floor(second) % 60 == 0
    if isinstance(column, np.ndarray) or not minute.any():
        return np.zeros(len(second), np.bool_)
    some = column.filter(pa.array(minute)).fill_null("")
    hits = pc.match_substring_regex(some, r":\d\d:60(?:[^\d]|$)")
    minute[minute] = hits.to_numpy(zero_copy_only=False)
    return np.asarray(minute, dtype=np.bool_)


def _report_24h(clock: Stamps, rows: Flags, context: Context) -> None:
    late = context.line[rows & (clock.second_of_day >= DAY_S)]
    if len(late):
        text = "24:00:00 was read as 00:00:00 of the next day"
        context.notes.find("TIME_24H", text, where=lines_text(late), count=len(late))


def _settle_order(dates: Stamps, context: Context) -> DateOrder:
    stated = context.profile.date_order if context.profile else None
    known = [d for d in (context.facts.date, date_in_name(context.file)) if d is not None]
    order = find_order(dates, context.line, stated=stated, known=known)
    if dates.open_order.any():
        context.notes.decide("date_order", order.order, order.because)
    if order.order is not None and order.inferred:
        context.notes.find(
            "DATE_ORDER_INFERRED",
            f"dates are {_ORDER_WORDS[order.order]}: {order.because}",
            order=order.order,
            evidence=order.because,
        )
    return order


def _keep_both_readings(axis: Axis, dates: Stamps, order: DateOrder, context: Context) -> Axis:
    """Basis 'none' with the possible readings said: the seconds are those of the first, each says how to shift them."""
    base = float(dated(dates, order.reading)[axis.keep][0])
    readings = []
    for reading in order.possible:
        shift = (float(dated(dates, reading)[axis.keep][0]) - base) * DAY_S
        first, last = (_civil_text(axis.time.seconds[k] + shift) for k in (0, -1))
        readings.append({"order": reading, "first": first, "last": last, "shift_s": shift})
    said = " and ".join(
        f"{str(one['first'])[:10]} when read {_ORDER_WORDS[reading]}"
        for reading, one in reversed(list(zip(order.possible, readings, strict=True)))
    )
    context.notes.find(
        "DATE_ORDER_AMBIGUOUS",
        f"the date order is not known: the first row is {said}; state date_order for this recorder",
        level="fault",
        readings=readings,
        basis=axis.time.basis,
        zone_s=axis.time.zone_s,
        question=f"date order ({' or '.join(order.possible)}) of this recorder",
    )
    axis.time = replace(axis.time, basis="none", evidence=f"{axis.time.evidence}; {order.because}")
    return axis


def _civil_text(seconds: float) -> str:
    return (dt.datetime(1970, 1, 1) + dt.timedelta(seconds=round(float(seconds), 6))).isoformat()


def _read_day_time(found: TimeColumns, columns: Sequence[Column], context: Context) -> Axis:
    column = columns[found.positions[0]]
    stamps = read_stamps(_text(column))
    bad = stamps.bad | np.isnan(stamps.second_of_day) | (stamps.day_of_year < 1)
    keep, seconds = keep_readable(stamps.second_of_day, bad, blank=_blank(column), context=context)
    reading = Reading(keep, 10.0**-stamps.digits, found.positions, stamps)
    return settle_days(stamps, reading, seconds, context)


def _read_minute_second(found: TimeColumns, columns: Sequence[Column], context: Context) -> Axis:
    """Stamps mm:ss.f: an elapsed count when they begin at zero, else a time whose hours a spreadsheet cut off."""
    column = columns[found.positions[0]]
    stamps = read_stamps(_text(column))
    bad = stamps.bad | np.isnan(stamps.second_of_day)
    keep, seconds = keep_readable(stamps.second_of_day, bad, blank=_blank(column), context=context)
    reading = Reading(keep, 10.0**-stamps.digits, found.positions, stamps)
    hours = np.cumsum(np.concatenate(([0], np.diff(seconds) < -1800.0)))
    seconds = seconds + hours * 3600.0
    if context.words(found.positions) & ELAPSED_WORDS or seconds[0] < 1.0:
        return elapsed(seconds, reading, context)
    context.notes.find(
        "SPREADSHEET_TIME_LOST",
        "the stamps show minutes and seconds only (mm:ss.f): a spreadsheet cut off the hours; give the original file",
        level="fault",
        question="the original file of the recorder, or the hour of the first row",
    )
    header = context.header(found.positions)
    time = RawTime("none", seconds, None, None, reading.resolution_s, header, "the hours of the stamps are lost")
    return axis_of(time, keep)


def _read_parts(found: TimeColumns, columns: Sequence[Column], context: Context) -> Axis:
    """The axis of moments in parts."""
    part = {
        k: numbers
        for k, i in zip(found.unit, found.positions, strict=True)
        if (numbers := numbers_of(columns[i])) is not None
    }
    seconds: Floats = part["H"] * 3600.0 + part["M"] * 60.0 + part["S"]
    step = 10.0 ** -context.decimals[found.positions[found.unit.index("S")]]
    if "f" in part:
        seconds, step = seconds + part["f"] / 1000.0, 1e-3
    if "y" in part:
        year, month, day = (np.nan_to_num(part[k]).astype(np.int64) for k in "ymd")
        seconds = seconds + days_since_1970(np.where(year < 100, full_year(year, 2), year), month, day) * DAY_S
    bad = np.isnan(seconds)
    keep, seconds = keep_readable(seconds, bad, blank=bad, context=context)
    reading = Reading(keep, step, found.positions, no_stamps(len(keep)))
    return civil(seconds, reading, context) if "y" in part else time_of_day(seconds, reading, context)
