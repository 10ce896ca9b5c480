"""HDF5 and MATLAB files as people's own scripts write them: every right answer was written down before a reader was asked."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
import scipy.io

from tests.right_answers import Refused, Right, Samples, differences

N = 20
START = dt.datetime(2031, 4, 1, 10, tzinfo=dt.UTC)
EPOCH = int(START.timestamp())
FIRST, LAST = "2031-04-01T10:00:00Z", "2031-04-01T10:00:19Z"
T, IAS, RPM = np.arange(N, dtype=float), 80.5 + np.arange(N), 2400 + np.arange(N)
AIR = Samples(80.5, 99.5, unit="kt", channel="indicated_airspeed")
ENGINE = Samples(2400.0, 2419.0)
DATENUM = 719_529 + EPOCH / 86_400  # MATLAB's day number of the first row
Case = tuple[Callable[[Path], Path], Right | Refused]


def h5(fill: Callable[[h5py.File], None]) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        with h5py.File(folder / "log.h5", "w") as file:
            fill(file)
        return folder / "log.h5"

    return make


def vectors(time: Any, **attributes: Any) -> Callable[[Path], Path]:
    """A time with these attributes, airspeed and engine speed beside it."""

    def fill(file: h5py.File) -> None:
        file["time"] = time
        file["ias"], file["rpm"] = IAS, RPM
        file["ias"].attrs["units"] = "kt"
        file["time"].attrs.update(attributes)

    return h5(fill)


def _own_times(file: h5py.File) -> None:
    for name, values, step, unit in (("ias", IAS, 1.0, "kt"), ("rpm", RPM, 2.0, "rpm")):
        group = file.create_group(name)
        group["t"], group["value"] = EPOCH + step * T, values
        group["value"].attrs["unit"] = unit


def _recorders_with_their_own_starts(file: h5py.File) -> None:
    for name, header, values, after in (("display", "ias_kt", IAS, 0), ("engine", "rpm", RPM, 100)):
        group = file.create_group(name)
        group.attrs["start_time"] = (START + dt.timedelta(seconds=after)).isoformat()
        group["time_s"], group[header] = T, values


def _packed(file: h5py.File) -> None:
    file["time"] = EPOCH + T
    file["ias"] = np.where(np.arange(N) == 5, -32768, (IAS - 50) * 100).astype(np.int16)
    file["ias"].attrs.update({"units": "kt", "scale": 0.01, "offset": 50.0, "_FillValue": np.int16(-32768)})


def _packed_by_gain(file: h5py.File) -> None:
    file["time"] = EPOCH + T
    file["ias"] = ((IAS - 50) * 100).astype(np.int16)
    file["ias"].attrs.update({"unit": "kt", "gain": 0.01, "bias": 50.0})


def _words_for_times(file: h5py.File) -> None:
    file["utc"] = [(START + dt.timedelta(seconds=k)).isoformat() for k in range(N)]
    file["ias_kt"] = IAS
    file["gear"] = np.array([b"up"] * 10 + [b"down"] * 10)


def _matrix_named_by_its_group(file: h5py.File) -> None:
    group = file.create_group("log")
    group["data"] = np.column_stack([EPOCH + T, IAS, RPM])
    group.attrs["columns"] = ["time", "ias", "rpm"]
    group.attrs["units"] = ["s", "kt", "rpm"]


def _matrix_named_beside(file: h5py.File) -> None:
    file["data"] = np.column_stack([EPOCH + T, IAS, RPM])
    file["names"] = ["time", "ias [kt]", "rpm"]


def _compressed(file: h5py.File) -> None:
    for name, values in (("time", EPOCH + T), ("ias_kt", IAS), ("rpm", RPM)):
        file.create_dataset(name, data=values, chunks=(7,), compression="gzip", shuffle=True, fletcher32=True)


def _outside(folder: Path) -> Path:
    with h5py.File(folder / "other.h5", "w") as other:
        other["alt_ft"] = 1000 + T
    path = vectors(EPOCH + T)(folder)
    (folder / "raw.bin").write_bytes(np.arange(N, dtype="<f8").tobytes())
    with h5py.File(path, "a") as file:
        file["alt_ft"] = h5py.ExternalLink(str(folder / "other.h5"), "alt_ft")
        file.create_dataset("secret", (N,), "<f8", external=[(str(folder / "raw.bin"), 0, 8 * N)])
        layout = h5py.VirtualLayout((N,), "<f8")
        layout[:] = h5py.VirtualSource(str(folder / "other.h5"), "alt_ft", shape=(N,))
        file.create_virtual_dataset("borrowed", layout)
    (folder / "sortie").mkdir()
    return path.rename(folder / "sortie" / "log.h5").parent


def _huge(file: h5py.File) -> None:
    file["time"], file["ias_kt"] = EPOCH + T, IAS
    file.create_dataset("picture", (10**12,), "<f8", chunks=(1024,))


def _states(file: h5py.File) -> None:
    file["time"], file["ias_kt"] = EPOCH + T, IAS
    kind = h5py.enum_dtype({"up": 0, "down": 1}, basetype="i1")
    file.create_dataset("gear", data=(np.arange(N) > 9).astype("i1"), dtype=kind)
    file["flap_down"] = np.arange(N) > 9


def _one_wide(file: h5py.File) -> None:
    file["time"], file["ias_kt"], file["rpm"] = (EPOCH + T)[:, None], IAS[None, :], RPM.reshape(N, 1, 1)


def _frame(file: h5py.File) -> None:
    """As data-frame libraries lay out a table: names, index, and one block of values for each type."""
    group = file.create_group("df")
    group.attrs["pandas_type"] = "frame"
    group["axis0"] = np.array([b"ias_kt", b"oat_degC", b"rpm"])
    group["axis1"] = (EPOCH + np.arange(N)) * 10**9
    group["axis1"].attrs["kind"] = "datetime64"
    group["block0_items"] = np.array([b"ias_kt", b"oat_degC"])
    group["block0_values"] = np.column_stack([IAS, 11.5 + T])
    group["block1_items"] = np.array([b"rpm"])
    group["block1_values"] = RPM[:, None]


def _net(file: h5py.File) -> None:
    vectors_of(file, T)
    file["time"].attrs["units"] = "seconds since 2031-04-01 10:00:00"
    file["time"].make_scale("time")
    file["ias_kt"].dims[0].attach_scale(file["time"])


def vectors_of(file: h5py.File, time: Any) -> None:
    file["time"], file["ias_kt"], file["rpm"] = time, IAS, RPM


def _by_rate(file: h5py.File) -> None:
    file.attrs.update({"sample_rate": 10.0, "start_time": "2031-04-01T10:00:00Z"})
    file["ias_kt"], file["rpm"] = IAS, RPM


def _zero_as_epoch(file: h5py.File) -> None:
    file.attrs["start_time"] = float(EPOCH)
    vectors_of(file, T)


def _zero_beside(file: h5py.File) -> None:
    file["t0"] = float(EPOCH)
    vectors_of(file, T)


def _odd_types(file: h5py.File) -> None:
    file["time"] = (EPOCH + np.arange(N)).astype(">u8")
    file["ias_kt"], file["rpm"] = IAS.astype("<f2"), RPM.astype(">i2")


def _records(file: h5py.File) -> None:
    kind = [("timestamp_ns", "<i8"), ("ias", "<f4"), ("state", "S4"), ("pos", "<f8", (2,))]
    records = np.zeros(N, kind)
    records["timestamp_ns"], records["ias"], records["state"] = (EPOCH + np.arange(N)) * 10**9, IAS, b"fly"
    file["log"] = records
    file["log"].attrs["units"] = ["ns", "kt", "", "deg"]


def _two_of_one_length(file: h5py.File) -> None:
    for k, (name, values) in enumerate((("a", IAS), ("b", RPM))):
        file[f"{name}/time"] = EPOCH + 0.5 * k + T
        file[f"{name}/{('ias_kt', 'rpm')[k]}"] = values


def _calendar_parts(file: h5py.File) -> None:
    file["year"], file["month"], file["day"] = np.full(N, 2031), np.full(N, 4), np.full(N, 1)
    file["hour"], file["minute"], file["second"] = np.full(N, 10), np.full(N, 0), np.arange(N)
    file["ias_kt"] = IAS


def mat(content: dict[str, Any], **options: Any) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        scipy.io.savemat(folder / "log.mat", content, **options)
        return folder / "log.mat"

    return make


def struct_array(*members: dict[str, Any]) -> Any:
    out = np.zeros((1, len(members)), dtype=[(name, object) for name in members[0]])
    for k, member in enumerate(members):
        for name, value in member.items():
            out[0, k][name] = value
    return out


def cells(*values: Any) -> Any:
    out = np.empty((1, len(values)), dtype=object)
    out[0, :] = values
    return out


def v73(folder: Path) -> Path:
    """A matrix and a cell array of its names, as version 7.3 stores them: references into a store of cells."""
    path = folder / "log.mat"
    with h5py.File(path, "w", userblock_size=512) as file:

        def char(name: str, text: str) -> h5py.Dataset:
            made = file.create_dataset(name, data=np.array([[ord(c)] for c in text], np.uint16))
            made.attrs["MATLAB_class"] = np.bytes_("char")
            return made

        named = [char(f"#refs#/{chr(97 + k)}", text) for k, text in enumerate(("time", "ias_kt", "rpm"))]
        names = file.create_dataset("names", (3, 1), h5py.ref_dtype)
        names[:, 0] = [item.ref for item in named]
        names.attrs["MATLAB_class"] = np.bytes_("cell")
        data = file.create_dataset("data", data=np.vstack([EPOCH + T, IAS, RPM]))
        data.attrs["MATLAB_class"] = np.bytes_("double")
    with path.open("r+b") as raw:
        raw.write(b"MATLAB 7.3 MAT-file, written by hand".ljust(124) + b"\x00\x02IM")
    return path


BOTH = {"ias": AIR, "rpm": ENGINE}
SUFFIXED = {"ias_kt": AIR, "rpm": ENGINE}
WHOLE = Right(N, "utc", FIRST, LAST, BOTH)
PLAIN = Right(N, "utc", FIRST, LAST, SUFFIXED)
COLUMN = {"ias": IAS[:, None], "rpm": RPM[:, None]}
HDF5: dict[str, Case] = {
    "nanoseconds since 1970": (vectors((EPOCH + np.arange(N)) * 10**9), WHOLE),
    "microseconds since 1970": (vectors((EPOCH + np.arange(N)) * 10**6, units="us"), WHOLE),
    "milliseconds since 1970": (vectors((EPOCH + np.arange(N)) * 1000, unit="milliseconds"), WHOLE),
    "seconds from a start in an attribute": (vectors(T, units="s", start="2031-04-01T10:00:00Z"), WHOLE),
    "milliseconds from a start in an attribute": (
        vectors(np.arange(N) * 1000, unit="ms", start="2031-04-01 10:00:00 UTC"),
        WHOLE,
    ),
    "milliseconds since a moment": (
        vectors(np.arange(N) * 1000, units="milliseconds since 2031-04-01T10:00:00Z"),
        WHOLE,
    ),
    "seconds of the satellite week": (
        vectors(208_818 + T, long_name="GPS seconds of week"),
        Right(N, "elapsed", columns=BOTH),
    ),
    "a time for each channel": (
        h5(_own_times),
        Right(2 * N, "utc", FIRST, "2031-04-01T10:00:38Z", {"ias": AIR, "rpm": ENGINE}),
    ),
    "recorders with starts of their own": (
        h5(_recorders_with_their_own_starts),
        Right(2 * N, "utc", FIRST, "2031-04-01T10:01:59Z", SUFFIXED),
    ),
    "scale, offset and a fill value": (
        h5(_packed),
        Right(N, "utc", FIRST, LAST, {"ias": Samples(80.5, 99.5, 1, "kt")}),
    ),
    "gain and bias": (h5(_packed_by_gain), Right(N, "utc", FIRST, LAST, {"ias": AIR})),
    "stamps and states as words": (
        h5(_words_for_times),
        Right(N, "utc", FIRST, LAST, {"ias_kt": AIR, "gear": Samples("up", "down")}),
    ),
    "a matrix named by its group": (h5(_matrix_named_by_its_group), WHOLE),
    "a matrix named by a list beside it": (
        h5(_matrix_named_beside),
        Right(N, "utc", FIRST, LAST, {"ias [kt]": AIR, "rpm": ENGINE}),
    ),
    "chunks, compressed with check sums": (h5(_compressed), PLAIN),
    "data outside the file": (
        _outside,
        Right(N, "utc", FIRST, LAST, BOTH, codes=["CHANNEL_UNNAMED"], absent=["alt_ft", "secret", "borrowed"]),
    ),
    "a huge array that was never written": (h5(_huge), Right(N, "utc", FIRST, LAST, {"ias_kt": AIR})),
    "states as enumerations": (
        h5(_states),
        Right(N, "utc", FIRST, LAST, {"ias_kt": AIR, "gear": Samples("up", "down"), "flap_down": Samples(0.0, 1.0)}),
    ),
    "vectors in two and three dimensions": (h5(_one_wide), PLAIN),
    "a data frame's blocks": (
        h5(_frame),
        Right(N, "utc", FIRST, LAST, SUFFIXED | {"oat_degC": Samples(11.5, 30.5, 0, "degC")}),
    ),
    "dimension scales": (h5(_net), PLAIN),
    "a rate and a start for all": (h5(_by_rate), Right(N, "utc", FIRST, None, SUFFIXED, step=0.1)),
    "the start as a count": (h5(_zero_as_epoch), PLAIN),
    "the start as a number beside": (h5(_zero_beside), PLAIN),
    "half precision and the other byte order": (h5(_odd_types), PLAIN),
    "records with text and pairs": (
        h5(_records),
        Right(N, "utc", FIRST, LAST, {"ias": AIR, "state": Samples("fly", "fly")}),
    ),
    "two recorders of one length": (h5(_two_of_one_length), Right(2 * N, "utc", FIRST, None, SUFFIXED)),
    "year to second in six arrays": (h5(_calendar_parts), Right(N, "unzoned", FIRST[:-1], LAST[:-1], {"ias_kt": AIR})),
}
MATLAB: dict[str, Case] = {
    "column vectors": (mat({"time": (EPOCH + T)[:, None], "ias_kt": IAS[:, None], "rpm": RPM[:, None]}), PLAIN),
    "row vectors, integers": (mat({"time": (EPOCH + np.arange(N)), "ias_kt": IAS, "rpm": RPM.astype(np.int16)}), PLAIN),
    "posix time": (
        mat({"posixtime": (EPOCH + T)[:, None], "ias_kt": IAS[:, None]}),
        Right(N, "utc", FIRST, LAST, {"ias_kt": AIR}),
    ),
    "day numbers": (
        mat({"t": DATENUM + T / 86400, "ias_kt": IAS, "rpm": RPM}),
        Right(N, "unzoned", FIRST[:-1], LAST[:-1], SUFFIXED),
    ),
    "a row for each signal in an array of structs": (
        mat(
            {
                "t": EPOCH + T,
                "sig": struct_array(
                    {"name": "ias", "unit": "kt", "data": IAS}, {"name": "rpm", "unit": "rpm", "data": RPM}
                ),
            }
        ),
        WHOLE,
    ),
    "an array of structs, each with its time": (
        mat(
            {
                "sig": struct_array(
                    {"name": "ias", "units": "kt", "time": EPOCH + T, "values": IAS},
                    {"name": "rpm", "units": "rpm", "time": EPOCH + 2 * T, "values": RPM},
                )
            }
        ),
        Right(2 * N, "utc", FIRST, "2031-04-01T10:00:38Z", BOTH),
    ),
    "a structure with time": (
        mat(
            {
                "log": {
                    "time": T[:, None],
                    "signals": struct_array(
                        {"values": IAS[:, None], "label": "ias_kt"}, {"values": RPM[:, None], "label": "rpm"}
                    ),
                }
            }
        ),
        Right(N, "elapsed", 0.0, 19.0, SUFFIXED),
    ),
    "time series with units": (
        mat(
            {
                "ias": {"Time": EPOCH + T, "Data": IAS, "DataInfo": {"Units": "kt"}},
                "rpm": {"Time": EPOCH + T, "Data": RPM},
            }
        ),
        replace(WHOLE, rows=2 * N),
    ),
    "a matrix and a cell array of names": (
        mat({"data": np.column_stack([EPOCH + T, IAS, RPM]), "names": cells("time", "ias_kt", "rpm")}),
        PLAIN,
    ),
    "a matrix, its names and its units": (
        mat(
            {
                "data": np.column_stack([EPOCH + T, IAS, RPM]),
                "names": cells("time", "ias", "rpm"),
                "units": cells("s", "kt", "rpm"),
            }
        ),
        WHOLE,
    ),
    "a matrix and a character matrix of names": (
        mat({"data": np.column_stack([EPOCH + T, IAS, RPM]), "colnames": np.array(["time  ", "ias_kt", "rpm   "])}),
        PLAIN,
    ),
    "stamps as a character matrix": (
        mat(
            {
                "utc": np.array([(START + dt.timedelta(seconds=k)).strftime("%Y-%m-%d %H:%M:%S") for k in range(N)]),
                "ias_kt": IAS[:, None],
                "rpm": RPM[:, None],
            }
        ),
        PLAIN,
    ),
    "stamps as a cell array": (
        mat(
            {
                "utc": cells(*[(START + dt.timedelta(seconds=k)).isoformat() for k in range(N)]),
                "ias_kt": IAS,
                "rpm": RPM,
            }
        ),
        PLAIN,
    ),
    "states as a cell array": (
        mat({"time": EPOCH + T, "ias_kt": IAS, "gear": cells(*["up"] * 10, *["down"] * 10)}),
        Right(N, "utc", FIRST, LAST, {"ias_kt": AIR, "gear": Samples("up", "down")}),
    ),
    "rows of year to second": (
        mat(
            {
                "t": np.column_stack([np.full((N, 5), [2031, 4, 1, 10, 0]), T]),
                "ias_kt": IAS[:, None],
                "rpm": RPM[:, None],
            }
        ),
        Right(N, "unzoned", FIRST[:-1], LAST[:-1], SUFFIXED),
    ),
    "logical values": (
        mat({"time": EPOCH + T, "ias_kt": IAS, "gear_down": np.arange(N) > 9}),
        Right(N, "utc", FIRST, LAST, {"ias_kt": AIR, "gear_down": Samples(0.0, 1.0)}),
    ),
    "complex, sparse and empty ones beside": (
        mat({"time": EPOCH + T, "ias_kt": IAS, "z": IAS + 1j, "none": np.zeros((0, 0))}),
        Right(N, "utc", FIRST, LAST, {"ias_kt": AIR}),
    ),
    "version 4": (mat({"time": EPOCH + T, "ias_kt": IAS}, format="4"), Right(N, "utc", FIRST, LAST, {"ias_kt": AIR})),
    "version 7.3, a matrix and a cell array of names": (v73, PLAIN),
    "one struct in another": (
        mat({"flight": {"air": {"time": EPOCH + T, "ias_kt": IAS}, "engine": {"time": EPOCH + T, "rpm": RPM}}}),
        replace(PLAIN, rows=2 * N),
    ),
}
CASES = {f"HDF5, {k}": v for k, v in HDF5.items()} | {f"MATLAB, {k}": v for k, v in MATLAB.items()}


@pytest.mark.parametrize("name", CASES)
def test_arrays(name: str, tmp_path: Path) -> None:
    make, right = CASES[name]
    assert differences(make(tmp_path), right) == []
