"""Other tables of text, told as tab-delimited lines and read by the delimited-text reader: one line each, in place."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from ...shared.findings import Finding
from ...shared.settings import InstrumentProfile
from ..raw import HEAD_BYTES, LogFile, RawFile
from .adapter import DelimitedText


def read_retold(
    file: LogFile, lines: bytes, *, name: str, profile: InstrumentProfile | None, said: Sequence[str] = ()
) -> RawFile:
    """What the text reader makes of `lines` (UTF-8, tabs between cells); the answer speaks of the file under `name`.

    Line n of `lines` must be line (or row) n of the file. said: lines from elsewhere that may state a date, a start or
    a zone. Raises what the text reader raises.
    """
    told = LogFile(file.path, name, len(lines), lines[:HEAD_BYTES])
    vars(told)["content"] = lines
    return replace(DelimitedText().read_beside(told, profile, said), file=file)


def say_rows(finding: Finding, place: str = "") -> Finding:
    """A finding that speaks of lines, speaking of rows, after the name of their place ('sheet Log')."""
    where = _rows(finding.where) if finding.where else None
    if place:
        where = f"{place}, {where}" if where else place
    return replace(finding, text=_rows(finding.text), where=where)


def _rows(text: str) -> str:
    return re.sub(r"\bline(s?) (?=\d)", r"row\1 ", text)
