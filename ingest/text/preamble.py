"""What the lines before the table say: facts kept as metadata; a date, a start and a zone where they stand in words."""

from __future__ import annotations

import calendar
import datetime as dt
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from .stamps import MONTHS
from .tokens import split_line

_CLOCK = r"(?P<H>\d{1,2}):(?P<M>\d{2})(?::(?P<S>\d{2})(?:[.,](?P<f>\d+))?)?"
_YMD = r"(?P<y>\d{4})[-/.](?P<m>\d{1,2})[-/.](?P<d>\d{1,2})"
_XXY = r"(?P<a>\d{1,2})(?P<sep>[-/.])(?P<b>\d{1,2})(?P=sep)(?P<c>\d{4})"
_DATE = re.compile(rf"(?<!\d)(?:{_YMD}|{_XXY})(?!\d)(?:[T ,;]+(?:at )?{_CLOCK})?\s*(?P<z>Z\b|[+-]\d{{2}}:?\d{{2}}\b)?")
_WORDS = re.compile(
    r"(?<![\w.])(?:(?P<d>\d{1,2})(?:\.|st|nd|rd|th)?[ -]+(?P<mon>[A-Za-z]{3,9})[.,]?[ -]+(?P<year>\d{4})"
    r"|(?P<mon2>[A-Za-z]{3,9})\.? +(?P<d2>\d{1,2})(?:st|nd|rd|th)?,? +(?P<year2>\d{4}))(?!\d)"
)
_TIME = re.compile(rf"(?<![\d:]){_CLOCK}(?![\d:])")
_ZONE = re.compile(
    r"(?i)\b(?:UTC|GMT)\s*(?P<s>[+-])\s*(?P<h>\d{1,2})(?::?(?P<m>\d{2}))?\b"
    r"|\b(?:zone|tz|timezone|offset)\b[\s:=,]*(?P<s2>[+-])\s*(?P<h2>\d{1,2})(?::?(?P<m2>\d{2}))?(?:\s*h(?:ours?)?)?\b"
)
_UTC = re.compile(r"(?i)\b(?:utc|gmt|zulu)\b(?!\s*[+-]\s*\d)")
_IANA = re.compile(
    r"\b(?:Africa|America|Antarctica|Asia|Atlantic|Australia|Europe|Indian|Pacific|Etc)/[A-Za-z_+\-/0-9]+"
)
_LOCAL = re.compile(r"(?i)\b(?:local|lt|lcl|ortszeit)\b")
_RATE = re.compile(
    r"(?i)\b(?:sampl\w*|scan|acquisition|record\w*|logg?ing|data|update)[ _-]*(?:rate|freq\w*|interval|period|time|step)\b"
    r"[^\d\n]{0,20}(?P<v>\d+(?:[.,]\d+)?)\s*(?P<u>hz|1/s|sps|samples/s|ms|msec|s|sec|seconds)\b"
)
_START_WORDS = re.compile(r"(?i)start|begin|began|power|boot|record|session|log|open|creat|date|datum|time")
_BEGIN = re.compile(r"(?i)\b(?:start\w*|began|begin\w*|power[ -]?on|boot\w*|t0)\b")
_OTHER_DATE = re.compile(
    r"(?i)\b(?:built|build|firmware|fw|software|calib\w*|cal|due|expir\w*|valid|revision|rev|install\w*)\b"
)


@dataclass
class Facts:
    """Dates, starts and zones in free text.

    date: a plain date (year, first, second, separator where the order is open); start: civil start;
    start_zone_s: its own offset; zone_s: stated offset from UTC; iana: a zone by name; local: the
    text says the times are local; step_s: the stated time from row to row.
    """

    date: dt.date | None = None
    date_open: tuple[int, int, int] | None = None  # (first, second, year) of a date with slashes
    start: dt.datetime | None = None
    zone_s: float | None = None
    iana: str | None = None
    utc: bool = False
    local: bool = False
    step_s: float | None = None
    evidence: str = ""
    metadata: dict[str, str] = field(default_factory=dict)


LONGEST_LINE = 2000  # characters; what a person wrote above a table is shorter, and the patterns are slow on more


