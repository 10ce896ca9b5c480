"""Sorting an IGC file's lines by record, and its timed records by what they are worth."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field

from ..lines import DroppedLines
from .headers import Extension, is_date_header, read_date, read_extensions, read_header

_TIMED = re.compile(r"[BEK](?:[01]\d|2[0-3])[0-5]\d(?:[0-5]\d|60)")
_FIX = re.compile(
    r"B\d{6}[ \d]{7}[NS][ \d]{8}[EW][AV]"  # altitudes may be damaged without harm to the rest
)
FIX_LENGTH = 35
_SILENT = "ACDFGHIJL"
_SMALL_HEADER = re.compile(r"h[fop][a-z]{3}")  # some programs write their records in small letters; never a fix


@dataclass(slots=True)
class DateHeader:
    """A date header: its line, the day it names, and how many fixes came before it."""

    line: int
    day: float
    fixes_before: int


@dataclass(slots=True)
class Records:
    """An IGC file's content by kind; `fixes`, `slow` and `events` hold (line, text)."""

    fixes: list[tuple[int, str]] = field(default_factory=list)
    slow: list[tuple[int, str]] = field(default_factory=list)
    events: list[tuple[int, str]] = field(default_factory=list)
    dates: list[DateHeader] = field(default_factory=list)
    odd_dates: list[int] = field(default_factory=list)
    headers: dict[str, str] = field(default_factory=dict)
    maker: str = ""
    fix_extensions: list[Extension] = field(default_factory=list)
    slow_extensions: list[Extension] = field(default_factory=list)
    others: Counter[str] = field(default_factory=Counter)
    unknown: list[int] = field(default_factory=list)
    binary: list[tuple[int, int]] = field(default_factory=list)
    cut: int | None = None
    dropped: DroppedLines = field(default_factory=DroppedLines)
    dropped_lines: list[int] = field(default_factory=list)
    lines: int = 0

    @property
    def fix_length(self) -> int:
        """Characters of a whole fix record with its extensions."""
        return max([FIX_LENGTH, *(e.stop for e in self.fix_extensions)])


def read_records(content: bytes) -> Records:
    """All records of a file. Never raises: what is not understood is counted."""
    out = Records()
    text = content.decode("latin-1").removeprefix("\xef\xbb\xbf")
    lines = re.split(r"\r\n|\n|\r", text)
    for number, line in enumerate(lines, start=1):
        if line.strip(" \0\x1a"):
            out.lines += 1
            _take(out, number, line, last=number == len(lines))
    return out


def _take(out: Records, number: int, line: str, *, last: bool) -> None:
    kind = line[0]
    if not line.isprintable():
        out.binary.append((number, sum(not c.isprintable() for c in line)))
        out.dropped.add(number, "bytes that are not text", line)
    elif kind in "BKE":
        _take_timed(out, number, line, last=last)
    elif kind in _SILENT or _SMALL_HEADER.match(line):
        out.others[kind.upper()] += 1
        _take_silent(out, number, line)
    else:
        out.unknown.append(number)


def _take_timed(out: Records, number: int, line: str, *, last: bool) -> None:
    """A fix, event or slow record; one that is shorter than announced at the file's end is cut."""
    whole = bool(_TIMED.match(line))
    if line[0] == "B":
        if last and len(line) < out.fix_length:
            out.cut = number
            out.dropped.add(number, "the file ends here", line)
            return
        whole = whole and bool(_FIX.match(line)) and len(line) >= FIX_LENGTH
    if not whole:
        out.dropped.add(number, f"not a whole {line[0]} record", line)
        out.dropped_lines.append(number)
        return
    target = {"B": out.fixes, "K": out.slow, "E": out.events}[line[0]]
    target.append((number, line))


def _take_silent(out: Records, number: int, line: str) -> None:
    if is_date_header(line):
        day, standard = read_date(line)
        if not standard:
            out.odd_dates.append(number)
        if day is not None:
            out.dates.append(DateHeader(number, day, len(out.fixes)))
    elif line[0] in "Hh":
        header = read_header(line)
        if header:
            out.headers[header[0]] = header[1]
    elif line[0] == "A" and not out.maker:
        out.maker = line[1:4]
    elif line[0] == "I":
        out.fix_extensions = read_extensions(line)
    elif line[0] == "J":
        out.slow_extensions = read_extensions(line)
