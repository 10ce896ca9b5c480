"""Stamps that count the days of a year ('126:13:42:26.672'), as range time codes are written out."""

from __future__ import annotations

import datetime as dt
import re

import numpy as np

from ..raw import RawTime
from .axis import DAY_S, Axis, Context, Floats, Reading, axis_of
from .civil import civil
from .preamble import date_in_name, year_of_day
from .stamps import Small, Stamps

_ZERO = dt.date(1970, 1, 1)
_YEAR_IN_NAME = re.compile(r"(?<!\d)((?:19[789]|20)\d{2})(?!\d)")


def settle_days(stamps: Stamps, reading: Reading, seconds: Floats, context: Context) -> Axis:
    """The axis of stamps of days and times; seconds: of the day, (n,) kept rows. Without a year: times of day and a question."""
    days = stamps.day_of_year[reading.keep].astype(np.float64)
    years = stamps.year[reading.keep]
    if (years > 0).all():
        return civil(seconds + (_new_year(years) + days - 1) * DAY_S, reading, context)
    days = days + 366.0 * np.cumsum(np.concatenate(([0.0], np.diff(days) < -180.0)))  # past New Year's midnight
    year, because = _find_year(int(days[0]), context)
    if year is None:
        return _without_year(seconds + (days - days[0]) * DAY_S, int(days[0]), reading, context)
    context.notes.decide("year", year, because)
    length = (dt.date(year + 1, 1, 1) - dt.date(year, 1, 1)).days
    days = np.where(days > 366.0, days - 366.0 + length, days)
    first = (dt.date(year, 1, 1) - _ZERO).days
    return civil(seconds + (first + days - 1) * DAY_S, reading, context)


def _new_year(years: Small) -> Floats:
    days = (years.astype(np.int64) - 1970).astype("datetime64[Y]").astype("datetime64[D]")
    return np.asarray(days.astype(np.int64), dtype=np.float64)


def _find_year(day: int, context: Context) -> tuple[int | None, str]:
    """The year and who says so; a date from elsewhere counts only when it is this day of its year or the next to it."""
    if context.profile is not None and context.profile.year is not None:
        return context.profile.year, "stated by the user"
    facts = context.facts
    stated = facts.start.date() if facts.start is not None else facts.date
    dates = ((stated, facts.evidence.strip("; ")), (date_in_name(context.file), "the date in the file's name"))
    year, who = year_of_day(day, dates)
    if year is not None:
        return year, who
    named = _YEAR_IN_NAME.search(context.file.rsplit("/", 1)[-1])
    if named is None:
        return None, ""
    year = int(named[1])
    context.notes.find("DATE_FROM_FILE_NAME", f"the year {year} was taken from the file's name", year=year)
    return year, "the year in the file's name"


def _without_year(seconds: Floats, day: int, reading: Reading, context: Context) -> Axis:
    text = f"the stamps hold day {day} of the year and no year"
    question = f"in which year was {context.file} recorded?"
    context.notes.find("DATE_MISSING", text, level="doubt", question=question, day_of_year=day)
    header = context.header(reading.positions)
    return axis_of(RawTime("time_of_day", seconds, None, None, reading.resolution_s, header, text), reading.keep)
