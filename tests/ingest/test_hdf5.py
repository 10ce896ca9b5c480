"""HDF5 files, written with h5py from known arrays and read back, MATLAB 7.3 files among them.

Run as a module, this file writes the sample anew: python -m tests.ingest.test_hdf5
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimshot.ingest.hdf5.adapter import Hdf5
from trimshot.ingest.hdf5.superblock import stored_size
from trimshot.ingest.raw import HEAD_BYTES, LogFile, RawFile
from trimshot.shared.errors import ClockError, ParseError, TrimshotError

SAMPLE = Path(__file__).parents[1] / "data" / "samples" / "hdf5" / "two_rates.h5"
EPOCH = dt.datetime(1970, 1, 1)
START = dt.datetime(2031, 3, 14, 9, 26, 40)
START_S = (START - EPOCH).total_seconds()
N = 40


def log_file(path: Path) -> LogFile:
    with path.open("rb") as stream:
        head = stream.read(HEAD_BYTES)
    return LogFile(path, path.name, path.stat().st_size, head)


def read(tmp_path: Path, fill: Callable[[h5py.File], None], **options: Any) -> RawFile:
    path = tmp_path / "log.h5"
    with h5py.File(path, "w", **options) as file:
        fill(file)
    assert Hdf5().claims(log_file(path)).yes
    return Hdf5().read(log_file(path), None)


def values_of(raw: RawFile, header: str) -> Any:
    return next(c.values for t in raw.tracks for c in t.columns if c.header == header)


def headers(raw: RawFile) -> list[list[str]]:
    return [[c.header for c in track.columns] for track in raw.tracks]


def test_vectors_with_units_and_a_start(tmp_path: Path) -> None:
    def fill(file: h5py.File) -> None:
        file.attrs["start_time"] = "2031-03-14T09:26:40Z"
        file.attrs["created"] = "2033-01-01T00:00:00Z"
        file["time"] = np.arange(N) / 8
        file["time"].attrs["units"] = "s"
        file["IAS"] = np.float32(np.arange(N)) / 4
        file["IAS"].attrs["unit"] = b"kt"

    track = read(tmp_path, fill).tracks[0]
    assert track.time.basis == "elapsed" and track.time.start == START.replace(tzinfo=dt.UTC)
    assert track.time.seconds.tolist() == (np.arange(N) / 8).tolist()
    assert [(c.header, c.unit, c.step) for c in track.columns] == [("IAS", "kt", 0.25)]


def test_two_rates_are_two_tables_each_with_its_own_time(tmp_path: Path) -> None:
    def fill(file: h5py.File) -> None:
        for group, count in (("fast", 40), ("slow", 10)):
            file[f"{group}/utc"] = START_S + np.arange(count) * 40 / count
            file[f"{group}/value_{group}"] = np.arange(count) * 2.0

    raw = read(tmp_path, fill)
    assert headers(raw) == [["value_fast"], ["value_slow"]]
    assert [(t.time.basis, len(t.row)) for t in raw.tracks] == [("utc", 40), ("utc", 10)]


def test_groups_without_a_time_take_the_one_above(tmp_path: Path) -> None:
    def fill(file: h5py.File) -> None:
        file["time"] = np.arange(N) / 10
        file["air/ias"] = np.arange(N) * 1.0
        file["engine/rpm"] = 2000.0 + np.arange(N)
        file["image"] = np.zeros((4, 4, 4))
        file["calibration"] = np.arange(7) * 0.5

    raw = read(tmp_path, fill)
    assert headers(raw) == [["ias", "rpm"]]
    found = {f.code: f for f in raw.findings}
    assert found["NO_TIME_CHANNEL"].facts["columns"] == ["calibration"]
    assert "image" in found["CHANNEL_UNNAMED"].text
    assert raw.ledger["rows_in"] == N + 7 and raw.ledger["not_rows"] == {"rows of tables without a time": 7}


def test_a_group_per_channel(tmp_path: Path) -> None:
    def fill(file: h5py.File) -> None:
        for name in ("IAS", "ALT"):
            file[f"{name}/data"] = np.arange(N) * 1.0
            file[f"{name}/data"].attrs["sample_rate"] = 20.0
            file[f"{name}/data"].attrs["units"] = "kt"

    raw = read(tmp_path, fill)
    assert len(raw.tracks) == 2
    for track in raw.tracks:
        assert track.time.basis == "elapsed" and np.allclose(np.diff(track.time.seconds), 0.05)


def test_matrix_with_column_names_and_units(tmp_path: Path) -> None:
    def fill(file: h5py.File) -> None:
        file["log"] = np.column_stack([np.arange(N) / 10, np.arange(N) * 2.0, np.arange(N) * 3.0])
        file["log"].attrs["columns"] = ["time", "ias", "alt"]
        file["log"].attrs["units"] = ["s", "kt", "ft"]

    raw = read(tmp_path, fill)
    assert [(c.header, c.unit) for c in raw.tracks[0].columns] == [("ias", "kt"), ("alt", "ft")]
    assert values_of(raw, "alt")[3] == 9.0


def test_matrix_across_the_time_is_turned(tmp_path: Path) -> None:
    def fill(file: h5py.File) -> None:
        file["time"] = np.arange(N) / 10
        file["m"] = np.vstack([np.arange(N) * 2.0, np.arange(N) * 3.0])

    assert values_of(read(tmp_path, fill), "m[:,1]")[2] == 6.0


def test_records(tmp_path: Path) -> None:
    def fill(file: h5py.File) -> None:
        records = np.zeros(N, dtype=[("time_us", "<i8"), ("ias", ">f4"), ("gear", "S5")])
        records["time_us"], records["ias"], records["gear"] = np.arange(N) * 100_000, np.arange(N) / 2, b"UP"
        file["display"] = records

    raw = read(tmp_path, fill)
    assert np.allclose(raw.tracks[0].time.seconds, np.arange(N) / 10)
    assert values_of(raw, "ias")[5] == 2.5 and set(values_of(raw, "gear")) == {"UP"}


def test_packed_numbers_fill_values_and_times_since(tmp_path: Path) -> None:
    # climate and forecast conventions 1.10, sections 4.4 and 8.1
    def fill(file: h5py.File) -> None:
        file["time"] = np.arange(N)
        file["time"].attrs["units"] = "seconds since 2031-03-14 09:26:40"
        packed = np.arange(N, dtype=np.int16)
        packed[3] = -32000
        file["oat"] = packed
        file["oat"].attrs.update(
            {"scale_factor": 0.5, "add_offset": -10.0, "_FillValue": np.int16(-32000), "units": "degC"}
        )

    raw = read(tmp_path, fill)
    values = values_of(raw, "oat")
    assert values[4] == -8.0 and np.isnan(values[3])
    assert raw.tracks[0].time.start == START.replace(tzinfo=dt.UTC)


@pytest.mark.parametrize(
    "options", [{}, {"libver": "latest"}, {"userblock_size": 512}, {"userblock_size": 2048, "libver": "latest"}]
)
def test_truncated_files_of_every_version_name_both_sizes(tmp_path: Path, options: dict[str, Any]) -> None:
    path = tmp_path / "log.h5"
    with h5py.File(path, "w", **options) as file:
        file["time"], file["ias"] = np.arange(1000.0), np.arange(1000.0)
    content = path.read_bytes()
    (tmp_path / "cut.h5").write_bytes(content[: len(content) // 2])
    cut = log_file(tmp_path / "cut.h5")
    with pytest.raises(ParseError) as caught:
        Hdf5().read(cut, None)
    assert caught.value.code == "HDF5_TRUNCATED"
    assert str(len(content)) in str(caught.value) and str(len(content) // 2) in str(caught.value)
    assert stored_size(content[:4096], options.get("userblock_size", 0)) == len(content)


# -- MATLAB 7.3 -----------------------------------------------------------------------------------


def write_matlab(path: Path, fill: Callable[[h5py.File], None]) -> None:
    """An HDF5 file with MATLAB's text block: 116 bytes of text, 8 of offset, version 0x0200, byte order 'IM'."""
    with h5py.File(path, "w", userblock_size=512) as file:
        fill(file)
    text = b"MATLAB 7.3 MAT-file, Platform: X, Created on: Fri Mar 14 09:26:40 2031 HDF5 schema 1.00 ."
    with path.open("r+b") as stream:
        stream.write(text.ljust(116) + bytes(8) + b"\x00\x02IM")


