"""Parquet, Feather and Arrow files, written with pyarrow from known arrays and read back.

Run as a module, this file writes the samples anew: python -m tests.ingest.test_columnar
"""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.feather as feather
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimshot.ingest.columnar.adapter import Columnar
from trimshot.ingest.raw import HEAD_BYTES, LogFile, RawFile
from trimshot.shared.errors import ClockError, ParseError, TrimshotError
from trimshot.shared.parquet import write_track
from trimshot.shared.recording import Column, Track
from trimshot.shared.settings import InstrumentProfile

SAMPLES = Path(__file__).parents[1] / "data" / "samples" / "parquet-and-arrow"
START = dt.datetime(2031, 3, 14, 9, 26, 40)
EPOCH = dt.datetime(1970, 1, 1)
N = 20


def log_file(path: Path) -> LogFile:
    with path.open("rb") as stream:
        head = stream.read(HEAD_BYTES)
    return LogFile(path, path.name, path.stat().st_size, head)


def read(table: pa.Table, tmp_path: Path, profile: InstrumentProfile | None = None) -> RawFile:
    path = tmp_path / "log.parquet"
    pq.write_table(table, path)
    return Columnar().read(log_file(path), profile)


def stamps(count: int = N, step_ms: int = 500) -> list[dt.datetime]:
    return [START + dt.timedelta(milliseconds=step_ms * k) for k in range(count)]


def with_time(**columns: Any) -> pa.Table:
    return pa.table({"time": pa.array(stamps(), pa.timestamp("ms", "UTC")), **columns})


def values_of(raw: RawFile, header: str) -> Any:
    return next(c.values for t in raw.tracks for c in t.columns if c.header == header)


def codes(raw: RawFile) -> set[str]:
    return {f.code for f in raw.findings}


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
@pytest.mark.parametrize("zone", [None, "UTC", "America/Denver"])
def test_time_stamps_of_every_unit_and_zone(tmp_path: Path, unit: str, zone: str | None) -> None:
    step = 1000 if unit == "s" else 500
    moments = [m.replace(tzinfo=ZoneInfo(zone)) if zone else m for m in stamps(step_ms=step)]
    table = pa.table({"stamp": pa.array(moments, pa.timestamp(unit, zone)), "ias_kt": np.arange(N) / 8})
    time = read(table, tmp_path).tracks[0].time
    offset = 6 * 3600 if zone == "America/Denver" else 0  # daylight time, UTC-6, from 9 March 2031
    assert time.basis == ("local" if zone is None else "utc")
    assert time.seconds[0] == (START - EPOCH).total_seconds() + offset
    assert np.allclose(np.diff(time.seconds), step / 1000, atol=1e-6)
    assert time.resolution_s == (1.0 if unit == "s" or step == 1000 else 1e-3)


def test_a_profile_states_the_zone_of_naive_stamps(tmp_path: Path) -> None:
    table = pa.table({"stamp": pa.array(stamps(), pa.timestamp("ms")), "ias": np.arange(N)})
    assert read(table, tmp_path, InstrumentProfile(zone="+02:00")).tracks[0].time.zone_s == 7200


def test_units_from_field_metadata_from_the_table_and_from_names(tmp_path: Path) -> None:
    fields = [
        pa.field("time", pa.timestamp("ms", "UTC")),
        pa.field("IAS", pa.float64(), metadata={"unit": "kt"}),
        pa.field("OAT", pa.float32()),
        pa.field("alt_ft", pa.int32()),
    ]
    arrays = [
        pa.array(stamps(), fields[0].type),
        np.arange(N) / 4,
        np.float32(np.arange(N)) / 8,
        np.arange(N, dtype=np.int32),
    ]
    table = pa.table(arrays, schema=pa.schema(fields, metadata={"units": json.dumps({"OAT": "degC"})}))
    raw = read(table, tmp_path)
    assert [(c.header, c.unit, c.step) for c in raw.tracks[0].columns] == [
        ("IAS", "kt", 0.25),
        ("OAT", "degC", 0.125),
        ("alt_ft", "ft", 1.0),
    ]


