"""Track files: what goes in comes out, short floats only without loss, no half files."""

import dataclasses
import datetime as dt
import os
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from trimshot.shared.parquet import ROWS_PER_GROUP, read_track, write_table, write_track
from trimshot.shared.recording import Clock, Column, Source, Track

START = dt.datetime(2024, 5, 6, 7, 8, 9, 250000, tzinfo=dt.UTC)
KT = 1852 / 3600


def source(name: str) -> Source:
    """A source with a ledger and a resolved clock."""
    clock = Clock("local", zone_s=7200.0, offset_s=1.25, offset_uncertainty_s=0.1, reference="gnss", evidence="é")
    ledger = {"rows_in": 3, "evidence": {"zone": "header"}, "lines": [4, 5]}
    return Source(name, "ab" * 32, 1234, "delimited", 2, "layout-1", clock, ledger)


def track(**columns: Column) -> Track:
    """Three rows, from lines 7, 8 and 9 of two files."""
    return Track(
        name="display",
        time_s=np.array([0.0, 0.1, 0.30000000000000004]),
        columns=columns,
        sources=(source("a.csv"), source("sub/b.csv")),
        row=np.array([7, 8, 9], dtype=np.int64),
        source_index=np.array([0, 0, 1], dtype=np.int16),
    )


SPEED = Column(
    "indicated_airspeed", np.array([85.2, np.nan, 85.4]) * KT, "m/s", "IAS", "kt", 0.1 * KT, ("static_pressure",)
)
WORDS = Column("gear_reported", np.array(["DOWN", None, "naïve °"], dtype=object), None, "Gear")
HALVES = Column("flap_position", np.array([0.5, np.nan, -0.0]), "1", "Flap", "%")
SAMPLE = track(indicated_airspeed=SPEED, gear_reported=WORDS, flap_position=HALVES)


def test_track_comes_back_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "display.parquet"
    write_track(SAMPLE, START, path)
    back, start = read_track(path)
    assert start == START
    assert back.name == "display"
    assert back.sources == SAMPLE.sources
    for name in ("time_s", "row", "source_index"):
        given, found = getattr(SAMPLE, name), getattr(back, name)
        assert found.dtype == given.dtype
        np.testing.assert_array_equal(found, given)
    assert list(back.columns) == list(SAMPLE.columns)
    for name, column in back.columns.items():
        given = SAMPLE.columns[name]
        assert column.values.dtype == given.values.dtype
        for fact in dataclasses.fields(Column):
            if fact.name != "values":
                assert getattr(column, fact.name) == getattr(given, fact.name)
    np.testing.assert_array_equal(back.columns["indicated_airspeed"].values, SPEED.values)
    np.testing.assert_array_equal(back.columns["flap_position"].values, HALVES.values)
    assert list(back.columns["gear_reported"].values) == ["DOWN", None, "naïve °"]


@pytest.mark.parametrize(
    ("values", "stored"),
    [
        ([0.5, 1013.25, -3.0], pa.float32()),  # binary fractions
        ([np.nan, np.nan, np.nan], pa.float32()),
        ([np.inf, -np.inf, 1.0], pa.float32()),
        ([0.1, 0.5, 1.0], pa.float64()),  # a tenth is not a short float
        ([1e300, 0.0, 0.0], pa.float64()),
        ([16777217.0, 0.0, 0.0], pa.float64()),  # 2^24 + 1
    ],
)
def test_short_floats_only_when_nothing_is_lost(tmp_path: Path, values: list[float], stored: pa.DataType) -> None:
    path = tmp_path / "t.parquet"
    write_track(track(mass=Column("mass", np.array(values), "kg", "Mass")), START, path)
    assert pq.read_schema(path).field("mass").type == stored
    np.testing.assert_array_equal(read_track(path)[0].columns["mass"].values, values)


def test_units_stand_in_the_file_itself(tmp_path: Path) -> None:
    path = tmp_path / "t.parquet"
    write_track(SAMPLE, START, path)
    schema = pq.read_schema(path)
    assert schema.names[:3] == ["time_s", "row", "source"]
    assert schema.field("time_s").metadata[b"unit"] == b"s"
    facts = schema.field("indicated_airspeed").metadata
    assert (facts[b"unit"], facts[b"header"], facts[b"unit_as_written"]) == (b"m/s", b"IAS", b"kt")
    assert b"unit" not in schema.field("gear_reported").metadata


def test_empty_track(tmp_path: Path) -> None:
    nothing = np.array([])
    columns = {
        "mass": Column("mass", nothing, "kg", "Mass"),
        "flap_reported": Column("flap_reported", nothing.astype(object), None, "Flap"),
    }
    empty = Track("none", nothing, columns, (), np.array([], dtype=np.int64), np.array([], dtype=np.int16))
    write_track(empty, START, tmp_path / "t.parquet")
    back, _ = read_track(tmp_path / "t.parquet")
    assert len(back.time_s) == 0
    assert back.columns["flap_reported"].is_text
    assert not back.columns["mass"].is_text


def test_rows_lie_in_groups_of_about_a_flight_hour(tmp_path: Path) -> None:
    path = tmp_path / "t.parquet"
    write_table(pa.table({"x": np.arange(ROWS_PER_GROUP + 1, dtype=np.float64)}), path)
    assert pq.ParquetFile(path).metadata.num_row_groups == 2


@pytest.mark.parametrize("step", ["write_table", "fsync", "replace"])
def test_interrupted_write_leaves_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str) -> None:
    def fail(*_: object, **__: object) -> None:
        raise OSError("no space left on device")

    monkeypatch.setattr({"write_table": pq.ParquetWriter, "fsync": os, "replace": Path}[step], step, fail)
    with pytest.raises(OSError, match="no space"):
        write_track(SAMPLE, START, tmp_path / "t.parquet")
    assert list(tmp_path.iterdir()) == []


def test_interrupted_rewrite_leaves_the_old_file_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "t.parquet"
    write_track(SAMPLE, START, path)
    before = path.read_bytes()

    def fail(*_: object, **__: object) -> None:
        raise OSError("no space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OSError, match="no space"):
        write_track(track(mass=Column("mass", np.zeros(3), "kg", "Mass")), START, path)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_column_encoding_is_the_one_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "t.parquet"
    values = np.linspace(0, 1, 100)
    write_table(pa.table({"a": values, "b": values}), path, column_encoding={"a": "BYTE_STREAM_SPLIT"})
    columns = pq.ParquetFile(path).metadata.row_group(0)
    assert "BYTE_STREAM_SPLIT" in columns.column(0).encodings
    assert "BYTE_STREAM_SPLIT" not in columns.column(1).encodings
    np.testing.assert_array_equal(pq.read_table(path)["a"].to_numpy(), values)
