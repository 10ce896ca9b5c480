"""MATLAB 5 files: written by scipy, and by hand for the other byte order, and read back.

Run as a module, this file writes the sample anew: python -m tests.ingest.test_matlab
"""

from __future__ import annotations

import datetime as dt
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.io
from hypothesis import given, settings
from hypothesis import strategies as st

from trimshot.ingest.matlab.adapter import Matlab5
from trimshot.ingest.raw import HEAD_BYTES, LogFile, RawFile
from trimshot.shared.errors import ClockError, ParseError, TrimshotError

SAMPLE = Path(__file__).parents[1] / "data" / "samples" / "matlab-5" / "structs.mat"
START_S = (dt.datetime(2031, 3, 14, 9, 26, 40) - dt.datetime(1970, 1, 1)).total_seconds()
N = 30


def log_file(path: Path) -> LogFile:
    with path.open("rb") as stream:
        head = stream.read(HEAD_BYTES)
    return LogFile(path, path.name, path.stat().st_size, head)


def read(tmp_path: Path, variables: dict[str, Any], **options: Any) -> RawFile:
    path = tmp_path / "log.mat"
    scipy.io.savemat(path, variables, **options)
    assert Matlab5().claims(log_file(path)).yes
    return Matlab5().read(log_file(path), None)


def values_of(raw: RawFile, header: str) -> Any:
    return next(c.values for t in raw.tracks for c in t.columns if c.header == header)


@pytest.mark.parametrize("compressed", [True, False])
def test_vectors_matrices_structs_and_what_is_left_out(tmp_path: Path, compressed: bool) -> None:
    cells = np.empty(2, dtype=object)
    cells[:] = ["a", np.arange(3)]
    variables = {
        "t": np.arange(N)[:, None] / 10,
        "air": {"ias_kt": np.arange(N) * 2.0, "inner": {"alt_ft": 5000.0 - np.arange(N)}},
        "m": np.column_stack([np.arange(N), 3.0 * np.arange(N)]),
        "title": "run 3",
        "mass": 850.0,
        "cells": cells,
        "odd": np.arange(4) * 1.5,
    }
    raw = read(tmp_path, variables, do_compression=compressed)
    track = raw.tracks[0]
    assert track.time.basis == "elapsed" and np.allclose(track.time.seconds, np.arange(N) / 10)
    assert sorted((c.header, c.unit) for c in track.columns) == [
        ("alt_ft", "ft"),
        ("ias_kt", "kt"),
        ("m(:,1)", None),
        ("m(:,2)", None),
    ]
    assert values_of(raw, "m(:,2)")[4] == 12.0
    assert raw.metadata["title"] == "run 3" and raw.metadata["mass"] == "850.0"
    assert "cells" in next(f.text for f in raw.findings if f.code == "CHANNEL_UNNAMED")
    assert raw.ledger["not_rows"] == {"rows of tables without a time": 4}


def test_a_struct_for_each_signal_at_its_own_rate(tmp_path: Path) -> None:
    slow = np.arange(0.0, N, 5.0)
    signals = {
        "ias": {"time": np.arange(N) * 1.0, "data": 90.0 + np.arange(N), "unit": "kt"},
        "rpm": {"time": slow, "data": 2000.0 + slow},
        "units": {"rpm": "1/min"},
    }
    raw = read(tmp_path, signals)
    found = {c.header: (c.unit, c.values, t.time.seconds) for t in raw.tracks for c in t.columns}
    assert {header: unit for header, (unit, _, _) in found.items()} == {"ias": "kt", "rpm": "1/min"}
    np.testing.assert_array_equal(found["rpm"][1], 2000.0 + slow)
    np.testing.assert_array_equal(found["rpm"][2], slow)


def test_day_numbers_are_civil_stamps(tmp_path: Path) -> None:
    # datenum(2031,3,14) = 719529 (1970-01-01) + 22352 days
    days = 741_881 + (34_000 + np.arange(N)) / 86_400
    time = read(tmp_path, {"datenum": days, "ias": np.arange(N)}).tracks[0].time
    assert time.basis == "local" and time.seconds.tolist() == pytest.approx(START_S + np.arange(N), abs=1e-3)


