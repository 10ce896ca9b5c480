"""A large plain log is read from disk block by block and says the very same as when it is read whole."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from trimshot.ingest.sortie import read_sortie
from trimshot.ingest.text import mapped, parse, table
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
    monkeypatch.setattr(mapped, "SCAN_BYTES", 5000)
    monkeypatch.setattr(parse, "BLOCK_BYTES", 20_000)
    monkeypatch.setattr(spill, "SPILL_BYTES", 1000)


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
    lines = text.split("\n")
    if kind == "blank field":
        lines[700] = lines[700].replace(",1", ",,1", 1).rpartition(",")[0]
    elif kind == "word among the numbers":
        lines[1500] = lines[1500].replace(",15", ",---", 1)
    elif kind == "ragged row":
        lines[1200] += ",7"
    elif kind == "blank line":
        lines.insert(800, "")
    elif kind == "header again":
        lines.insert(1000, HEADER)
    end = "\r\n" if kind == "carriage returns" else "\n"
    data = (end.join(lines) + end).encode("cp1252" if kind == "cp1252" else "utf-8")
    if kind == "cp1252":
        data = data.replace(b"[degC]", b"[\xb0C]")
    return (
        data[:-20] if kind == "cut last line" else data.replace(b"8.1", b"8\x00.1", 1) if kind == "zero byte" else data
    )


KINDS = (
    "plain", "blank field", "word among the numbers", "ragged row", "blank line", "header again", "carriage returns",
    "cp1252", "cut last line", "zero byte",
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
    if kind in ("cp1252", "zero byte"):
        assert found is None
        assert (notes.lines, notes.findings) == (0, [])
    if kind in READ_FROM_DISK:
        assert found is not None
        assert found[-1:] == b"\n"
        assert notes.lines == 2401
