"""A large log, plain or damaged, is read from disk block by block and says the very same as when it is read whole."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from trimshot.ingest.raw import LogFile
from trimshot.ingest.sortie import read_sortie
from trimshot.ingest.text import lines, mapped, parse, recoding, table
from trimshot.ingest.text.mapped import map_plain
from trimshot.ingest.text.notes import Notes
from trimshot.shared import spill
from trimshot.shared.recording import Recording
from trimshot.shared.settings import Settings

HEADER = "UTC,IndSpeed [kt],PressAlt [ft],OAT [degC],Gear"
ROWS = [
    f"2025-05-08T09:{k // 600:02d}:{k // 10 % 60:02d}.{k % 10},{80 + k % 37 / 10:.1f},{1500 + k // 9},"
    f"{12.5 - k / 1000:.1f},{'DOWN' if k < 900 else 'UP'}"
    for k in range(2400)
]


@pytest.fixture
def low_limits(monkeypatch: pytest.MonkeyPatch) -> None:
    """Everything counts as large."""
    monkeypatch.setattr(mapped, "LARGE_BYTES", 1000)
    monkeypatch.setattr(table, "LARGE_BYTES", 1000)
    monkeypatch.setattr(recoding, "LARGE_BYTES", 1000)
    monkeypatch.setattr(mapped, "SCAN_BYTES", 5000)
    monkeypatch.setattr(lines, "SLICE_BYTES", 7000)
    monkeypatch.setattr(LogFile, "content", property(_refuse))
    monkeypatch.setattr(table, "whole_text", _refuse)
    monkeypatch.setattr(parse, "BLOCK_BYTES", 20_000)
    monkeypatch.setattr(spill, "SPILL_BYTES", 1000)


def _refuse(*_: object) -> None:
    raise AssertionError("read whole")


def described(recording: Recording) -> list[object]:
    """Everything a recording says, arrays as bytes or words."""
    out: list[object] = [recording.start_utc, recording.findings, recording.sources]
    for track in recording.tracks:
        out += [track.time_s.tobytes(), track.row.tobytes()]
        for column in track.columns.values():
            values = list(column.values) if column.is_text else column.values.tobytes()
            out.append((dataclasses.replace(column, values=np.empty(0)).__repr__(), values))
    return out


def edited(text: str, kind: str) -> bytes:
    """The log with one thing about it changed."""
    rows = text.split("\n")
    if kind == "blank field":
        rows[700] = rows[700].replace(",1", ",,1", 1).rpartition(",")[0]
    elif kind == "word among the numbers":
        rows[1500] = rows[1500].replace(",15", ",---", 1)
    elif kind == "ragged row":
        rows[1200] += ",7"
    elif kind == "blank line":
        rows.insert(800, "")
    elif kind == "header again":
        rows.insert(1000, HEADER)
    elif kind == "quotes":
        rows[1:] = [f'"{line[:-5]}",{line[-4:]!r}' if k % 9 else f'"{line}' for k, line in enumerate(rows[1:])]
        rows[1:] = [line.replace(",", '","', 3) for line in rows[1:]]
    elif kind == "marks everywhere":
        for k in range(5, len(rows), 11):
            at = k % 3 + 1
            rows[k] = ",".join("---" if n == at else field for n, field in enumerate(rows[k].split(",")))
            rows[k + 1] = rows[k + 1].rpartition(",")[0]
    elif kind == "blanks around fields":
        rows[1:] = [line.replace(",", " , ") for line in rows[1:]]
        rows[900] += ",7"
    elif kind == "another layout":
        rows[1300:] = [HEADER + ",Flap", *(line + ",10" for line in rows[1300:])]
    elif kind == "stamps that cannot be read":
        rows[1400] = rows[1400].replace("2025-", "20x5-")
        rows[1800] = rows[1800].replace("2025-", "20x5-")
    end = {"carriage returns": "\r\n", "carriage returns and a short row": "\r\n", "old line ends": "\r"}.get(
        kind, "\n"
    )
    if kind == "carriage returns and a short row":
        rows[1100] = rows[1100].rpartition(",")[0]
    text = end.join(rows) + end
    if kind == "line ends of all kinds":
        text = text.replace("\n", "\r\n", 700).replace("\n", "\r", 30)
    return _coded(text, kind)


def _coded(text: str, kind: str) -> bytes:
    if kind == "utf-16":
        return text.replace("[degC]", "[°C]").encode("utf-16")
    data = text.encode("utf-8")
    if kind in ("cp1252", "damaged utf-8"):
        mark = b"\xb0" if kind == "cp1252" else "°°°°".encode()
        data = data.replace(b"[degC]", b"[" + mark + b"C]")
        return data if kind == "cp1252" else data.replace(b"DOWN", b"D\xe2\x82WN", 1)
    if kind == "byte-order mark":
        return b"\xef\xbb\xbf" + data
    if kind == "zero byte":
        return data.replace(b"8.1", b"8\x00.1", 1)
    if kind == "zeros at the end":
        return data[:-20] + bytes(3000)
    return data[:-20] if kind == "cut last line" else data


KINDS = (
    "plain", "blank field", "word among the numbers", "ragged row", "blank line", "header again", "carriage returns",
    "cp1252", "cut last line", "zero byte", "zeros at the end", "quotes", "marks everywhere", "blanks around fields",
    "another layout", "stamps that cannot be read", "carriage returns and a short row", "old line ends",
    "line ends of all kinds", "utf-16", "damaged utf-8", "byte-order mark",
)  # fmt: skip
READ_FROM_DISK = ("plain", "carriage returns", "cut last line")


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_is_read(kind: str, tmp_path: Path, request: pytest.FixtureRequest) -> None:
    log = tmp_path / "log.csv"
    log.write_bytes(edited("\n".join([HEADER, *ROWS]), kind))
    whole = described(read_sortie(log, Settings()))
    request.getfixturevalue("low_limits")
    assert described(read_sortie(log, Settings())) == whole


@pytest.mark.parametrize("kind", KINDS)
def test_only_plain_files_are_mapped(kind: str, tmp_path: Path, low_limits: None) -> None:
    log = tmp_path / "log.csv"
    log.write_bytes(edited("\n".join([HEADER, *ROWS]), kind))
    notes = Notes("log.csv")
    found = map_plain(log, log.stat().st_size, notes)
    if kind in ("cp1252", "zero byte", "zeros at the end", "byte-order mark", "line ends of all kinds"):
        assert found is None
        assert (notes.lines, notes.findings) == (0, [])
    if kind in READ_FROM_DISK:
        assert found is not None
        assert found[-1:] == b"\n"
        assert notes.lines == 2401
