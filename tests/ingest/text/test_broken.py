"""Files nobody wants: refused with a reason or read with findings, never a traceback, never a line unaccounted for."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from trimshot.ingest.raw import HEAD_BYTES, LogFile
from trimshot.ingest.text.adapter import DelimitedText
from trimshot.shared.errors import TrimshotError

ROWS = "".join(f"2031-03-14T09:{26 + k // 60:02d}:{k % 60:02d}Z,{6000 - k},{90 + k / 10:.1f},UP\n" for k in range(150))
LOG = ("# unit 7\nutc,alt_ft,ias_kt,gear\n" + ROWS).encode()


def _claims(content: bytes, tmp_path: Path, name: str = "log.csv") -> Any:
    path = tmp_path / name
    path.write_bytes(content)
    return DelimitedText().claims(LogFile(path, name, len(content), content[:HEAD_BYTES]))


@pytest.mark.parametrize(
    ("content", "word"),
    [
        (b"", "empty"),
        (b" \r\n\t\n", "empty"),
        (b"\0" * 5000, "blanks"),
        (bytes(range(256)) * 30, "binary"),
        (b"$GPRMC,092640,A,3839.6,S,17606.0,E,0.1,12.0,140331,,*00\n" * 40, "sentences"),
        (b"AXXX001\nHFDTE140331\nB0926405106000N00106000WA0050000523\n", "IGC"),
        (b'<?xml version="1.0"?><gpx></gpx>', "XML"),
        (b'{"t": 1, "alt": 2}\n{"t": 2, "alt": 3}\n', "JSON"),
        (b"item,value\ndate,2025-05-07\nfuel lb,243\nqnh hPa,1020\n", "names and values"),
        (b"Dear all,\nthe flight, on Monday, was fine.\nRegards, the crew\n", "table"),
        (b'aircraft = "R1"\nmass = "2500 lb"\n[[point]]\nkias = 100\n', "table"),
    ],
)
def test_other_files_are_not_claimed(content: bytes, word: str, tmp_path: Path) -> None:
    claim = _claims(content, tmp_path)
    assert not claim.yes
    assert word in claim.reason


@pytest.mark.parametrize(
    "content",
    [
        LOG,
        LOG.replace(b",", b";"),
        LOG.decode().encode("utf-16"),
        LOG.replace(b"\n", b"\r"),
        b"t_s,alt\n0,1\n1,2\n2,3\n",
        ("utc," + ",".join(f"channel_{k}" for k in range(10_000)) + "\n").encode(),
        b"utc,pressure_alt_ft,ias_kt,oat_c,rpm\n",
    ],
)
def test_tables_are_claimed_with_a_reason(content: bytes, tmp_path: Path) -> None:
    claim = _claims(content, tmp_path)
    assert claim.yes
    assert claim.reason


def test_ten_thousand_columns(read_text: Any) -> None:
    rows = "".join(f"2031-03-14T09:26:{k:02d}Z," + ",".join(str(j + k) for j in range(10_000)) + "\n" for k in range(5))
    raw = read_text("utc," + ",".join(f"c{j}" for j in range(10_000)) + "\n" + rows)
    assert len(raw.tracks[0].columns) == 10_000
    assert raw.tracks[0].columns[-1].values[-1] == 10_003.0


def test_a_field_of_three_megabytes(read_text: Any) -> None:
    data = LOG.replace(b"09:27:30Z,", b"09:27:30Z," + b"x" * 3_000_000 + b",", 1)
    raw = read_text(data)
    assert len(raw.tracks[0].row) == 149
    assert len(raw.ledger["dropped_lines"][0][2]) <= 200


def test_every_other_row_ragged(read_text: Any) -> None:
    lines = ROWS.splitlines()
    lines[::2] = [line + ",9" for line in lines[::2]]
    raw = read_text("utc,alt_ft,ias_kt,gear\n" + "\n".join(lines) + "\n")
    assert len(raw.tracks[0].row) == 75
    assert raw.ledger["rows_dropped"] == 75


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_damage_is_accounted_for(read_text: Any, data: st.DataObject) -> None:
    content = bytearray(LOG)
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(content) - 1))
        piece = data.draw(st.binary(min_size=0, max_size=12))
        gone = data.draw(st.integers(0, 80))
        content[at : at + gone] = piece
    try:
        read_text(bytes(content))  # the fixture checks that all lines are accounted for
    except TrimshotError as error:
        assert str(error)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=3000) | st.text(max_size=800).map(str.encode))
def test_garbage_gives_an_error_or_a_reading(read_text: Any, tmp_path: Path, content: bytes) -> None:
    assert _claims(content, tmp_path).reason
    try:
        read_text(content)
    except TrimshotError as error:
        assert str(error)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.text('0123456789.,;:-T Z"#eE+NaUP/\t\n', max_size=30), max_size=40))
def test_log_like_garbage(read_text: Any, lines: list[str]) -> None:
    try:
        read_text("\n".join(lines) + "\n")
    except TrimshotError as error:
        assert str(error)


def test_truncation_anywhere_loses_only_the_cut_line(read_text: Any) -> None:
    for cut in range(len(LOG) - 120, len(LOG)):
        raw = read_text(LOG[:cut])
        whole = LOG[:cut].count(b"\n") - 2
        assert len(raw.tracks[0].row) == whole
        cut_line = not LOG[:cut].endswith(b"\n")
        assert ("TRUNCATED_LAST_LINE" in {f.code for f in raw.findings}) == cut_line


def test_time_grows_with_size_not_with_damage(read_text: Any) -> None:
    rng = np.random.default_rng(3)
    lines = [f"{k / 10:.1f}," + ",".join(f"{v:.2f}" for v in rng.normal(100, 5, 20)) for k in range(20_000)]
    for k in rng.choice(20_000, 400, replace=False):
        lines[k] += ",1"
    text = "t_s," + ",".join(f"c{j}" for j in range(20)) + "\n" + "\n".join(lines) + "\n"
    begin = time.perf_counter()
    raw = read_text(text)
    assert len(raw.tracks[0].row) == 19_600
    assert time.perf_counter() - begin < 10.0  # a loop over all rows would take longer than this on any machine
