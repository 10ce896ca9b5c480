"""A second set of odd inputs of all formats, written after the first one's faults were mended: each right answer first."""

from __future__ import annotations

import datetime as dt
import gzip
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from tests.ingest.test_odd_archives import ENGINE, LOG, in_folder, packed, zipped
from tests.ingest.test_odd_arrays import EPOCH, IAS, RPM, T, cells, h5, mat, struct_array
from tests.ingest.test_odd_columnar import parquet, table
from tests.ingest.test_odd_satellite import gpx, igc, nmea, point, sentence
from tests.ingest.test_odd_satellite import written as file_of
from tests.ingest.test_odd_spreadsheets import book
from tests.right_answers import Refused, Right, Samples, differences

N = 20
START = dt.datetime(2031, 4, 1, 10)
FIRST, LAST = "2031-04-01T10:00:00", "2031-04-01T10:00:19"
AIR = Samples(80.5, 99.5, unit="kt", channel="indicated_airspeed")
COLUMN = {"IAS (kt)": AIR}
ARRAYS = {"ias_kt": AIR}
UTC = Right(N, "utc", FIRST + "Z", LAST + "Z", COLUMN)
LOCAL = Right(N, "unzoned", FIRST, LAST, COLUMN)
SET = Right(N, "utc", FIRST + "Z", LAST + "Z", ARRAYS)
Case = tuple[Callable[[Path], Path], Right | Refused]


def at(k: float) -> dt.datetime:
    return START + dt.timedelta(seconds=k)


def text(
    stamp: Callable[[int], str], head: str = "Time", *, above: Sequence[str] = (), name: str = "log.csv", more: str = ""
) -> Callable[[Path], Path]:
    lines = [*above, f"{head},IAS (kt),RPM{',Remark' if more else ''}"]
    lines += [f"{stamp(k)},{80.5 + k},{2400 + k}{more}" for k in range(N)]
    return file_of(name, "\n".join(lines) + "\n")


def form(pattern: str) -> Callable[[int], str]:
    return lambda k: at(k).strftime(pattern)


def rows(value: float) -> str:
    return "".join(f"{at(k):%Y-%m-%dT%H:%M:%S}Z,{value + k},{value - k}\n" for k in range(N))


def sheet(
    *rows: Sequence[Any], first: Callable[[int], Any] = at, head: Sequence[str] = ("UTC", "IAS (kt)", "RPM")
) -> list[list[Any]]:
    return [*map(list, rows), list(head), *([first(k), 80.5 + k, 2400 + k] for k in range(N))]


def _named_by_attribute(file: h5py.File) -> None:
    for k, (name, unit, values) in enumerate((("time", "s", EPOCH + T), ("ias", "kt", IAS), ("rpm", "rpm", RPM))):
        file[f"Channel {k}"] = values
        file[f"Channel {k}"].attrs.update({"name": name, "unit": unit})


def _waveforms(file: h5py.File) -> None:
    for name, values in (("ias_kt", IAS), ("rpm", RPM)):
        file[name] = values
        file[name].attrs.update({"wf_start_time": "2031-04-01T10:00:00Z", "wf_increment": 1.0})


def _deep(file: h5py.File) -> None:
    file["time"] = EPOCH + T
    file["flight/air/ias_kt"], file["flight/engine/left/rpm"] = IAS, RPM


def _base_time(file: h5py.File) -> None:
    file.attrs["base_time"] = "2031-04-01 10:00:00 UTC"
    file["time"], file["ias_kt"] = T, IAS
    file["time"].attrs["units"] = "s"


def _comma_names(file: h5py.File) -> None:
    file["data"] = np.column_stack([EPOCH + T, IAS, RPM])
    file["data"].attrs["columns"] = "time, ias_kt, rpm"


def _across(file: h5py.File) -> None:
    file["data"] = np.vstack([EPOCH + T, IAS, RPM])
    file["data"].attrs["columns"] = ["time", "ias_kt", "rpm"]


def rmc(k: int, status: str = "A", date: str = "010431") -> str:
    return sentence(f"GNRMC,1000{k:02d}.00,{status},4700.{100 + k:03d},N,00800.000,E,95.5,{90 + k}.0,{date},,,A")


def gns(k: int) -> str:
    return sentence(f"GNGNS,1000{k:02d}.00,4700.{100 + k:03d},N,00800.000,E,AA,14,0.8,{500 + k}.5,47.0,,")


