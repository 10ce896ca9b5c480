"""Measurement data files, written with asammdf and read back; where the extra is missing, the error that says so.

Run as a module, this file writes the sample anew: python -m tests.ingest.test_mdf
"""

from __future__ import annotations

import datetime as dt
import importlib.util
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from trimshot.ingest.mdf.adapter import MeasurementData
from trimshot.ingest.raw import HEAD_BYTES, LogFile, RawFile
from trimshot.shared.errors import ParseError, TrimshotError

SAMPLE = Path(__file__).parents[1] / "data" / "samples" / "mdf" / "two_groups.mf4"
START = dt.datetime(2031, 3, 14, 9, 26, 40, tzinfo=dt.UTC)
needs_extra = pytest.mark.skipif(importlib.util.find_spec("asammdf") is None, reason="the extra mdf4 is not installed")


def log_file(path: Path) -> LogFile:
    with path.open("rb") as stream:
        head = stream.read(HEAD_BYTES)
    return LogFile(path, path.name, path.stat().st_size, head)


def values_of(raw: RawFile, header: str) -> Any:
    return next(c.values for t in raw.tracks for c in t.columns if c.header == header)


def test_the_first_bytes_claim() -> None:
    for head, expected in ((b"MDF     4.10    ", True), (b"UnFinMF 4.10    ", True), (b"MDF,a,b\n", False)):
        assert MeasurementData().claims(LogFile(Path("x"), "x", 16, head)).yes is expected


def test_without_the_extra_the_error_says_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "asammdf", None)  # importing it fails from here on
    with pytest.raises(ParseError) as caught:
        MeasurementData().read(log_file(SAMPLE), None)
    assert "trimshot[mdf4]" in str(caught.value) and SAMPLE.name in str(caught.value)


@needs_extra
def test_groups_are_tables_with_units_and_start() -> None:
    # the arrays are those write_sample puts in
    raw = MeasurementData().read(log_file(SAMPLE), None)
    assert [len(track.row) for track in raw.tracks] == [40, 10]
    assert [t.time.start for t in raw.tracks] == [START, START] and {t.time.basis for t in raw.tracks} == {"elapsed"}
    assert np.allclose(raw.tracks[0].time.seconds, np.arange(40) / 4)
    units = {c.header: c.unit for t in raw.tracks for c in t.columns}
    assert units == {"IAS": "kt", "P_ALT": "ft", "GEAR": None, "RPM": "1/min", "MAP": "inHg"}
    assert values_of(raw, "P_ALT").tolist() == (6000 - 2 * np.arange(40)).tolist()
    assert values_of(raw, "GEAR")[[0, 39]].tolist() == ["UP", "DOWN"]


@needs_extra
@pytest.mark.filterwarnings("ignore")  # the library warns of what it finds broken
@pytest.mark.parametrize("share", [0.1, 0.4, 0.7, 0.95])
def test_a_cut_file_gives_findings_or_an_error_of_ours(tmp_path: Path, share: float) -> None:
    content = SAMPLE.read_bytes()
    path = tmp_path / "cut.mf4"
    path.write_bytes(content[: int(len(content) * share)])
    try:
        raw = MeasurementData().read(log_file(path), None)
    except TrimshotError:
        return
    assert raw.ledger["rows_out"] <= 50


@needs_extra
@pytest.mark.filterwarnings("ignore")
def test_noise_behind_the_mark_is_an_error_of_ours(tmp_path: Path) -> None:
    path = tmp_path / "noise.mf4"
    path.write_bytes(b"MDF     4.10    " + bytes(range(256)) * 4)
    with pytest.raises(TrimshotError):
        MeasurementData().read(log_file(path), None)


def write_sample() -> None:
    """A display at 4 Hz and an engine monitor at 1 Hz."""
    from asammdf import MDF, Signal  # only where the sample is written anew

    k, s = np.arange(40), np.arange(10)
    mdf = MDF(version="4.10")
    mdf.start_time = START
    gear = np.where(k < 24, b"UP", b"DOWN")
    display = [
        Signal(95 + k % 3 / 4, k / 4, name="IAS", unit="kt"),
        Signal((6000 - 2 * k).astype(np.int32), k / 4, name="P_ALT", unit="ft"),
        Signal(gear, k / 4, name="GEAR", encoding="utf-8"),
    ]
    engine = [
        Signal(2300.0 + s % 4, s * 1.0, name="RPM", unit="1/min"),
        Signal(22.5 + s / 8, s * 1.0, name="MAP", unit="inHg"),
    ]
    mdf.append(display, acq_name="display")
    mdf.append(engine, acq_name="engine")
    SAMPLE.parent.mkdir(parents=True, exist_ok=True)
    mdf.save(SAMPLE, overwrite=True)


if __name__ == "__main__":
    write_sample()
