"""The year of a day-of-year time code, which carries none: stated by the user, the setup record or the file's name."""

from __future__ import annotations

import datetime as dt
import re

from ...shared.settings import InstrumentProfile
from ..text.preamble import date_in_name, year_of_day
from .setup_record import Setup

_MONTH_FIRST = re.compile(r"(?P<m>\d{1,2})[-/](?P<d>\d{1,2})[-/](?P<y>\d{4})")
_RECORDED = re.compile(r"R-\d+\\RI4\Z")


def find_year(
    day: int, *, leap: bool, name: str, setup: Setup, profile: InstrumentProfile | None
) -> tuple[int | None, str]:
    """The year and who says so; a date from elsewhere counts only when it is the same day of the year, or the next to it."""
    if profile is not None and profile.year is not None:
        return profile.year, "the user states the year"
    recorded = [v for k, v in setup.attributes.items() if _RECORDED.match(k)]
    candidates: list[tuple[dt.date | None, str]] = [
        (_date(text), "recording date in the setup record") for text in recorded
    ]
    candidates.append((_date(setup.attributes.get("G\\OD", "")), "date of the setup record"))
    candidates.append((date_in_name(name), "date in the file's name"))
    return year_of_day(day, candidates, leap=leap)


def _date(text: str) -> dt.date | None:
    """The date of 'MM-DD-YYYY...', the form the setup record's standard prescribes."""
    match = _MONTH_FIRST.match(text.strip())
    if not match:
        return None
    try:
        return dt.date(int(match["y"]), int(match["m"]), int(match["d"]))
    except ValueError:
        return None