def read_preamble(lines: Sequence[str], delimiter: str, *, date_order: str | None = None) -> Facts:
    """Facts from the lines before the table (or between two tables)."""
    facts = Facts(metadata=_metadata(lines, delimiter))
    lines = [line[:LONGEST_LINE] for line in lines]
    ranked = sorted(lines, key=lambda line: not _START_WORDS.search(line))
    for line in ranked:
        if not _OTHER_DATE.search(line) or _START_WORDS.search(line):
            _read_date(line, facts, date_order)
    for line in lines:
        _read_start_time(line, facts)
        _read_zone(line, facts)
        _read_rate(line, facts)
    return facts


def _read_rate(line: str, facts: Facts) -> None:
    match = _RATE.search(line)
    value = float(match["v"].replace(",", ".")) if match else 0.0
    if match and value > 0 and facts.step_s is None:
        seconds = {"ms": 1e-3, "msec": 1e-3, "s": 1.0, "sec": 1.0, "seconds": 1.0}.get(match["u"].lower())
        facts.step_s = value * seconds if seconds is not None else 1 / value


def _with_numbers(line: str) -> str:
    """The line with its dates in words ('1 April 2031', 'April 1, 2031') as ISO dates."""

    def number(match: re.Match[str]) -> str:
        month = MONTHS.get((match["mon"] or match["mon2"]).lower())
        day, year = match["d"] or match["d2"], match["year"] or match["year2"]
        return match[0] if month is None else f"{year}-{month:02d}-{int(day):02d}"

    return _WORDS.sub(number, line)


def _read_date(line: str, facts: Facts, date_order: str | None) -> None:
    line = _with_numbers(line)
    for match in _DATE.finditer(line):
        part = match.groupdict()
        date = _date_of(part, date_order)
        if date is None:
            if part["c"] and facts.date is None and facts.date_open is None:
                facts.date_open = (int(part["a"]), int(part["b"]), int(part["c"]))
            continue
        if part["H"] is None:
            if facts.date is None:
                facts.date = date
                facts.evidence = facts.evidence or f"date in {line.strip()[:80]!r}"
            _join_time(line[match.end() :], date, facts)
            continue
        if facts.start is None:
            facts.start = _at(date, part)
            facts.date = facts.date or date
            facts.evidence = f"start in {line.strip()[:80]!r}"
            if part["z"]:
                facts.zone_s = _offset(part["z"])
                facts.utc = facts.utc or part["z"] == "Z"


def _read_start_time(line: str, facts: Facts) -> None:
    """'Start (UTC): 10:00:00' on a line of its own, under or above the one with the date."""
    clock = _TIME.search(line)
    if clock is None or facts.start is not None or facts.date is None or _DATE.search(line):
        return
    if _BEGIN.search(line[: clock.start()]):
        facts.start = _at(facts.date, clock.groupdict())
        facts.evidence = f"{facts.evidence}; start in {line.strip()[:80]!r}"


def _join_time(rest: str, date: dt.date, facts: Facts) -> None:
    """'date 2025-05-06, start time 09:25:20': the time further on in the line belongs to the date."""
    clock = _TIME.search(rest)
    if (
        clock
        and facts.start is None
        and re.match(
            r"^[\s,;|]*(?:start|time|at|begin|utc|local|started|[:=\s,;|])*[:=\s]*$", rest[: clock.start()], re.I
        )
    ):
        facts.start = _at(date, clock.groupdict())


def _at(date: dt.date, part: dict[str, str]) -> dt.datetime | None:
    hour, minute, second = int(part["H"]), int(part["M"]), int(part["S"] or 0)
    if hour > 23 or minute > 59 or second > 59:
        return None
    micro = int((part["f"] or "0").ljust(6, "0")[:6])
    return dt.datetime.combine(date, dt.time(hour, minute, second, micro))


def _date_of(part: dict[str, str], order: str | None) -> dt.date | None:
    if part["y"]:
        return _date(int(part["y"]), int(part["m"]), int(part["d"]))
    first, second, year = int(part["a"]), int(part["b"]), int(part["c"])
    if first > 12 or first == second or part["sep"] == "." or order == "dmy":
        return _date(year, second, first)
    if second > 12 or order == "mdy":
        return _date(year, first, second)
    return None


def _date(year: int, month: int, day: int) -> dt.date | None:
    try:
        return dt.date(year, month, day) if 1970 <= year <= 2100 else None
    except ValueError:
        return None


