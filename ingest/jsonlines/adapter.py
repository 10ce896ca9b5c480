"""The adapter for JSON lines and JSON arrays of objects."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pyarrow as pa

from ...shared.errors import ParseError
from ...shared.settings import InstrumentProfile
from ..raw import Claim, LogFile, RawFile
from ..tables import TableColumn, TypedTable, as_floats, facts_of, raw_file, read_tables
from ..text.encoding import decode_head, find_coding
from ..text.notes import Notes, lines_text
from .records import Records, read_records

_START = re.compile(r"\A\s*(?:\{\s*[\"}]|\[\s*\{)")
MOST_COLUMNS = 5000


class JsonLines:
    """One object per line, or an array of objects; nested members become columns 'outer.inner'."""

    name = "JSON lines"
    version = 1

    def claims(self, file: LogFile) -> Claim:
        """Yes for text that begins with an object, or with an array of objects."""
        if _START.match(decode_head(file.head).lstrip("\ufeff")):
            return Claim(True, "the file begins with a JSON object")
        return Claim(False, "the file does not begin with a JSON object")

    def read(self, file: LogFile, profile: InstrumentProfile | None) -> RawFile:
        """One table. Raises ParseError when no object can be read, ClockError when no member is a time."""
        if not file.content.strip(b" \t\r\n\0\xef\xbb\xbf"):
            raise ParseError("the file is empty", where=file.name, code="EMPTY_FILE")
        notes = Notes(file.name)
        found = read_records(_decode(file.content, notes))
        if not found.objects:
            raise ParseError(
                "no JSON object of samples in the file",
                where=file.name,
                found=found.bad[0][1] if found.bad else "nothing that is whole",
                do="write one object per line, or an array of objects",
            )
        around = _flat(found.around)
        columns = _columns(found, _units(found.around), file.name)
        rows = np.array(found.line, dtype=np.int64)
        table = TypedTable("objects", columns, facts_of(around), rows)
        tracks = read_tables(file, [table], mark="json", profile=profile, notes=notes)
        _account(found, notes)
        return raw_file(file, self.name, self.version, tracks, notes, around)


def _decode(content: bytes, notes: Notes) -> str:
    coding = find_coding(content[:4096])
    if coding is not None and coding.codec.startswith("utf-16"):
        notes.decide("encoding", "utf-16", coding.because)
        return content[coding.mark :].decode(coding.codec, "replace")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        notes.decide("encoding", "cp1252", "not valid UTF-8; Windows code page 1252 assumed")
        text = "the text is not UTF-8; it was read as Windows code page 1252 (cp1252)"
        notes.find("ENCODING_DETECTED", text, encoding="cp1252")
        return content.decode("cp1252", "replace")
    notes.decide("encoding", "utf-8", "every byte sequence is valid UTF-8")
    return text


def _flat(around: dict[str, Any], within: str = "", depth: int = 3) -> dict[str, str]:
    """The words and numbers beside the samples; those in objects by their path: 'meta.start'."""
    out: dict[str, str] = {}
    for key, value in around.items():
        if isinstance(value, str | int | float):
            out[within + key] = str(value)[:2000]
        elif isinstance(value, dict) and depth:
            out |= _flat(value, f"{within}{key}.", depth - 1)
    return out


def _units(around: dict[str, Any]) -> dict[str, str]:
    """Units stated beside the samples: {"units": {"ias": "kt"}}."""
    stated = next((v for k, v in around.items() if k.lower() in ("units", "unit") and isinstance(v, dict)), {})
    return {str(key): str(unit) for key, unit in stated.items()}


def _columns(found: Records, units: dict[str, str], where: str) -> tuple[TableColumn, ...]:
    names = dict.fromkeys(key for item in found.objects for key in item)
    if len(names) > MOST_COLUMNS:
        raise ParseError("too many different members", where=where, found=str(len(names)), allowed=str(MOST_COLUMNS))
    return tuple(TableColumn(name, _values([o.get(name) for o in found.objects]), units.get(name)) for name in names)


def _values(values: list[Any]) -> np.ndarray[Any, Any] | pa.Array:
    """Numbers and truth values as float64; a member that is text anywhere as text, numbers written out."""
    if not any(isinstance(value, str) for value in values):
        return as_floats(np.array([_number(value) for value in values], dtype=np.float64))
    return pa.array([None if v is None else v if isinstance(v, str) else repr(v) for v in values], pa.string())


def _number(value: Any) -> float:
    if value is None:
        return float("nan")
    try:
        return float(value)
    except OverflowError:
        return float("nan")


def _account(found: Records, notes: Notes) -> None:
    """Lines that gave no sample."""
    notes.lines += found.blank + len(found.bad) + (1 if found.cut else 0)
    if found.blank:
        notes.not_rows["blank"] += found.blank
    for line, why, text in found.bad:
        notes.drop(line, why, text)
    if found.bad:
        where = lines_text(line for line, _, _ in found.bad)
        text = f"{len(found.bad)} lines that are no JSON object were dropped (first: {found.bad[0][1]})"
        notes.find("ROW_DROPPED", text, level="doubt", where=where, count=len(found.bad))
    if found.cut:
        line, text = found.cut
        notes.drop(line, "the file ends inside the object", text)
        notes.find("TRUNCATED_LAST_LINE", "the last object is incomplete and was dropped", where=f"line {line}")
