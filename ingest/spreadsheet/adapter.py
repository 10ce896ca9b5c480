"""The adapter for spreadsheets: xlsx, xlsm, xlsb, xls and ods."""

from __future__ import annotations

import re
import struct
import zipfile
import zlib
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from python_calamine import CalamineError, CalamineWorkbook, SheetMetadata, SheetTypeEnum, SheetVisibleEnum

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
MOST_SAID = 100  # rows of a sheet without samples that may say when the others' were recorded
DAYS_1904, DAY_S = 1462, 86_400.0  # from the first day of the one calendar to that of the other
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
        """All sheets. Raises ParseError for a broken workbook, and what the first sheet raised when none is usable.

        Hidden sheets are looked at only where no sheet in sight holds samples.
        """
        workbook = _open(file)
        for sheets in ([s for s in workbook.sheets if not s.hidden], workbook.sheets):
            readings, failed = _read_sheets(file, sheets, profile)
            if readings:
                break
        if not readings:
            raise (
                failed[0][1]
                if failed
                else ParseError("the workbook holds no filled sheet", where=file.name, code="EMPTY_FILE")
            )
        hidden = [sheet for sheet in workbook.sheets if sheet not in sheets]
        failed += [(sheet, InputError("it is hidden, and sheets in sight hold samples")) for sheet in hidden]
        raw = _together(self, file, readings, failed, several=len(workbook.sheets) > 1)
        return _from_1904(raw) if workbook.from_1904 else raw


@dataclass(frozen=True, slots=True)
class _Sheet:
    """A filled sheet: title, rows as tab-delimited lines, number of rows, whether it is hidden."""

    title: str
    lines: bytes
    rows: int
    hidden: bool


@dataclass(frozen=True, slots=True)
class _Workbook:
    """The filled sheets, and whether days are counted from 1904."""

    sheets: list[_Sheet]
    from_1904: bool


def _read_sheets(
    file: LogFile, sheets: list[_Sheet], profile: InstrumentProfile | None
) -> tuple[list[tuple[str, RawFile]], list[tuple[_Sheet, InputError]]]:
    """Sheets with samples under their titles, and the others with their reasons: what those say may date the samples."""
    good: list[_Sheet] = []
    failed: list[tuple[_Sheet, InputError]] = []
    readings: list[tuple[str, RawFile]] = []
    for sheet in sheets:
        try:
            readings.append((sheet.title, read_retold(file, sheet.lines, name=file.name, profile=profile)))
            good.append(sheet)
        except InputError as error:
            failed.append((sheet, error))
    said = [line for sheet, _ in failed if sheet.rows <= MOST_SAID for line in sheet.lines.decode().split("\n")]
    for k, sheet in enumerate(good):
        if said and any(track.time.basis in ("time_of_day", "elapsed") for track in readings[k][1].tracks):
            raw = read_retold(file, sheet.lines, name=file.name, profile=profile, said=said)
            readings[k] = (sheet.title, raw)
    return readings, failed


def _from_1904(raw: RawFile) -> RawFile:
    """Day numbers without a date format counted from 1904, as the workbook states."""
    tracks = [
        replace(track, time=replace(track.time, seconds=track.time.seconds + DAYS_1904 * DAY_S, day_numbers=False))
        if track.time.day_numbers
        else track
        for track in raw.tracks
    ]
    return replace(raw, tracks=tuple(tracks))


def _open(file: LogFile) -> _Workbook:
    """Every sheet that is not empty."""
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
            found = [_sheet(workbook, meta, file) for meta in workbook.sheets_metadata]
    except (CalamineError, OSError, ValueError, OverflowError, MemoryError) as error:
        raise ParseError(
            "the workbook is damaged or cut short",
            where=file.name,
            found=words_of(error),
            do="export the table again, best as delimited text from the recorder itself",
        ) from None
    return _Workbook([sheet for sheet in found if sheet.lines], _counts_from_1904(file))


def _sheet(workbook: CalamineWorkbook, meta: SheetMetadata, file: LogFile) -> _Sheet:
    hidden = meta.visible != SheetVisibleEnum.Visible
    if meta.typ != SheetTypeEnum.WorkSheet:
        return _Sheet(meta.name, b"", 0, hidden)
    sheet = workbook.get_sheet_by_name(meta.name)
    if sheet.total_height * sheet.total_width > MOST_CELLS:
        raise ParseError(
            "the sheet is too large",
            where=f"{file.name}, sheet {meta.name}",
            allowed=f"{MOST_CELLS} cells",
            do="export it as delimited text",
        )
    rows = sheet.to_python(skip_empty_area=False)
    return _Sheet(meta.name, as_lines(rows), len(rows), hidden)


def _counts_from_1904(file: LogFile) -> bool:
    """Whether the workbook states that its days are counted from 1904 (ECMA-376 part 1, 18.2.28: date1904)."""
    if not file.head.startswith(_ZIP):
        return False
    try:
        with zipfile.ZipFile(file.path) as archive, archive.open("xl/workbook.xml") as part:
            stated = re.search(rb"<workbookPr\b[^>]*\bdate1904=[\"']?(1|true|on)\b", part.read(1 << 20))
    except (KeyError, OSError, ValueError, RuntimeError, NotImplementedError, zipfile.BadZipFile, zlib.error):
        return False
    return stated is not None


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
    failed: list[tuple[_Sheet, InputError]],
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
    for sheet, error in failed:
        text = f"sheet {sheet.title}: {error.what}; its {sheet.rows} rows were left out"
        findings.append(Finding("FILE_SKIPPED", text, "note", f"sheet {sheet.title}", facts={"code": error.code}))
    ledger = _ledger(readings, failed, several=several)
    return RawFile(file, adapter.name, adapter.version, tuple(tracks), ledger, tuple(findings), metadata=metadata)


def _ledger(
    readings: list[tuple[str, RawFile]], failed: list[tuple[_Sheet, InputError]], *, several: bool
) -> dict[str, Any]:
    """The sheets' accounts added up; decisions of several sheets under their titles."""
    if not several:
        ledger = dict(readings[0][1].ledger)
        ledger.pop("delimiter", None)
        return ledger
    out: dict[str, Any] = {key: sum(raw.ledger[key] for _, raw in readings) for key in _KEPT}
    left = sum(sheet.rows for sheet, _ in failed)
    not_rows = sum((Counter(raw.ledger["not_rows"]) for _, raw in readings), Counter())
    if left:
        not_rows["rows of sheets without samples"] = left
    out["rows_in"] += left
    out["not_rows"] = dict(not_rows)
    out["dropped_lines"] = [line for _, raw in readings for line in raw.ledger["dropped_lines"]][:1000]
    known = {*_KEPT, "not_rows", "dropped_lines", "delimiter"}
    out["sheets"] = {title: {k: v for k, v in raw.ledger.items() if k not in known} for title, raw in readings}
    return out