def _offset(text: str) -> float | None:
    if text == "Z":
        return 0.0
    sign = -1.0 if text[0] == "-" else 1.0
    digits = text[1:].replace(":", "")
    seconds = int(digits[:2]) * 3600.0 + int(digits[2:4] or 0) * 60.0
    return sign * seconds if seconds <= 14 * 3600.0 else None  # no zone is further from UTC


def _read_zone(line: str, facts: Facts) -> None:
    match = _ZONE.search(line)
    if match and facts.zone_s is None:
        sign = match["s"] or match["s2"]
        hours, minutes = int(match["h"] or match["h2"]), int(match["m"] or match["m2"] or 0)
        if hours <= 14 and minutes < 60:
            facts.zone_s = (-1.0 if sign == "-" else 1.0) * (hours * 3600.0 + minutes * 60.0)
            facts.evidence += f"; zone in {line.strip()[:80]!r}"
    elif _UTC.search(line) and facts.zone_s is None:
        facts.zone_s, facts.utc = 0.0, True
        facts.evidence += f"; UTC in {line.strip()[:80]!r}"
    name = _IANA.search(line)
    if name and facts.iana is None:
        facts.iana = name.group(0)
    facts.local = facts.local or bool(_LOCAL.search(line))


def _metadata(lines: Sequence[str], delimiter: str) -> dict[str, str]:
    """Key and value pairs of the lines; a line that has none is kept whole under 'line N'."""
    out: dict[str, str] = {}
    for number, line in enumerate(lines, 1):
        text = line.strip().lstrip("#%;/ ").rstrip(delimiter).strip()
        if not text:
            continue
        for key, value in _pairs(text, delimiter) or [(f"line {number}", text)]:
            out[key if key not in out else f"{key} (line {number})"] = value
    return out


def _pairs(text: str, delimiter: str) -> list[tuple[str, str]]:
    if len(text) > LONGEST_LINE:
        return []
    equals = re.findall(r"([\w .\-\[\]/%°]+?)\s*=\s*(.*?)(?=\s+[\w\-]+\s*=|[;,]\s*[\w\-]+\s*=|$)", text)
    if equals:
        return [(key.strip(), value.strip()) for key, value in equals]
    fields = [f.strip() for f in split_line(text, delimiter)] if delimiter != " " else [text]
    if len(fields) >= 4 and len(fields) % 2 == 0 and all(fields[0::2]):
        return list(zip(fields[0::2], fields[1::2], strict=True))
    if len(fields) >= 2 and fields[0]:
        return [(fields[0], ", ".join(f for f in fields[1:] if f))]
    colon = re.match(r"^([^:\d][^:]{0,40}?)\s*:\s+(.+)$", text)
    return [(colon.group(1), colon.group(2))] if colon else []


def date_in_name(name: str) -> dt.date | None:
    """A date in a file's own name: year first ('2031-03-14_log.csv', 'gnss_20310314.txt'), or day, month and year with
    dots or with a field that can only be the day ('14.03.2031', '14-03-2031')."""
    last = name.rsplit("/", 1)[-1]
    found = [(m[1], m[3], m[4]) for m in re.finditer(r"(?<!\d)(\d{4})([-_.]?)(\d{2})\2(\d{2})(?!\d)", last)]
    for match in re.finditer(r"(?<!\d)(\d{1,2})([-_.])(\d{1,2})\2(\d{4})(?!\d)", last):
        first, second = int(match[1]), int(match[3])
        if match[2] == "." or first > 12:
            found.append((match[4], match[3], match[1]))
        elif second > 12 or first == second:
            found.append((match[4], match[1], match[3]))
    for year, month, day in found:
        date = _date(int(year), int(month), int(day))
        if date and date.year >= 1990:
            return date
    return None


def year_of_day(day: int, dates: Iterable[tuple[dt.date | None, str]], *, leap: bool = False) -> tuple[int | None, str]:
    """The year of a day counted in it, and who says so: a date from elsewhere that is this day of its year or the next to it.

    dates: those there are, with their origin, the first that fits counts; leap: the year is known to be one.
    """
    for date, who in dates:
        if date is not None and abs(date.timetuple().tm_yday - day) <= 1 and calendar.isleap(date.year) >= leap:
            return date.year, who
    return None, ""
