"""A spreadsheet file of an answer: the sheet `data`, and a sheet `about` that says what was asked of which sorties."""

from __future__ import annotations

import datetime as dt
import io
import re
import zipfile
from collections.abc import Sequence
from typing import Any

from ..shared.errors import InputError
from .cells import harmless
from .grid import Grid

MOST_ROWS = 1_048_575  # of a sheet, less its header
LONGEST_TEXT = 32_000  # a cell holds 32,767 characters
_UNWRITABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_EPOCH = dt.datetime(2000, 1, 1)  # same answer, same bytes: no moment of writing in the file


def workbook_bytes(grid: Grid, about: Sequence[tuple[str, str]]) -> bytes:
    """The file's bytes; the same for the same answer. Raises InputError for more rows than a sheet holds."""
    from openpyxl import Workbook

    if grid.rows > MOST_ROWS:
        raise InputError(
            "too many rows for a spreadsheet", found=f"{grid.rows:,}", allowed=f"{MOST_ROWS:,}", do="use parquet or csv"
        )
    book = Workbook(write_only=True)
    data = book.create_sheet("data")
    data.freeze_panes = "A2"
    data.append([_cell(head) for head in grid.heads()])
    for row in grid.cells():
        data.append([_cell(value) for value in row])
    sheet = book.create_sheet("about")
    for line in about:
        sheet.append([_cell(word) for word in line])
    stream = io.BytesIO()
    book.properties.creator = "trimshot"
    book.save(stream)
    return _without_moment(stream.getvalue())


def _cell(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    text = _UNWRITABLE.sub(lambda found: f"\\x{ord(found[0]):02x}", str(harmless(value)))
    if len(text) > LONGEST_TEXT:
        return f"{text[:LONGEST_TEXT]} ... (cut, {len(text)} characters)"
    return text


def _without_moment(content: bytes) -> bytes:
    """The same archive with fixed dates, inside and out."""
    stream = io.BytesIO()
    moment = _EPOCH.strftime("%Y-%m-%dT%H:%M:%SZ").encode()
    with zipfile.ZipFile(io.BytesIO(content)) as given, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as fixed:
        for name in given.namelist():
            part = given.read(name)
            if name == "docProps/core.xml":
                part = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", moment, part)
            entry = zipfile.ZipInfo(name, _EPOCH.timetuple()[:6])
            entry.compress_type = zipfile.ZIP_DEFLATED
            fixed.writestr(entry, part)
    return stream.getvalue()
