"""The adapter for spreadsheets: xlsx, xlsm, xlsb, xls and ods."""

from __future__ import annotations

import struct
import zipfile
import zlib
from collections import Counter
from pathlib import Path
from typing import Any

from python_calamine import CalamineError, CalamineWorkbook

from ...shared.errors import InputError, ParseError
from ...shared.findings import Finding
from ...shared.settings import InstrumentProfile
from ..archive import MOST_RATIO, RATIO_FLOOR_BYTES
from ..probing import kills_its_reader, words_of
from ..raw import Claim, LogFile, RawFile, RawTrack
from ..text.retold import read_retold, say_rows
from .cells import as_lines

_PROBE = Path(__file__).with_name("probe.py")
_ZIP, _OLE = b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_MEMBERS = (b"[Content_Types].xml", b"_rels/.rels", b"docProps/", b"xl/")
_OPEN_DOCUMENT = b"application/vnd.oasis.opendocument.spreadsheet"
MOST_CELLS = 100_000_000
MOST_BYTES = 4 << 30
_KEPT = ("rows_in", "rows_out", "rows_dropped", "rows_repaired")


class Spreadsheet:
    """Every sheet with a table of samples is a table; the others are named in the account."""

    name = "spreadsheet"
    version = 1

    def claims(self, file: LogFile) -> Claim:
        """Yes by the first bytes: a zip whose first members are a workbook's, or an OLE file named as a workbook."""
        head = file.head
        if head.startswith(_ZIP):
            if any(member in head for member in _MEMBERS):
                return Claim(True, "a zip with the members of a workbook")
            if _OPEN_DOCUMENT in head[:200]:
                return Claim(True, "an OpenDocument spreadsheet")
            return Claim(False, "a zip archive without a workbook's members at its start")
        if head.startswith(_OLE):
            if file.name.lower().endswith(".xls"):
                return Claim(True, "an OLE file named .xls")
            return Claim(False, "an OLE file that is not named .xls")
        return Claim(False, "neither a zip nor an OLE file")

    def read(self, file: LogFile, profile: InstrumentProfile | None) -> RawFile:
        """All sheets. Raises ParseError for a broken workbook, and what the first sheet raised when none is usable."""
        sheets = _sheets(file)
        readings: list[tuple[str, RawFile]] = []
        failed: list[tuple[str, int, InputError]] = []
        for title, lines, rows in sheets:
            try:
                readings.append((title, read_retold(file, lines, name=file.name, profile=profile)))
            except InputError as error:
                failed.append((title, rows, error))
        if not readings:
            raise (
                failed[0][2]
                if failed
                else ParseError("the workbook holds no filled sheet", where=file.name, code="EMPTY_FILE")
            )
        return _together(self, file, readings, failed, several=len(sheets) > 1)


def _sheets(file: LogFile) -> list[tuple[str, bytes, int]]:
    """(title, lines, number of rows) of every sheet that is not empty."""
    if file.size == 0:
        raise ParseError("the file is empty", where=file.name, code="EMPTY_FILE")
    _check_size(file)
    if kills_its_reader(_PROBE, file.path):
        raise ParseError(
            "the workbook is damaged so that opening it takes all memory or crashes the library",
            where=file.name,
            do="export the table again, best as delimited text from the recorder itself",
        )
    try:
        with CalamineWorkbook.from_path(file.path) as workbook:
            out = []
            for title in workbook.sheet_names:
                sheet = workbook.get_sheet_by_name(title)
                if sheet.total_height * sheet.total_width > MOST_CELLS:
                    raise ParseError(
                        "the sheet is too large",
                        where=f"{file.name}, sheet {title}",
                        allowed=f"{MOST_CELLS} cells",
                        do="export it as delimited text",
                    )
                rows = sheet.to_python(skip_empty_area=False)
                if lines := as_lines(rows):
                    out.append((title, lines, len(rows)))
            return out
    except (CalamineError, OSError, ValueError, OverflowError, MemoryError) as error:
        raise ParseError(
            "the workbook is damaged or cut short",
            where=file.name,
            found=words_of(error),
            do="export the table again, best as delimited text from the recorder itself",
        ) from None


def _check_size(file: LogFile) -> None:
    """Refuse a workbook whose parts unpack to more than any log can hold."""
    if not file.head.startswith(_ZIP):
        return
    try:
        with zipfile.ZipFile(file.path) as archive:
            size = sum(member.file_size for member in archive.infolist())
    except (
        zipfile.BadZipFile,
        OSError,
        ValueError,
        NotImplementedError,
        RuntimeError,
        struct.error,
        zlib.error,
    ) as error:
        raise ParseError(
            "the workbook is damaged or cut short", where=file.name, found=str(error), do="copy or export it again"
        ) from None
    allowed = min(MOST_BYTES, max(RATIO_FLOOR_BYTES, MOST_RATIO * file.size))
    if size > allowed:
        raise ParseError(
            "the workbook unpacks to too much", where=file.name, found=f"{size} bytes", allowed=f"{allowed} bytes"
        )


def _together(
    adapter: Spreadsheet,
    file: LogFile,
    readings: list[tuple[str, RawFile]],
    failed: list[tuple[str, int, InputError]],
    *,
    several: bool,
) -> RawFile:
    tracks: list[RawTrack] = []
    findings: list[Finding] = []
    metadata: dict[str, str] = {}
    for title, raw in readings:
        prefix = f"{title}: " if several else ""
        tracks += raw.tracks
        findings += [say_rows(finding, f"sheet {title}" if several else "") for finding in raw.findings]
        metadata |= {prefix + key: value for key, value in raw.metadata.items()}
    for title, rows, error in failed:
        text = f"sheet {title}: {error.what}; its {rows} rows were left out"
        findings.append(Finding("FILE_SKIPPED", text, "note", f"sheet {title}", facts={"code": error.code}))
    ledger = _ledger(readings, failed, several=several)
    return RawFile(file, adapter.name, adapter.version, tuple(tracks), ledger, tuple(findings), metadata=metadata)


def _ledger(
    readings: list[tuple[str, RawFile]], failed: list[tuple[str, int, InputError]], *, several: bool
) -> dict[str, Any]:
    """The sheets' accounts added up; decisions of several sheets under their titles."""
    if not several:
        ledger = dict(readings[0][1].ledger)
        ledger.pop("delimiter", None)
        return ledger
    out: dict[str, Any] = {key: sum(raw.ledger[key] for _, raw in readings) for key in _KEPT}
    left = sum(rows for _, rows, _ in failed)
    not_rows = sum((Counter(raw.ledger["not_rows"]) for _, raw in readings), Counter())
    if left:
        not_rows["rows of sheets without samples"] = left
    out["rows_in"] += left
    out["not_rows"] = dict(not_rows)
    out["dropped_lines"] = [line for _, raw in readings for line in raw.ledger["dropped_lines"]][:1000]
    known = {*_KEPT, "not_rows", "dropped_lines", "delimiter"}
    out["sheets"] = {title: {k: v for k, v in raw.ledger.items() if k not in known} for title, raw in readings}
    return out
