"""Text stamps to numbers: dates, times of day and zones, whole columns at once.

Every stamp is reduced to its shape (digits replaced by '9', all else kept); a column has a handful
of shapes, each is understood once, and the digits are then read from fixed places with numpy.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, fields
from functools import lru_cache
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from .zonewords import ZONE_WORDS_S

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Small = NDArray[np.int32]  # parts of a date: millions of stamps are held at once
Flags = NDArray[np.bool_]
Rows = Integers | slice

MOST_SHAPES = 200
ROWS_AT_ONCE = 1 << 19  # a column of millions of stamps is read in pieces
WIDEST = 64
MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "jan|january|januar|janvier|enero",
            "feb|february|februar|fev|fevrier|febrero",
            "mar|march|mrz|maerz|mars|marzo",
            "apr|april|avr|avril|abril",
            "may|mai|mayo",
            "jun|june|juni|juin|junio",
            "jul|july|juli|juillet|julio",
            "aug|august|aout|agosto",
            "sep|sept|september|septembre|septiembre",
            "oct|october|okt|oktober|octobre|octubre",
            "nov|november|novembre|noviembre",
            "dec|december|dez|dezember|decembre|diciembre",
        ),
        1,
    )
    for name in names.split("|")
}
_WEEKDAYS = frozenset(("mo", "tu", "we", "th", "fr", "sa", "su", "di", "mi", "do", "so", "lu", "ma", "me", "je", "ve"))
_DATE = (
    r"(?:(?P<y>9999)(?P<dash>[-/.])(?P<m>99?)(?P=dash)(?P<d>99?)"
    r"|(?P<a>99?)(?P<sep>[-/.])(?P<b>99?)(?P=sep)(?P<c>9999|99)"
    r"|(?P<d2>99?)[-/ .]+(?P<mon2>[A-Za-z]{3,9})\.?[-/ .,]+(?P<y2>9999|99)"
    r"|(?P<mon3>[A-Za-z]{3,9})\.? (?P<d3>99?),? (?P<y3>9999)"
    r"|(?P<wy>9999)-?W(?P<ww>99)-?(?P<wd>9)"
    r"|(?P<ymd>99999999))"
)
_TIME = (
    r"(?:(?P<H>99?)[:h](?P<M>99)[:m](?P<S>99)(?:[.,:](?P<f>9+))?s?"
    r"|(?P<MS_M>99?):(?P<MS_S>99)[.,](?P<MS_f>9+)"
    r"|(?P<H2>99?):(?P<M2>99)"
    r"|(?P<hms>999999)(?:[.,](?P<f2>9+))?)(?:\s*(?P<ap>[AaPp])\.?[Mm]\.?)?"
)
_ZONE = r"(?:\s*(?:(?P<utc>Z|z|UTC|GMT)?(?:(?P<zs>[+-])(?P<zh>99?)(?::?(?P<zm>99))?)?)(?:\s*(?P<word>[A-Za-z]{2,5}|[A-Z][A-Za-z]+/[A-Za-z_/]+))?)"
_WEEKDAY = r"(?:(?P<weekday>[A-Za-z]{2,9})[.,]{0,2} +)?"
_DOTTED = r"(?P<H3>99?)\.(?P<M3>99)\.(?P<S3>99)"  # '10.00.05', behind a date only
_SHAPE = re.compile(rf"^\[?(?:{_WEEKDAY}{_DATE}(?:(?:T|[ _,/-]+)(?:{_DOTTED}|{_TIME}){_ZONE})?)\]?$")
_SHAPE_LAST = re.compile(rf"^\[?{_TIME}{_ZONE}[ ,]+{_WEEKDAY}{_DATE}\]?$")  # '10:00:05 14/04/2031'
# 'Tue Apr 01 10:00:00 2031', as the C library's asctime writes it (ISO/IEC 9899, 7.27.3.1)
_SHAPE_C = re.compile(rf"^{_WEEKDAY}(?P<mon3>[A-Za-z]{{3}}) +(?P<d3>99?) {_TIME}{_ZONE} (?P<y3>9999)$")
# day of the year, as time codes count it: '126:13:42:26.672', '2025:126:13:42:26', '2025-126T13:42:26' (ISO 8601 ordinal)
_SHAPE_DAY = re.compile(rf"^(?:(?P<year>9999)[-:/ ])?(?P<day_of_year>999)[T: /]{_TIME}{_ZONE}$")
_PLAIN_NUMBER = re.compile(r"[+-]?(?:\d{0,5}|\d{7}|\d{9,})(?:[.,]\d*)?")  # six digits may be a time, eight a date
_SHAPE_TIME = re.compile(rf"^(?:T\+)?{_TIME}{_ZONE}$")  # 'T+00:00:05' counts from a start


@dataclass
class Stamps:
    """A column of stamps as fields; arrays have shape (n,), NaN or 0 where the stamp has no such part.

    day_of_year: counted from 1, 0 where the stamp has none; such a stamp has its year or 0, and no month and day.
    first, second: the two short date fields where their order is open (dd/mm or mm/dd), else month
    and day stand in `month`, `day`. year_open: three fields of two digits with hyphens, of which the first may be
    the year as well; `year` is then the last field's. second_of_day in seconds (60 s and 24 h as written).
    """

    year: Small
    month: Small
    day: Small
    day_of_year: Small
    first: Small
    second: Small
    open_order: Flags
    second_of_day: Floats
    zone_s: Floats
    bad: Flags
    long: Flags  # hours beyond a day's: bad for a clock, good for a count
    minute_second: Flags  # 'mm:ss.f': the hours are not there
    year_open: Flags
    digits: int = 0  # of the fraction of a second
    separators: set[str] = field(default_factory=set)
    words: set[str] = field(default_factory=set)
    has_seconds: bool = True

    @property
    def has_date(self) -> bool:
        """True when the readable stamps carry a date."""
        good = ~self.bad
        return bool(good.any() and ((self.year[good] > 0).mean() > 0.5))

    @property
    def has_time(self) -> bool:
        """True when the readable stamps carry a time of day."""
        good = ~self.bad
        return bool(good.any() and (np.isfinite(self.second_of_day[good]).mean() > 0.5))


def stamp_kind(text: str) -> str | None:
    """'datetime', 'date', 'time', 'day_time', 'minute_second' or None for one piece of text."""
    text = text.strip()
    if _PLAIN_NUMBER.fullmatch(text):
        return None  # cheap first: most fields of a log
    match = _match_shape(re.sub(r"\d", "9", text)) if len(text) <= WIDEST else None
    if match is None:
        return None
    part = match.groupdict()
    if part.get("day_of_year"):
        return "day_time" if part.get("H") else None
    if part.get("MS_M") and not _has_date(part):
        return "minute_second"
    time = any(part.get(k) for k in ("H", "H2", "H3", "hms", "MS_M"))
    return ("datetime" if time else "date") if _has_date(part) else "time"


def _has_date(part: dict[str, Any]) -> bool:
    return any(part.get(k) for k in ("y", "a", "d2", "d3", "wy", "ymd"))


@lru_cache(maxsize=4096)
def _match_shape(shape: str) -> re.Match[str] | None:
    patterns = (_SHAPE, _SHAPE_TIME, _SHAPE_DAY, _SHAPE_C, _SHAPE_LAST)
    match = next((found for pattern in patterns if (found := pattern.match(shape))), None)
    if match is None:
        return None
    part = match.groupdict()
    if part.get("weekday") and part["weekday"].lower()[:2] not in _WEEKDAYS:
        return None
    month = part.get("mon2") or part.get("mon3")
    return None if month and month.lower() not in MONTHS else match


def no_stamps(n: int) -> Stamps:
    """Stamps of n rows that say nothing."""
    year, month, day, day_of_year, first, second = (np.zeros(n, np.int32) for _ in range(6))
    none, empty = np.zeros(n, np.bool_), np.full(n, np.nan)
    return Stamps(
        year,
        month,
        day,
        day_of_year,
        first,
        second,
        none,
        empty,
        empty.copy(),
        ~none,
        none.copy(),
        none.copy(),
        none.copy(),
    )


def read_stamps(column: pa.Array) -> Stamps:
    """Every stamp of a text column; what cannot be read is flagged in `bad`."""
    out = no_stamps(len(column))
    names = [one.name for one in fields(Stamps) if isinstance(getattr(out, one.name), np.ndarray)]
    for first in range(0, len(column), ROWS_AT_ONCE):
        rows = slice(first, first + ROWS_AT_ONCE)
        part = Stamps(**{name: getattr(out, name)[rows] for name in names}, separators=out.separators, words=out.words)
        _read_block(column.slice(first, ROWS_AT_ONCE), part)
        out.digits, out.has_seconds = max(out.digits, part.digits), out.has_seconds and part.has_seconds
    return out


def _read_block(column: pa.Array, out: Stamps) -> None:
    """Fill the stamps of these rows in."""
    matrix = _matrix(column)
    n = len(matrix)
    shapes = np.where((matrix - np.uint8(48)) <= 9, np.uint8(57), matrix)  # bytes below '0' wrap round
    left = np.arange(n)
    if n and (shapes == shapes[0]).all():  # the usual case
        left = left[:0]
        _read_rows(matrix, shapes[0], slice(None), out)
    for _ in range(MOST_SHAPES):
        if not len(left):
            break
        same = (shapes[left] == shapes[left[0]]).all(axis=1)
        rows, left = left[same], left[~same]
        _read_rows(matrix, shapes[rows[0]], rows, out)
    _refuse_impossible(out)


def _read_rows(matrix: NDArray[np.uint8], shape: NDArray[np.uint8], rows: Rows, out: Stamps) -> None:
    """Fill in the stamps of rows of one shape, where it is one of a stamp."""
    match = _match_shape(shape.tobytes().rstrip(b"\0").decode("utf-8", errors="replace"))
    if match is not None:
        _read_shape(matrix[rows], rows, match, out)


def _matrix(column: pa.Array) -> NDArray[np.uint8]:
    """Text as bytes of shape (n, widest), zero-filled; longer stamps than 64 bytes are cut (and then refused)."""
    column = column.fill_null("")
    n = len(column)
    _, offsets, data = column.buffers()
    at = np.frombuffer(offsets, np.int32)[column.offset : column.offset + n + 1].astype(np.int64)
    raw = np.frombuffer(data, np.uint8) if data is not None else np.empty(0, np.uint8)
    if n == 0 or at[-1] == at[0]:
        return np.zeros((n, 1), np.uint8)
    length = np.minimum(np.diff(at), WIDEST)
    width = max(1, int(length.max()))
    if (np.diff(at) == width).all():
        return raw[at[0] : at[-1]].reshape(n, width)
    place = np.arange(width)
    inside = place < length[:, None]
    index = np.where(inside, at[:-1, None] + place, 0)
    return np.where(inside, raw[index], np.uint8(0)).astype(np.uint8)


def _number(matrix: NDArray[np.uint8], span: tuple[int, int]) -> Integers:
    value = np.zeros(len(matrix), np.int64)
    for k in range(*span):
        value *= 10
        value += matrix[:, k]
        value -= 48
    return value


def _read_shape(matrix: NDArray[np.uint8], rows: Rows, match: re.Match[str], out: Stamps) -> None:
    """matrix: of these rows only."""
    part = match.groupdict()

    def value(name: str) -> Integers:
        return _number(matrix, match.span(name))

    out.bad[rows] = False
    if part.get("day_of_year"):
        out.day_of_year[rows] = value("day_of_year")
        out.year[rows] = value("year") if part.get("year") else 0
    elif part.get("y"):
        out.year[rows], out.month[rows], out.day[rows] = value("y"), value("m"), value("d")
    elif part.get("a"):
        _read_short(value("a"), value("b"), value("c"), rows=rows, part=part, out=out)
        out.separators.add(part["sep"])
    elif part.get("d2"):
        out.year[rows] = full_year(value("y2"), len(part["y2"]))
        out.month[rows], out.day[rows] = MONTHS[part["mon2"].lower()], value("d2")
    elif part.get("d3"):
        out.year[rows], out.month[rows], out.day[rows] = value("y3"), MONTHS[part["mon3"].lower()], value("d3")
    elif part.get("wy"):
        _read_week(value("wy"), value("ww"), value("wd"), rows, out)
    elif part.get("ymd"):
        number = value("ymd")
        out.year[rows], out.month[rows], out.day[rows] = number // 10000, number // 100 % 100, number % 100
    _read_time(part, value, rows, out)
    _read_zone(part, value, rows, out)


def _read_short(a: Integers, b: Integers, c: Integers, *, rows: Rows, part: dict[str, Any], out: Stamps) -> None:
    """Three short fields: the year stands last, or first where no row can be a day and a month of it ('31/04/14').

    With hyphens any of them may have the year first (ISO 8601:1988 allowed YY-MM-DD): that is left open.
    """
    digits, hyphens = len(part["c"]), part["sep"] == "-"
    year = full_year(c, digits)
    if (
        digits == 2
        and not hyphens
        and len(a)
        and np.isnan(_days(year, b, a)).all()
        and np.isnan(_days(year, a, b)).all()
    ):
        first = full_year(a, 2)
        if not np.isnan(_days(first, b, c)).any():
            out.year[rows], out.month[rows], out.day[rows] = first, b, c
            return
    out.year[rows], out.first[rows], out.second[rows] = year, a, b
    out.open_order[rows] = True
    out.year_open[rows] = digits == 2 and hyphens and len(part["a"]) == 2 and len(part["b"]) == 2


def _days(year: Integers | Small, month: Integers | Small, day: Integers | Small) -> Floats:
    return np.where((month >= 1) & (month <= 12), days_since_1970(year, month, day), np.nan)


def _read_week(year: Integers, week: Integers, day: Integers, rows: Integers | slice, out: Stamps) -> None:
    """Dates of ISO 8601 weeks: week 1 is the one with 4 January, day 1 is Monday."""
    fourth = days_since_1970(year, np.full_like(year, 1), np.full_like(year, 4))
    monday = fourth - (fourth + 3) % 7  # 1970-01-01 was a Thursday
    date = (monday + (week - 1) * 7 + day - 1).astype("datetime64[D]")
    month = date.astype("datetime64[M]")
    out.year[rows] = month.astype("datetime64[Y]").astype(np.int64) + 1970
    out.month[rows] = month.astype(np.int64) % 12 + 1
    out.day[rows] = (date - month.astype("datetime64[D]")).astype(np.int64) + 1
    out.bad[rows] |= (week < 1) | (week > 53) | (day < 1) | (day > 7)


def full_year(year: Integers | Small, digits: int) -> Integers | Small:
    """Years of two digits as 1970 to 2069; years of four as they are."""
    return year if digits == 4 else np.where(year < 70, 2000 + year, 1900 + year)


def _read_time(part: dict[str, Any], value: Any, rows: Rows, out: Stamps) -> None:
    fraction = part.get("f") or part.get("f2") or part.get("MS_f")
    if part.get("H"):
        hour, minute, second = value("H"), value("M"), value("S")
        name = "f"
    elif part.get("H3"):
        hour, minute, second = value("H3"), value("M3"), value("S3")
        name = ""
    elif part.get("H2"):
        hour, minute = value("H2"), value("M2")
        second = np.zeros(len(hour), np.int64)
        out.has_seconds = False
        name = ""
    elif part.get("hms"):
        number = value("hms")
        hour, minute, second = number // 10000, number // 100 % 100, number % 100
        name = "f2"
    elif part.get("MS_M"):
        minute, second = value("MS_M"), value("MS_S")
        hour = np.zeros(len(minute), np.int64)
        out.minute_second[rows] = True
        name = "MS_f"
    else:
        return
    if part.get("ap"):
        late = part["ap"].lower() == "p"
        hour = np.where(hour == 12, 0, hour) + (12 if late else 0)
    wrong = (hour > 24) | (minute > 59) | (second > 60) | ((hour == 24) & ((minute > 0) | (second > 0)))
    total = hour * 3600.0 + minute * 60.0 + second
    if fraction:
        out.digits = max(out.digits, len(fraction))
        total = total + value(name) / 10.0 ** len(fraction)
    out.second_of_day[rows] = total
    out.bad[rows] |= wrong
    out.long[rows] = wrong & (hour >= 24) & (minute <= 59) & (second <= 60)


def _read_zone(part: dict[str, Any], value: Any, rows: Rows, out: Stamps) -> None:
    if part.get("zs"):
        minutes = value("zm") if part.get("zm") else 0
        out.zone_s[rows] = (value("zh") * 3600.0 + minutes * 60.0) * (-1.0 if part["zs"] == "-" else 1.0)
    elif part.get("utc"):
        out.zone_s[rows] = 0.0
    if part.get("word") and part["word"].lower() in ZONE_WORDS_S:
        out.zone_s[rows] = ZONE_WORDS_S[part["word"].lower()]
    elif part.get("word"):
        out.words.add(part["word"] if "/" in part["word"] else part["word"].lower())


def _refuse_impossible(out: Stamps) -> None:
    dated = (out.year > 0) & ~out.open_order & (out.day_of_year == 0)
    wrong = dated & ((out.month < 1) | (out.month > 12) | (out.day < 1) | (out.day > 31))
    two = out.open_order & ~out.year_open
    both = two & ((np.maximum(out.first, out.second) > 31) | (np.minimum(out.first, out.second) < 1))
    low = two & (np.minimum(out.first, out.second) > 12)
    out.bad |= wrong | both | low | (out.day_of_year > 366)
    out.bad |= out.year_open & (np.minimum(out.first, out.second) > 12)  # no field left for the month


def days_since_1970(year: Integers | Small, month: Integers | Small, day: Integers | Small) -> Floats:
    """Days of the proleptic Gregorian calendar since 1970-01-01; NaN for a day the month does not have."""
    if len(year) > 1 and all((part == part[0]).all() for part in (year, month, day)):
        return np.full(len(year), days_since_1970(year[:1], month[:1], day[:1])[0])
    year = year.astype(np.int64)
    month = np.where((month >= 1) & (month <= 12), month, 1)
    months = (year - 1970) * 12 + (month - 1)
    first = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    after = (months + 1).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    days = (first + day - 1).astype(np.float64)
    return np.where((day < 1) | (days >= after), np.nan, days)