def put(file: h5py.File, name: str, values: Any, kind: str) -> None:
    """A variable as MATLAB stores it: dimensions reversed, its class as an attribute."""
    file[name] = np.atleast_2d(np.asarray(values)).T
    file[name].attrs["MATLAB_class"] = np.bytes_(kind)


def test_matlab_structs_text_and_cells(tmp_path: Path) -> None:
    def fill(file: h5py.File) -> None:
        put(file, "log/t", np.arange(N)[:, None] / 10, "double")
        put(file, "log/ias", np.arange(N)[:, None] / 2, "single")
        put(file, "log/on", (np.arange(N)[:, None] % 2).astype(np.uint8), "logical")
        put(file, "log/m", np.column_stack([np.arange(N), 2.0 * np.arange(N)]), "double")
        put(file, "log/pilot_note", np.array([[ord(c) for c in "run 3 ü"]], dtype=np.uint16), "char")
        put(file, "mass", [[850.0]], "double")
        file["log"].attrs["MATLAB_class"] = np.bytes_("struct")
        reference = file.create_dataset("#refs#/a", data=[1.0]).ref
        file.create_dataset("cells", data=np.array([[reference]], dtype=h5py.ref_dtype))
        file["cells"].attrs["MATLAB_class"] = np.bytes_("cell")

    path = tmp_path / "log.mat"
    write_matlab(path, fill)
    raw = Hdf5().read(log_file(path), None)
    assert sorted(headers(raw)[0]) == ["ias", "m(:,1)", "m(:,2)", "on"]
    assert values_of(raw, "m(:,2)")[3] == 6.0
    assert raw.metadata["log/pilot_note"] == "run 3 ü" and raw.metadata["mass"] == "850.0"
    assert "cells" in next(f.text for f in raw.findings if f.code == "CHANNEL_UNNAMED")
    assert raw.tracks[0].time.start is None  # 'Created on' is not when the recorder started


