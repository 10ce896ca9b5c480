"""The adapter for fixed-width text: tables whose cells hold blanks or nothing, so that blanks do not split them."""

from __future__ import annotations

from dataclasses import replace

from ...shared.errors import ParseError
from ...shared.settings import InstrumentProfile
from ..raw import Claim, LogFile, RawFile
from ..text.claims import judge
from ..text.encoding import clean, decode_head, looks_binary
from ..text.notes import Notes
from ..text.retold import read_retold
from .columns import BLOCK_ROWS, Columns, cut, cut_header, find_columns, occupied, spans_of

HEAD_LINES = 400


class FixedWidth:
    """Columns at constant places in the line, names above them."""

    name = "fixed-width text"
    version = 1

    def claims(self, file: LogFile) -> Claim:
        """Yes for text rows that differ in words and agree in places, when no delimiter splits them."""
        head = file.head
        if not head.strip(b" \t\r\n\0\xef\xbb\xbf") or looks_binary(head):
            return Claim(False, "empty or binary")
        delimited = judge(file)
        if delimited.yes:
            return Claim(False, f"delimited: {delimited.reason}")
        lines = decode_head(head).split("\n")
        if file.size > len(head):
            lines.pop()
        found = find_columns(lines)
        if found is None:
            return Claim(False, "no rows with columns at constant places")
        return Claim(True, f"{len(found.spans)} columns at constant places, first row in line {found.first_row + 1}")

    def read(self, file: LogFile, profile: InstrumentProfile | None) -> RawFile:
        """The table as written. Raises ParseError without a table of constant places, ClockError without time."""
        notes = Notes(file.name)
        text = clean(file.content, notes).decode("utf-8", "replace")
        lines = text.split("\n")[:-1]
        found = find_columns(lines[:HEAD_LINES])
        if found is None:
            raise ParseError(
                "no rows with columns at constant places", where=file.name, do="export it as delimited text"
            )
        columns = _over_all(lines, found)
        told = _told(lines, columns)
        if notes.rows_dropped:  # a cut last line: kept without its end, for the reader of text to drop and count
            told += notes.dropped[-1][2]
        raw = read_retold(file, told.encode("utf-8"), name=file.name, profile=profile)
        others = tuple(f for f in notes.findings if f.code not in {g.code for g in raw.findings})
        ledger = {**raw.ledger, "delimiter": "constant places", "places": [list(span) for span in columns.spans]}
        ledger["encoding"] = notes.decisions.get("encoding", "utf-8")
        return replace(
            raw, adapter=self.name, adapter_version=self.version, ledger=ledger, findings=(*others, *raw.findings)
        )


def _over_all(lines: list[str], found: Columns) -> Columns:
    """The places as all rows show them: a column may grow wider further down."""
    rows = [line.rstrip() for line in lines[found.first_row :] if line.strip()]
    widest = max(high for _, high in found.spans) + 64
    counts = [occupied([r[:widest] for r in rows[low : low + BLOCK_ROWS]]) for low in range(0, len(rows), BLOCK_ROWS)]
    return replace(found, spans=tuple(spans_of(counts, len(rows))))


def _told(lines: list[str], columns: Columns) -> str:
    """The file with tabs between cells, line by line."""
    head = lines[: columns.first_row]
    names = next((k for k in range(len(head) - 1, -1, -1) if head[k].strip()), None)
    for k in (names, names - 1 if names else None):
        if k is not None and len(head[k].split()) >= 2:
            head[k] = cut_header(head[k], columns.spans)
    return "\n".join([*head, *cut([line.rstrip() for line in lines[columns.first_row :]], columns.spans)]) + "\n"
