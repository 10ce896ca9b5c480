"""Times written as numbers: epoch stamps, spreadsheet days, GPS week and seconds, hhmmss, elapsed counts."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..raw import RawTime, TimeBasis
from ..timeline import unwrap_counter, usual_step
from .axis import DAY_S, Axis, Context, Floats, Reading, axis_of, keep_readable
from .civil import civil, elapsed, time_of_day
from .preamble import date_in_name
from .stamps import no_stamps
from .timecolumns import WEEK_S, Column, TimeColumns, words_of

GPS_ZERO_S = 315964800.0  # 1980-01-06 in seconds since 1970-01-01
DAY_AWAY_S = 1.5 * DAY_S  # from noon: the file's day in any zone
_ZERO = dt.date(1970, 1, 1)
SERIAL_DAY_ZERO = 25569  # day number of 1970-01-01 in the 1900 date system


def read_counts(found: TimeColumns, columns: Sequence[Column], context: Context) -> Axis:
    """The axis of a time written as numbers."""
    values = np.asarray(columns[found.positions[-1]], dtype=np.float64)
    week: Floats | None = None
    if found.kind == "gps_week":
        week = np.asarray(columns[found.positions[0]], dtype=np.float64)
        values = np.where(np.isfinite(week), values, np.nan)
    if found.kind == "serial_day" and len(found.positions) == 2:
        values = values + np.asarray(columns[found.positions[0]], dtype=np.float64)
    keep, counts = keep_readable(values, ~np.isfinite(values), blank=np.isnan(values), context=context)
    step = 10.0 ** -context.decimals[found.positions[-1]]
    reading = Reading(keep, step, found.positions, no_stamps(len(keep)))
    if found.kind == "epoch":
        return _epoch(counts, found, reading, context)
    if found.kind == "lost_epoch":
        return _lost(counts, found, reading, context)
    if found.kind == "unix_day":
        return _unix_day(counts, found, reading, context)
    if found.kind == "serial_day":
        return _serial_day(counts, found, reading, context)
    if found.kind == "clock_number":
        clock = np.floor(counts / 10000) * 3600 + np.floor(counts / 100) % 100 * 60 + counts % 100
        return time_of_day(clock, reading, context)
    if found.kind == "gps_seconds":
        return _gps_seconds(counts, found, reading, context)
    if week is not None:
        return _gps_week(week[keep], counts, found, reading, context)
    return _count(counts, found, reading, context)


def _scaled(counts: Floats, seconds: float) -> Floats:
    """Counts in seconds; a division by a whole number loses less than a product with its inverse."""
    return counts * seconds if seconds >= 1 else counts / round(1 / seconds)


def _epoch(counts: Floats, found: TimeColumns, reading: Reading, context: Context) -> Axis:
    scale = found.seconds or 1.0
    header = context.header(reading.positions)
    stated = set(words_of(header)) & {"ms", "us", "ns", "msec", "usec", "nsec", "millis", "micros", "nanos"}
    context.notes.decide("epoch_unit", found.unit, found.because)
    if not stated:
        text = f"stamps count {found.unit} since 1970-01-01: {found.because}"
        context.notes.find("EPOCH_UNIT_INFERRED", text, units=[found.unit])
    basis: TimeBasis = "gps" if set(words_of(header)) & {"gps", "gpst"} else "utc"
    seconds = _scaled(counts, scale)
    time = RawTime(basis, seconds, None, None, reading.resolution_s * scale, header, found.because)
    return axis_of(time, reading.keep)


def _lost(counts: Floats, found: TimeColumns, reading: Reading, context: Context) -> Axis:
    context.notes.find(
        "TIME_PRECISION_LOST",
        "the epoch stamps were rounded (as 1.93E+12) beyond use by a spreadsheet; give the original file",
        level="fault",
        question="the original file of the recorder",
    )
    numbers = np.arange(len(counts), dtype=np.float64)
    because = f"{found.because}; row numbers stand in for the time"
    time = RawTime("none", numbers, None, None, 0.0, context.header(reading.positions), because)
    return axis_of(time, reading.keep)


def _serial_day(counts: Floats, found: TimeColumns, reading: Reading, context: Context) -> Axis:
    resolution = reading.resolution_s * DAY_S
    seconds = (counts - SERIAL_DAY_ZERO) * DAY_S
    if resolution < 1e-3:
        seconds = np.round(seconds, 3)
    context.notes.find(
        "SERIAL_DAY_INFERRED",
        f"stamps are day numbers of a spreadsheet (1900 date system, {found.because}); resolution {resolution:.3g} s",
        resolution_s=resolution,
    )
    axis = civil(seconds, Reading(reading.keep, resolution, reading.positions, reading.clock), context)
    axis.time = replace(axis.time, day_numbers=True)
    return axis


def _unix_day(counts: Floats, found: TimeColumns, reading: Reading, context: Context) -> Axis:
    resolution = reading.resolution_s * DAY_S
    context.notes.find("EPOCH_UNIT_INFERRED", f"stamps count days since 1970-01-01: {found.because}", units=["day"])
    seconds = np.round(counts * DAY_S, 3) if resolution < 1e-3 else counts * DAY_S
    return civil(seconds, Reading(reading.keep, resolution, reading.positions, reading.clock), context)


def _gps_week(week: Floats, counts: Floats, found: TimeColumns, reading: Reading, context: Context) -> Axis:
    scale = found.seconds or 1.0
    seconds = GPS_ZERO_S + week * WEEK_S + _scaled(counts, scale)
    header = context.header(reading.positions)
    time = RawTime("gps", seconds, None, None, reading.resolution_s * scale, header, found.because)
    return axis_of(time, reading.keep)


def _gps_seconds(counts: Floats, found: TimeColumns, reading: Reading, context: Context) -> Axis:
    """Seconds of the week: on the GPS scale where the file states a day anywhere, else a count with an open start."""
    scale = found.seconds or 1.0
    seconds = _scaled(counts, scale)
    seconds = seconds + WEEK_S * np.concatenate(([0.0], np.cumsum(np.diff(seconds) < -WEEK_S / 2)))
    header = context.header(reading.positions)
    resolution = reading.resolution_s * scale
    facts = context.facts
    named = date_in_name(context.file)
    day = facts.start.date() if facts.start is not None else facts.date or named
    zero = week_start(day, float(seconds[0])) if day is not None else None
    if day is None or zero is None:
        return axis_of(RawTime("elapsed", seconds, None, None, resolution, header, found.because, True), reading.keep)
    context.notes.decide("date", day.isoformat(), "it tells which week the seconds are of")
    if facts.start is None and facts.date is None:
        text = f"the date {day.isoformat()} was taken from the file's name"
        context.notes.find("DATE_FROM_FILE_NAME", text, date=day.isoformat())
    time = RawTime(
        "gps", seconds + zero, None, None, resolution, header, f"{found.because}; recorded on {day.isoformat()}"
    )
    return axis_of(time, reading.keep)


def week_start(day: dt.date, first: float) -> float | None:
    """Seconds since 1970 on the GPS scale of the week in which second `first` falls on this day; None when in none."""
    noon = (day - _ZERO).days * DAY_S + DAY_S / 2
    zero = GPS_ZERO_S + round((noon - GPS_ZERO_S - first) / WEEK_S) * WEEK_S
    return zero if abs(zero + first - noon) <= DAY_AWAY_S else None


def _count(counts: Floats, found: TimeColumns, reading: Reading, context: Context) -> Axis:
    scale = found.seconds
    counts, findings = unwrap_counter(counts, context.line[reading.keep])
    context.notes.findings.extend(findings)
    if _is_of_the_day(counts, scale, reading, context):
        return time_of_day(_scaled(counts, scale or 1.0), reading, context)
    if scale is None and context.facts.step_s is not None and usual_step(counts) == 1.0:
        scale = context.facts.step_s
        context.notes.decide("time_step_s", scale, "row numbers, times the step the file states above the table")
    if scale is None:
        header = context.header(reading.positions)
        scale, because = _infer_scale(usual_step(counts))
        context.notes.find(
            "UNIT_INFERRED", f"the time count {header!r} states no unit: {because}", level="doubt", where=header
        )
    scaled = Reading(reading.keep, reading.resolution_s * scale, reading.positions, reading.clock)
    return elapsed(_scaled(counts, scale), scaled, context)


def _is_of_the_day(counts: Floats, scale: float | None, reading: Reading, context: Context) -> bool:
    """Seconds since midnight: the header says so, or says UTC and seconds of a count that stays below a day's."""
    words = context.words(reading.positions)
    said = bool(words & {"midnight", "sod"} or ("day" in words and words & {"of", "s", "sec", "secs", "seconds", "ms"}))
    return (said or (scale is not None and bool(words & {"utc", "gmt", "zulu"}))) and counts[-1] * (
        scale or 1.0
    ) < 2 * DAY_S


def _infer_scale(step: float) -> tuple[float, str]:
    """Seconds per count of a count without a unit, from what a recorder's step can be (0.002 to 15 s)."""
    for scale, unit in ((1.0, "seconds"), (1e-3, "milliseconds"), (1e-6, "microseconds"), (1e-9, "nanoseconds")):
        if 0.002 <= step * scale <= 15.0:
            return scale, f"steps of {step:g} are taken as {unit}"
    return 1.0, f"steps of {step:g} fit no usual recorder; taken as seconds"