def test_matlab_day_numbers(tmp_path: Path) -> None:
    # datenum(2031,3,14) = 719529 (1970-01-01) + 22352 days = 741881; 09:26:40 is 34000/86400 of a day
    def fill(file: h5py.File) -> None:
        put(file, "datenum", (741_881 + (34_000 + np.arange(N)) / 86_400)[:, None], "double")
        put(file, "ias", np.arange(N)[:, None] * 1.0, "double")

    path = tmp_path / "log.mat"
    write_matlab(path, fill)
    time = Hdf5().read(log_file(path), None).tracks[0].time
    assert time.basis == "local" and time.seconds.tolist() == pytest.approx(START_S + np.arange(N), abs=1e-3)


# -- whatever the bytes -----------------------------------------------------------------------------


def test_a_file_without_time_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ClockError):
        read(tmp_path, lambda file: file.create_dataset("x", data=np.array([3.0, 1.0, 2.0])) and None)


@settings(max_examples=40, deadline=None)
@given(noise=st.binary(max_size=400))
def test_noise_behind_the_signature_is_an_error_of_ours(tmp_path_factory: pytest.TempPathFactory, noise: bytes) -> None:
    path = tmp_path_factory.mktemp("noise") / "x.h5"
    path.write_bytes(b"\x89HDF\r\n\x1a\n" + noise)
    assert Hdf5().claims(log_file(path)).yes
    with pytest.raises(TrimshotError):
        Hdf5().read(log_file(path), None)


@settings(max_examples=60, deadline=None)
@given(at=st.integers(0, 5000), byte=st.integers(0, 255))
def test_a_changed_byte_gives_findings_or_an_error_of_ours(
    tmp_path_factory: pytest.TempPathFactory, at: int, byte: int
) -> None:
    content = bytearray(SAMPLE.read_bytes())
    content[at % len(content)] = byte
    path = tmp_path_factory.mktemp("byte") / "x.h5"
    path.write_bytes(bytes(content))
    try:
        raw = Hdf5().read(log_file(path), None)
    except TrimshotError:
        return
    assert raw.ledger["rows_in"] == raw.ledger["rows_out"] + raw.ledger["rows_dropped"] + sum(
        raw.ledger["not_rows"].values()
    )


@settings(max_examples=30, deadline=None)
@given(table=st.lists(st.lists(st.floats(-900, 900), min_size=N, max_size=N), min_size=1, max_size=4))
def test_any_numbers_come_back(tmp_path_factory: pytest.TempPathFactory, table: list[list[float]]) -> None:
    def fill(file: h5py.File) -> None:
        file["time"] = np.arange(N) / 10
        for k, values in enumerate(table):
            file[f"quantity {k}"] = values

    raw = read(tmp_path_factory.mktemp("any"), fill)
    for k, values in enumerate(table):
        assert values_of(raw, f"quantity {k}").tolist() == values


def write_sample() -> None:
    """A display at 4 Hz and an engine monitor at 1 Hz in groups of their own, ten seconds of a descent."""
    SAMPLE.parent.mkdir(parents=True, exist_ok=True)
    with h5py.File(SAMPLE, "w", track_order=True) as file:
        file.attrs["recorder"] = "sample"
        for group, count, channels in (
            (
                "display",
                40,
                {"IAS": ("kt", 95.0, 0.25), "pressure_alt": ("ft", 6000.0, -2.0), "pitch": ("deg", -3.0, 0.125)},
            ),
            ("engine", 10, {"rpm": ("1/min", 2300.0, 1.0), "MAP": ("inHg", 22.5, 0.125)}),
        ):
            file[f"{group}/utc"] = START_S + np.arange(count) * 10 / count
            file[f"{group}/utc"].attrs["units"] = "s"
            for name, (unit, first, step) in channels.items():
                wave = np.arange(count) if step < 0 else np.arange(count) % 4
                file[f"{group}/{name}"] = np.float32(first + step * wave)
                file[f"{group}/{name}"].attrs["units"] = unit


if __name__ == "__main__":
    write_sample()