def test_columns_of_every_type(tmp_path: Path) -> None:
    table = with_time(
        gear=pa.array(["UP", None] * (N // 2)).dictionary_encode(),
        on=pa.array([True, False] * (N // 2)),
        attitude=pa.array([{"pitch": k / 2, "roll": {"deg": -k}} for k in range(N)]),
        load=pa.array([[k, 2 * k, 3 * k] for k in range(N)], pa.list_(pa.float32(), 3)),
        price=pa.array([dt.timedelta(seconds=k) for k in range(N)], pa.duration("ms")),
        loose=pa.array([[1.0] * (k % 3) for k in range(N)]),
    )
    raw = read(table, tmp_path)
    assert values_of(raw, "gear")[:2].tolist() == ["UP", None]
    assert values_of(raw, "on")[:2].tolist() == [1.0, 0.0]
    assert values_of(raw, "attitude.pitch")[3] == 1.5 and values_of(raw, "attitude.roll.deg")[3] == -3
    assert values_of(raw, "load[2]")[2] == 6.0
    assert values_of(raw, "price")[2] == 2.0
    left = next(f for f in raw.findings if f.code == "CHANNEL_UNNAMED")
    assert left.count == 1 and "loose" in left.text


def test_missing_and_infinite_samples_and_marks(tmp_path: Path) -> None:
    column = pa.array([1.0, None, float("nan"), float("inf"), -9999.0] + [2.0 + k / 8 for k in range(15)])
    raw = read(with_time(egt_c=column), tmp_path)
    values = values_of(raw, "egt_c")
    assert np.isnan(values[1:5]).all() and values[0] == 1.0
    assert "SENTINEL_VALUES" in codes(raw)


def test_elapsed_time_with_its_start_in_the_metadata(tmp_path: Path) -> None:
    table = pa.table({"t [s]": np.arange(N) / 8, "rpm": np.arange(N)})
    stated = {"start_time": "2031-03-14T09:26:40Z", "created": "2032-01-01T00:00:00Z", "pandas": "{}"}
    time = read(table.replace_schema_metadata(stated), tmp_path).tracks[0].time
    assert time.basis == "elapsed" and time.start == START.replace(tzinfo=dt.UTC)
    assert (
        read(table.replace_schema_metadata({"created": "2032-01-01T00:00:00Z"}), tmp_path).tracks[0].time.start is None
    )


def test_a_table_without_time_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ClockError) as caught:
        read(pa.table({"ias": [3.0, 1.0, 2.0]}), tmp_path)
    assert caught.value.code == "NO_TIME_CHANNEL"


def test_our_own_track_files_are_refused(tmp_path: Path) -> None:
    column = Column("pitch", np.zeros(3), "rad", "pitch")
    track = Track("display", np.arange(3.0), {"pitch": column}, (), np.arange(3), np.zeros(3, np.int16))
    write_track(track, dt.datetime(2031, 3, 14, tzinfo=dt.UTC), tmp_path / "display.parquet")
    with pytest.raises(ParseError) as caught:
        Columnar().read(log_file(tmp_path / "display.parquet"), None)
    assert "original log" in str(caught.value)


def test_feather_and_stream_read_the_same_as_parquet(tmp_path: Path) -> None:
    table = with_time(ias_kt=np.arange(N) / 2)
    feather.write_feather(table, tmp_path / "a.feather")
    with pa.OSFile(str(tmp_path / "a.arrows"), "wb") as sink, pa.ipc.new_stream(sink, table.schema) as writer:
        writer.write_table(table)
    whole = read(table, tmp_path)
    for name in ("a.feather", "a.arrows"):
        file = log_file(tmp_path / name)
        assert Columnar().claims(file).yes
        other = Columnar().read(file, None)
        assert np.array_equal(other.tracks[0].time.seconds, whole.tracks[0].time.seconds)
        assert values_of(other, "ias_kt").tolist() == values_of(whole, "ias_kt").tolist()


def test_rows_without_a_stamp_are_dropped_and_accounted(tmp_path: Path) -> None:
    moments: list[dt.datetime | None] = list(stamps())
    moments[7] = None
    raw = read(pa.table({"time": pa.array(moments, pa.timestamp("ms", "UTC")), "ias": np.arange(N)}), tmp_path)
    assert (raw.ledger["rows_in"], raw.ledger["rows_out"], raw.ledger["rows_dropped"]) == (N, N - 1, 1)
    assert next(f.where for f in raw.findings if f.code == "BAD_STAMP") == "row 8"


@pytest.mark.parametrize("mark", [b"PAR1", b"ARROW1\0\0", b"\xff\xff\xff\xff\x40\0\0\0"])
@settings(max_examples=40, deadline=None)
@given(noise=st.binary(max_size=300))
def test_noise_behind_a_good_mark_is_an_error_of_ours(
    tmp_path_factory: pytest.TempPathFactory, mark: bytes, noise: bytes
) -> None:
    path = tmp_path_factory.mktemp("noise") / "x"
    path.write_bytes(mark + noise)
    file = log_file(path)
    assert Columnar().claims(file).yes
    with pytest.raises(TrimshotError):
        Columnar().read(file, None)


@settings(max_examples=40, deadline=None)
@given(
    columns=st.dictionaries(
        st.from_regex(r"[a-w][a-z]{2,8} one", fullmatch=True),
        st.lists(st.floats(-900, 900, width=32), min_size=N, max_size=N),
        min_size=1,
        max_size=5,
    )
)
def test_any_numbers_come_back(tmp_path_factory: pytest.TempPathFactory, columns: dict[str, list[float]]) -> None:
    table = with_time(**{name: pa.array(values, pa.float32()) for name, values in columns.items()})
    raw = read(table, tmp_path_factory.mktemp("any"))
    for name, values in columns.items():
        assert values_of(raw, name).tolist() == values


def sample_table() -> pa.Table:
    """Ten seconds of a descent at 2 Hz; one reading missing."""
    k = np.arange(N)
    fields = [
        pa.field("utc", pa.timestamp("ms", "UTC")),
        pa.field("IAS", pa.float32(), metadata={"unit": "kt"}),
        pa.field("pressure_alt", pa.int32(), metadata={"unit": "ft"}),
        pa.field("OAT", pa.float32(), metadata={"unit": "degC"}),
        pa.field("gear", pa.dictionary(pa.int8(), pa.string())),
    ]
    oat = pa.array([None if i == 4 else 3.5 + i / 8 for i in range(N)], pa.float32())
    gear = pa.array(["UP"] * 12 + ["DOWN"] * 8).dictionary_encode().cast(fields[4].type)
    arrays = [
        pa.array(stamps(), fields[0].type),
        (95 + k % 3 / 4).astype(np.float32),
        (6000 - 5 * k).astype(np.int32),
        oat,
        gear,
    ]
    return pa.table(arrays, schema=pa.schema(fields, metadata={"recorder": "sample"}))


def write_samples() -> None:
    """Write the same table as Parquet, and one with elapsed time as Feather."""
    SAMPLES.mkdir(parents=True, exist_ok=True)
    pq.write_table(sample_table(), SAMPLES / "descent.parquet", compression="zstd")
    elapsed = pa.table(
        {"elapsed_s": np.arange(N) / 4, "motor rpm": 2300 + np.arange(N) % 4, "MAP [inHg]": 22 + np.arange(N) / 10}
    )
    started = {"start": "2031-03-14T09:26:40Z"}
    feather.write_feather(elapsed.replace_schema_metadata(started), SAMPLES / "engine.feather", compression="lz4")


if __name__ == "__main__":
    write_samples()