def test_big_endian(tmp_path: Path) -> None:
    # MAT-File Format, version 5: header, then one miMATRIX element per variable
    def element(kind: int, data: bytes) -> bytes:
        return struct.pack(">II", kind, len(data)) + data + bytes(-len(data) % 8)

    def matrix(name: bytes, values: np.ndarray[Any, Any]) -> bytes:
        flags = element(6, struct.pack(">II", 6, 0))  # miUINT32: class mxDOUBLE
        shape = element(5, struct.pack(">ii", len(values), 1))
        body = flags + shape + element(1, name) + element(9, values.astype(">f8").tobytes())
        return element(14, body)

    content = b"MATLAB 5.0 MAT-file".ljust(124) + b"\x01\x00MI"
    content += matrix(b"time", np.arange(N) / 4) + matrix(b"ias", np.arange(N) * 1.5)
    path = tmp_path / "big.mat"
    path.write_bytes(content)
    assert "big-endian" in Matlab5().claims(log_file(path)).reason
    raw = Matlab5().read(log_file(path), None)
    assert values_of(raw, "ias").tolist() == (np.arange(N) * 1.5).tolist()


def test_without_vectors_or_time_it_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ParseError):
        read(tmp_path, {"name": "nothing"})
    with pytest.raises(ClockError):
        read(tmp_path, {"ias": np.array([3.0, 1.0, 2.0])})


@settings(max_examples=60, deadline=None)
@given(at=st.integers(0, 5000), noise=st.binary(min_size=1, max_size=8))
def test_changed_bytes_give_findings_or_an_error_of_ours(
    tmp_path_factory: pytest.TempPathFactory, at: int, noise: bytes
) -> None:
    content = SAMPLE.read_bytes()
    at %= len(content)
    path = tmp_path_factory.mktemp("bytes") / "x.mat"
    path.write_bytes((content[:at] + noise + content[at + len(noise) :])[: len(content)])
    try:
        raw = Matlab5().read(log_file(path), None)
    except TrimshotError:
        return
    ledger = raw.ledger
    assert ledger["rows_in"] == ledger["rows_out"] + ledger["rows_dropped"] + sum(ledger["not_rows"].values())


@settings(max_examples=30, deadline=None)
@given(table=st.lists(st.lists(st.floats(-900, 900), min_size=N, max_size=N), min_size=1, max_size=4))
def test_any_numbers_come_back(tmp_path_factory: pytest.TempPathFactory, table: list[list[float]]) -> None:
    variables: dict[str, Any] = {f"quantity_{'abcd'[k]}": np.array(values) for k, values in enumerate(table)}
    raw = read(tmp_path_factory.mktemp("any"), {"time": np.arange(N) / 10, **variables})
    for name, values in variables.items():
        assert values_of(raw, name).tolist() == values.tolist()


def write_sample() -> None:
    """A struct with a display's channels at 4 Hz, ten seconds of a descent, and a note."""
    SAMPLE.parent.mkdir(parents=True, exist_ok=True)
    k = np.arange(40)
    log = {
        "time_s": k / 4,
        "ias_kt": 95 + k % 3 / 4,
        "pressure_alt_ft": 6000.0 - 2 * k,
        "oat_c": np.float32(3.5 + k / 16),
        "gear_down_lock": (k > 24).astype(np.uint8),
    }
    scipy.io.savemat(SAMPLE, {"log": log, "start_time": "2031-03-14T09:26:40Z", "note": "descent, gear down at 6 s"})
    content = bytearray(SAMPLE.read_bytes())
    content[:116] = b"MATLAB 5.0 MAT-file, sample".ljust(116)  # no date of writing, so that the bytes stay the same
    SAMPLE.write_bytes(bytes(content))


if __name__ == "__main__":
    write_sample()
