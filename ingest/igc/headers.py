"""Header and extension records of an IGC file: date, altitude datums, which columns follow the fix.

Source of the format: FAI technical specification for GNSS flight recorders, appendix A.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass

_EPOCH = dt.date(1970, 1, 1).toordinal()
_PLAIN_DATE = re.compile(r"HFDTE(\d{2})(\d{2})(\d{2})|HFDTEDATE:(\d{2})(\d{2})(\d{2})(?:,\d{1,2})?")
_DAY_FIRST = re.compile(r"(\d{1,2})[./ -]?(\d{1,2})[./ -]?(\d{4}|\d{2})(?!\d)")
_YEAR_FIRST = re.compile(r"(\d{4})[./-](\d{1,2})[./-](\d{1,2})")
_FIRST_YEAR_OF_CENTURY = 80  # satellite time begins in January 1980
_CREW = ("PLT", "CM2")


@dataclass(frozen=True, slots=True)
class Extension:
    """One extension column: its three-letter code and where it stands in the record, from 0."""

    code: str
    start: int
    stop: int

    @property
    def width(self) -> int:
        """Number of characters."""
        return self.stop - self.start


def is_date_header(line: str) -> bool:
    """True for any header record that speaks of the date."""
    return line[:1] in ("H", "h") and line[2:5].upper() == "DTE"


def read_date(line: str) -> tuple[float | None, bool]:
    """(days since 1970-01-01 or None, whether the header has one of the two standard forms)."""
    plain = _PLAIN_DATE.fullmatch(line.rstrip())
    if plain:
        day, month, year = (part for part in plain.groups() if part is not None)
        return _days(year, month, day), True
    rest = line[5:]
    first = _YEAR_FIRST.search(rest)
    if first:
        return _days(*first.groups()), False
    found = _DAY_FIRST.search(rest)
    if not found:
        return None, False
    day, month, year = found.groups()
    return _days(year, month, day), False


def _days(year: str, month: str, day: str) -> float | None:
    number = int(year)
    if number < 100:
        number += 1900 if number >= _FIRST_YEAR_OF_CENTURY else 2000
    try:
        return float(dt.date(number, int(month), int(day)).toordinal() - _EPOCH)
    except ValueError:
        return None


def read_extensions(line: str) -> list[Extension]:
    """Columns an I or J record announces; what is not written by the rule is left out."""
    body = line.rstrip()
    out = []
    for begin in range(3, len(body) - 6, 7):
        part = body[begin : begin + 7]
        if part[:4].isdecimal() and int(part[2:4]) >= int(part[:2]) >= 1:
            out.append(Extension(part[4:7].upper(), int(part[:2]) - 1, int(part[2:4])))
    return out


def gnss_altitude_channel(headers: dict[str, str]) -> str | None:
    """Channel of the satellite altitude by header ALG: ELL ellipsoid, GEO geoid; None for NIL.

    Without that header the datum is not stated: recorders of the older rules wrote either.
    """
    stated = _last_word(headers.get("ALG", ""))
    return {
        "ELL": "gnss_ellipsoid_altitude",
        "GEO": "gnss_altitude",
        "MSL": "gnss_altitude",
        "NIL": None,
    }.get(stated, "gnss_unnamed_altitude")


def pressure_altitude_channel(headers: dict[str, str]) -> str | None:
    """Channel of the barometric altitude by header ALP: the standard atmosphere unless it says otherwise."""
    stated = _last_word(headers.get("ALP", ""))
    return {"MSL": "baro_altitude", "QNH": "baro_altitude", "NKN": "unnamed_altitude", "NIL": None}.get(
        stated, "pressure_altitude"
    )


def _last_word(text: str) -> str:
    return text.upper().replace(":", " ").split()[-1][-3:] if text.strip() else ""


def read_header(line: str) -> tuple[str, str] | None:
    """(three-letter subject, text) of an H record; None for one about a person or without subject."""
    subject = line[2:5].upper()
    if len(subject) < 3 or subject in _CREW:
        return None
    return subject, line[5:].partition(":")[2].strip() or line[5:].strip()
