"""The adapter for Parquet files, Arrow files (Feather version 2) and Arrow streams."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from ...shared.errors import ParseError
from ...shared.settings import InstrumentProfile
from ..raw import Claim, LogFile, RawFile
from ..tables import TypedTable, facts_of, raw_file, read_tables
from ..text.notes import Notes
from .columns import read_columns

_FEATHER_1 = b"FEA1"
_PARQUET, _ARROW_FILE, _ARROW_STREAM = b"PAR1", b"ARROW1\0\0", b"\xff\xff\xff\xff"
_LONGEST_SCHEMA = 1 << 24
_MACHINE_KEYS = (b"pandas", b"ARROW:schema", b"huggingface", b"geo", b"units", b"unit")


class Columnar:
    """Parquet, Feather and Arrow: one table each, units from the fields' metadata."""

    name = "Parquet and Arrow"
    version = 1

    def claims(self, file: LogFile) -> Claim:
        """Yes by the first bytes: PAR1, ARROW1, or the length mark an Arrow stream begins with."""
        head = file.head
        if head.startswith(_PARQUET):
            return Claim(True, "the mark PAR1 of a Parquet file")
        if head.startswith(_FEATHER_1):
            return Claim(True, "the mark FEA1 of a Feather file of version 1")
        if head.startswith(_ARROW_FILE):
            return Claim(True, "the mark ARROW1 of an Arrow or Feather file")
        if head.startswith(_ARROW_STREAM) and 0 < int.from_bytes(head[4:8], "little") < _LONGEST_SCHEMA:
            return Claim(True, "the first message of an Arrow stream")
        return Claim(False, "none of the marks of Parquet and Arrow files")

    def read(self, file: LogFile, profile: InstrumentProfile | None) -> RawFile:
        """The table as written. Raises ParseError for a broken file and for a track file of our own."""
        if file.head.startswith(_FEATHER_1):
            raise ParseError(
                "a Feather file of version 1, which is no longer read",
                where=file.name,
                allowed="Feather of version 2, Parquet, Arrow",
                do="write the table again as one of these",
            )
        table = _read_table(file)
        metadata = _metadata(table)
        if b"trimshot" in (table.schema.metadata or {}):
            raise ParseError(
                "this is a file this program wrote itself, not a recorder's log",
                where=file.name,
                do="add the original log; it is kept in the programme's folder under its hash",
            )
        columns, left = _guarded(lambda _: read_columns(table), file)
        if not columns:
            raise ParseError(
                "no column of numbers, text or times",
                where=file.name,
                found=", ".join(left[:12]) or "no columns at all",
            )
        notes = Notes(file.name)
        if left:
            text = f"{len(left)} columns hold neither numbers nor text and were left out: {', '.join(left[:12])}"
            notes.find("CHANNEL_UNNAMED", text, count=len(left), headers=left)
        facts = facts_of(metadata)
        tracks = read_tables(
            file, [TypedTable("table", tuple(columns), facts)], mark="columnar", profile=profile, notes=notes
        )
        return raw_file(file, self.name, self.version, tracks, notes, metadata)


def _read_table(file: LogFile) -> pa.Table:
    reader = _parquet if file.head.startswith(_PARQUET) else _arrow_file
    if file.head.startswith(_ARROW_STREAM):
        reader = _arrow_stream
    return _guarded(reader, file)


def _guarded(reader: Callable[[Path], pa.Table], file: LogFile) -> pa.Table:
    if file.size == 0:
        raise ParseError("the file is empty", where=file.name, code="EMPTY_FILE")
    try:
        return reader(file.path)
    except (pa.ArrowException, OSError, ValueError, MemoryError) as error:
        raise ParseError(
            "the file is damaged or cut short",
            where=file.name,
            found=str(error).splitlines()[0][:200] if str(error) else type(error).__name__,
            do="copy it from the recorder again: the table of contents stands at the end of such a file",
        ) from None


def _parquet(path: Path) -> pa.Table:
    with pq.ParquetFile(path) as file:
        table = file.read()
    table.validate(full=True)
    return table


def _arrow_file(path: Path) -> pa.Table:
    with pa.OSFile(str(path), "rb") as source, pa.ipc.open_file(source) as reader:
        table = reader.read_all()
    table.validate(full=True)
    return table


def _arrow_stream(path: Path) -> pa.Table:
    with pa.OSFile(str(path), "rb") as source, pa.ipc.open_stream(source) as reader:
        table = reader.read_all()
    table.validate(full=True)
    return table


def _metadata(table: pa.Table) -> dict[str, str]:
    """Text the table carries, without what libraries keep for themselves."""
    out = {}
    for key, value in (table.schema.metadata or {}).items():
        if key not in _MACHINE_KEYS:
            text = value.decode("utf-8", "replace")
            out[key.decode("utf-8", "replace")] = _plain(text)[:2000]
    return out


def _plain(text: str) -> str:
    try:
        loaded = json.loads(text)
    except ValueError:
        return text
    return loaded if isinstance(loaded, str) else text