EACH = range(N)
B = [f"B1000{k:02d}4700{100 + k:03d}S00800000WA0120001250" for k in EACH]
DATA = np.column_stack([EPOCH + T, IAS, RPM])
CASES: dict[str, Case] = {
    # text
    "a dash between date and time": (text(form("%Y/%m/%d-%H:%M:%S")), LOCAL),
    "a short month and a short year": (text(form("%d-%b-%y %H:%M:%S")), LOCAL),
    "an underscore between digits": (text(form("%Y%m%d_%H%M%S")), LOCAL),
    "a comma before the fraction, quoted": (
        text(lambda k: f'"{at(k):%Y-%m-%dT%H:%M:%S},500Z"'),
        Right(N, "utc", FIRST + ".500000Z", columns=COLUMN),
    ),
    "one-digit days and months": (
        text(lambda k: f"14.4.2031 9:59:{30 + k}"),
        Right(N, "unzoned", "2031-04-14T09:59:30", columns=COLUMN),
    ),
    "a.m. with points": (text(lambda k: f"2031-04-01 {at(k):%I:%M:%S} a.m."), LOCAL),
    "time only with Z, the date in a comment": (text(form("%H:%M:%SZ"), above=["# Flight of 2031-04-01"]), UTC),
    "epoch named time in seconds": (text(lambda k: str(EPOCH + k), "Time (s)"), UTC),
    "epoch in quotes": (text(lambda k: f'"{(EPOCH + k) * 1000}"', "timestamp"), UTC),
    "an offset in a column": (text(lambda k: f"{at(k + 7200):%Y-%m-%d %H:%M:%S},+02:00", "Local time,UTC offset"), UTC),
    "an offset in hours in a column": (
        text(lambda k: f"{at(k + 7200):%Y-%m-%d %H:%M:%S},2", "Local time,UTC offset (h)"),
        UTC,
    ),
    "GMT+1 behind each stamp": (text(lambda k: f"{at(k + 3600):%Y-%m-%d %H:%M:%S} GMT+1"), UTC),
    "universal and local time beside each other": (
        text(lambda k: f"{at(k):%Y-%m-%d},{at(k):%H:%M:%S},{at(k + 7200):%H:%M:%S}", "UTC date,UTC time,Local time"),
        UTC,
    ),
    "T+ in front of a count": (text(lambda k: f"T+00:00:{k:02d}.0", "Elapsed"), Right(N, "elapsed", 0.0, 19.0, COLUMN)),
    "milliseconds since the start": (
        text(lambda k: str(1000 * k), "time since start [ms]"),
        Right(N, "elapsed", 0.0, 19.0, COLUMN),
    ),
    "a date, and seconds of the day": (text(lambda k: f"2031-04-01,{36000 + k}", "Date,Seconds of day"), LOCAL),
    "hours without their zero": (
        text(lambda k: f"2031-04-01 9:59:{30 + k}"),
        Right(N, "unzoned", "2031-04-01T09:59:30", columns=COLUMN),
    ),
    "the zone's name in every row": (text(lambda k: f"{at(k + 7200):%Y-%m-%d %H:%M:%S} Europe/Berlin"), UTC),
    "the zone in a column": (text(lambda k: f"{at(k + 7200):%Y-%m-%d %H:%M:%S},CEST", "Time,Zone"), UTC),
    "units behind the numbers": (
        file_of(
            "log.csv",
            "UTC,IAS,Alt\n" + "".join(f"{at(k):%Y-%m-%dT%H:%M:%S}Z,{80.5 + k} kt,{1000 + k} ft\n" for k in EACH),
        ),
        Right(
            N,
            "utc",
            FIRST + "Z",
            LAST + "Z",
            {"IAS": Samples(80.5, 99.5, unit="kt"), "Alt": Samples(1000.0, 1019.0, unit="ft")},
        ),
    ),
    "a table of settings above another": (
        file_of(
            "log.csv",
            "Setting,Value\nRate,1\nGain,2\nMode,3\n\nUTC,IAS (kt),RPM\n"
            + "".join(f"{at(k):%Y-%m-%dT%H:%M:%S}Z,{80.5 + k},{2400 + k}\n" for k in EACH),
        ),
        UTC,
    ),
    "semicolons and a list of units below": (
        file_of(
            "log.csv",
            "UTC;IAS;RPM\n-;kt;1/min\n" + "".join(f"{at(k):%Y-%m-%dT%H:%M:%S}Z;{80 + k},5;{2400 + k}\n" for k in EACH),
        ),
        Right(N, "utc", FIRST + "Z", LAST + "Z", {"IAS": AIR}),
    ),
    "tables for three recorders below each other": (
        file_of(
            "log.csv",
            "".join(
                f"{head}\n" + "".join(f"{at(k):%Y-%m-%dT%H:%M:%S}Z,{value + k},{value - k}\n" for k in EACH) + "\n"
                for head, value in (
                    ("UTC,IAS (kt),TAS (kt)", 80.5),
                    ("UTC,CHT1 (°C),CHT2 (°C)", 150),
                    ("UTC,Pitch (deg),Bank (deg)", 5),
                )
            ),
        ),
        Right(
            3 * N,
            "utc",
            FIRST + "Z",
            LAST + "Z",
            {"IAS (kt)": AIR, "CHT1 (°C)": Samples(150.0, 169.0), "Bank (deg)": Samples(5.0, -14.0)},
        ),
    ),
    "a title above a table below another": (
        file_of(
            "log.csv",
            f"UTC,IAS (kt),RPM\n{rows(80.5)}Engine,leg two,smooth\nUTC,CHT1 (°C),CHT2 (°C)\n{rows(150)}end,of,log\nUTC,nothing,more\n",
        ),
        Right(2 * N, "utc", FIRST + "Z", LAST + "Z", {"IAS (kt)": AIR, "CHT1 (°C)": Samples(150.0, 169.0)}),
    ),
    # workbooks
    "a start above a count": (
        book(
            sheet(
                ["Pilot", "n.n."],
                ["Date", dt.date(2031, 4, 1)],
                ["Start (UTC)", dt.time(10)],
                [],
                first=lambda k: k,
                head=("Elapsed (s)", "IAS (kt)", "RPM"),
            )
        ),
        UTC,
    ),
    "minutes and seconds as durations": (
        book(sheet(first=lambda k: dt.timedelta(seconds=k), head=("Elapsed", "IAS (kt)", "RPM")), form="[mm]:ss"),
        Right(N, "elapsed", 0.0, 19.0, COLUMN),
    ),
    "text dates beside time cells": (
        book([["Date", "UTC", "IAS (kt)"], *(["01.04.2031", at(k).time(), 80.5 + k] for k in EACH)]),
        UTC,
    ),
    "dashes until the first fix": (
        book([["UTC", "IAS (kt)", "Lat (deg)"], *([at(k), 80.5 + k, "---" if k < 5 else 47 + k / 1000] for k in EACH)]),
        Right(N, "utc", FIRST + "Z", LAST + "Z", COLUMN | {"Lat (deg)": Samples(47.005, 47.019, 5)}),
    ),
    "clock cells with the noise of their fraction": (
        book([["Date", dt.date(2031, 4, 1)], [], *sheet(first=lambda k: (36000 + k + 3e-7) / 86400)], form="hh:mm:ss"),
        UTC,
    ),
    "a remark behind some rows": (
        book(
            [
                ["UTC", "IAS (kt)", "RPM", "Remark"],
                *([at(k), 80.5 + k, 2400 + k, "flap 20" if k == 9 else None] for k in EACH),
            ]
        ),
        UTC,
    ),
    "two recorders on two sheets": (
        book(sheet(), [["UTC", "CHT1 (°C)"], *([at(2 * k), 90.5 + k] for k in EACH)]),
        Right(2 * N, "utc", FIRST + "Z", "2031-04-01T10:00:38Z", COLUMN | {"CHT1 (°C)": Samples(90.5, 109.5)}),
    ),
    "a pivot table's sheet beside": (
        book(
            [
                ["Row Labels", "Average of IAS", "Max of RPM"],
                ["climb", 75.2, 2600],
                ["cruise", 105.1, 2400],
                ["Grand Total", 90.0, 2600],
            ],
            sheet(),
        ),
        UTC,
    ),
    # HDF5 and MATLAB
    "names in attributes": (h5(_named_by_attribute), Right(N, "utc", FIRST + "Z", LAST + "Z", {"ias": AIR})),
    "wave forms with a start and a step": (h5(_waveforms), Right(2 * N, "utc", FIRST + "Z", LAST + "Z", ARRAYS)),
    "a time above groups in groups": (h5(_deep), SET),
    "a base time in the file's attributes": (h5(_base_time), SET),
    "names in one attribute with commas": (h5(_comma_names), SET),
    "a matrix across the time with names": (h5(_across), SET),
    "a matrix across the time with cells of names": (
        mat({"data": DATA.T, "names": cells("time", "ias_kt", "rpm")}),
        SET,
    ),
    "units in the names": (
        mat({"data": DATA, "varnames": cells("time [s]", "ias [kt]", "rpm")}),
        Right(N, "utc", FIRST + "Z", LAST + "Z", {"ias [kt]": AIR}),
    ),
    "an array of structs in a struct": (
        mat({"log": {"t": EPOCH + T, "ch": struct_array({"label": "ias_kt", "y": IAS}, {"label": "rpm", "y": RPM})}}),
        SET,
    ),
    "a struct for each recorder with a start": (
        mat(
            {
                "air": {"start": "2031-04-01 10:00:00 UTC", "time": T, "ias_kt": IAS},
                "eng": {"start": "2031-04-01 10:05:00 UTC", "time": T, "rpm": RPM},
            }
        ),
        Right(2 * N, "utc", FIRST + "Z", "2031-04-01T10:05:19Z", ARRAYS),
    ),
    # columnar
    "an index of seconds without a name": (
        lambda folder: (
            pd.DataFrame({"ias_kt": IAS}, index=pd.Index(T)).to_parquet(folder / "log.parquet"),
            folder / "log.parquet",
        )[1],
        Right(N, "elapsed", 0.0, 19.0, ARRAYS),
    ),
    "stamps of a fixed offset": (
        parquet(table(pa.array([at(k) for k in EACH], pa.timestamp("us", "+05:30")), "time")),
        SET,
    ),
    "stamps as a dictionary": (
        parquet(table(pa.array([at(k) for k in EACH], pa.timestamp("us", "UTC")).dictionary_encode())),
        SET,
    ),
    "whole numbers as words": (parquet(table([str((EPOCH + k) * 1000) for k in EACH], "ts")), SET),
    # archives
    "a workbook in an archive": (lambda folder: packed(("log.xlsx", book(sheet())(folder).read_bytes()))(folder), UTC),
    "a compressed log beside itself": (
        in_folder(("log.csv", LOG), ("log.csv.gz", gzip.compress(LOG))),
        Right(N, "utc", FIRST + "Z", columns=COLUMN, codes=["DUPLICATE_FILE"]),
    ),
    "an archive in an archive in an archive": (packed(("a.zip", zipped(("b.zip", zipped(("log.csv", LOG)))))), UTC),
    "something in front of an archive": (
        lambda folder: file_bytes(folder / "logs.zip", b"MZ" + bytes(62) + zipped(("log.csv", LOG))),
        Refused(["zip"]),
    ),
    "folders of recorders below a folder of a date": (
        packed(("2031-04-01/air/log.csv", LOG), ("2031-04-01/engine/log.csv", ENGINE)),
        Right(2 * N, "utc", FIRST + "Z", columns=COLUMN),
    ),
    # satellites
    "south and west": (
        file_of("log.igc", igc(B)),
        Right(N, "utc", FIRST + "Z", LAST + "Z", {"B lat": Samples(-47.001667, -47.001983)}),
    ),
    "the date behind the first fixes": (
        file_of("log.igc", igc([*B[:3], "HFDTE010431", *B[3:]], head=["AXXXABC"])),
        Right(N, "utc", FIRST + "Z", LAST + "Z"),
    ),
    "void until the fifth second": (
        file_of("log.nmea", nmea([rmc(k, "V" if k < 5 else "A") for k in EACH])),
        Right(N, "utc", FIRST + "Z", LAST + "Z", codes=["VOID_FIX"]),
    ),
    "fixes of several systems in one sentence": (
        file_of("log.nmea", nmea([gns(k) for k in EACH], [rmc(k) for k in EACH])),
        Right(N, "utc", FIRST + "Z", LAST + "Z"),
    ),
    "a date 1024 weeks ago, the day in the name": (
        file_of("2031-04-01.nmea", nmea([rmc(k, date="160811") for k in EACH])),
        Right(N, "utc", FIRST + "Z", LAST + "Z", codes=["GPS_WEEK_ROLLOVER"]),
    ),
    "points without a time among others": (
        file_of(
            "log.gpx",
            gpx(
                [[point(k) if k % 5 else point(k).replace(f"<time>2031-04-01T10:00:{k:02d}Z</time>", "") for k in EACH]]
            ),
        ),
        Right(16, "utc", "2031-04-01T10:00:01Z", LAST + "Z"),
    ),
    "stamps without a zone": (
        file_of("log.gpx", gpx([[point(k, time=f"2031-04-01T10:00:{k:02d}") for k in EACH]])),
        Right(N, "unzoned", FIRST, LAST),
    ),
}


def file_bytes(path: Path, content: bytes) -> Path:
    path.write_bytes(content)
    return path


@pytest.mark.parametrize("name", CASES)
def test_second_set(name: str, tmp_path: Path) -> None:
    make, right = CASES[name]
    assert differences(make(tmp_path), right) == []
