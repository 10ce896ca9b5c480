"""A third set of odd inputs, written after the faults of the first two were mended: each right answer first."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pyarrow as pa
import pytest

from tests.ingest.test_odd_archives import ENGINE, LOG, in_folder
from tests.ingest.test_odd_arrays import EPOCH, IAS, RPM, T, cells, h5, mat
from tests.ingest.test_odd_columnar import parquet
from tests.ingest.test_odd_satellite import nmea, sentence, written
from tests.ingest.test_odd_second import (
    AIR,
    ARRAYS,
    COLUMN,
    EACH,
    FIRST,
    LAST,
    LOCAL,
    SET,
    UTC,
    N,
    at,
    form,
    sheet,
    text,
)
from tests.ingest.test_odd_spreadsheets import book
from tests.right_answers import Refused, Right, Samples, differences

Case = tuple[Callable[[Path], Path], Right | Refused]


def _steps(file: h5py.File) -> None:
    """Groups of signals with a step and a beginning as attributes of the group."""
    for name, values, step in (("air", IAS, 1.0), ("engine", RPM, 2.0)):
        group = file.create_group(name)
        group.attrs.update({"dt": step, "start": "2031-04-01T10:00:00Z"})
        group["ias_kt" if name == "air" else "rpm"] = values


def _named_scale(file: h5py.File) -> None:
    file["t_utc"] = [(at(k)).isoformat().encode() + b"Z" for k in EACH]
    file["airspeed"] = IAS.astype("f4")
    file["airspeed"].attrs.update({"long_name": "indicated airspeed", "units": "knots"})


def _flags(file: h5py.File) -> None:
    file["time"] = EPOCH + T
    file["ias_kt"] = np.where(np.arange(N) == 3, np.nan, IAS)
    file["valid"] = (np.arange(N) % 4 > 0).astype("u1")


def frame(columns: dict[str, Any]) -> pa.Table:
    return pa.table(columns)


def lines(*rows: str) -> Callable[[Path], Path]:
    return written("log.csv", "\n".join(rows) + "\n")


STAMPS = [f"{at(k):%Y-%m-%dT%H:%M:%S}Z" for k in EACH]
GGA = [
    sentence(f"GPGGA,1000{k:02d}.00,4700.{100 + k:03d},N,00800.000,E,1,09,0.9,{1500 + k}.5,M,47.0,M,,") for k in EACH
]
VTG = [sentence(f"GPVTG,{90 + k}.0,T,,M,95.5,N,176.9,K,A") for k in EACH]
CASES: dict[str, Case] = {
    "stamps in square brackets": (text(lambda k: f"[{at(k):%Y-%m-%d %H:%M:%S}]"), LOCAL),
    "an ISO date and time with a blank before Z": (text(form("%Y-%m-%d %H:%M:%S Z")), UTC),
    "month words in front with a comma": (text(lambda k: f'"{at(k):%b %d, %Y %H:%M:%S}"'), LOCAL),
    "twelve hours without a blank": (
        text(lambda k: f"4/14/2031 {at(k):%I:%M:%S}AM"),
        Right(N, "unzoned", "2031-04-14T10:00:00", columns=COLUMN),
    ),
    "the year behind a time": (
        text(lambda k: f"{at(k):%H:%M:%S} 14/04/2031"),
        Right(N, "unzoned", "2031-04-14T10:00:00", columns=COLUMN),
    ),
    "epoch with a unit in words": (text(lambda k: str((EPOCH + k) * 10**6), "timestamp [µs]"), UTC),
    "time in the last column": (
        lines("IAS (kt),RPM,UTC", *(f"{80.5 + k},{2400 + k},{STAMPS[k]}" for k in EACH)),
        UTC,
    ),
    "a counter, then a time": (text(lambda k: f"{k},{at(k):%Y-%m-%d %H:%M:%S}", "Index,Time"), LOCAL),
    "two times, one of them the computer's": (
        text(lambda k: f"{at(k + 7213.4):%Y-%m-%d %H:%M:%S},{at(k):%Y-%m-%dT%H:%M:%S}Z", "Logged,GPS time UTC"),
        UTC,
    ),
    "numbers in quotes with blanks": (
        lines('"UTC" ; "IAS (kt)" ; "RPM"', *(f'"{STAMPS[k]}" ; "{80.5 + k}" ; "{2400 + k}"' for k in EACH)),
        UTC,
    ),
    "names with spaces around and a final blank line": (
        lines("UTC , IAS (kt) , RPM", *(f"{STAMPS[k]} , {80.5 + k} , {2400 + k}" for k in EACH), "", ""),
        UTC,
    ),
    "comments after every tenth row": (
        lines(
            "UTC,IAS (kt),RPM",
            *(
                row
                for k in EACH
                for row in ([f"{STAMPS[k]},{80.5 + k},{2400 + k}"] + (["# marker"] if k % 10 == 9 else []))
            ),
        ),
        UTC,
    ),
    "a comma and a point as thousands": (
        lines("UTC;IAS (kt);Alt (ft)", *(f"{STAMPS[k]};{80 + k},5;12.{100 + k}" for k in EACH)),
        Right(N, "utc", FIRST + "Z", LAST + "Z", COLUMN | {"Alt (ft)": Samples(12100.0, 12119.0, unit="ft")}),
    ),
    "an export with a separator line": (
        lines("sep=;", "UTC;IAS (kt);RPM", *(f"{STAMPS[k]};{80 + k},5;{2400 + k}" for k in EACH)),
        UTC,
    ),
    "units in the second of two header lines, in brackets": (
        lines("UTC,IAS,RPM", "[],[kt],[1/min]", *(f"{STAMPS[k]},{80.5 + k},{2400 + k}" for k in EACH)),
        Right(N, "utc", FIRST + "Z", LAST + "Z", {"IAS": AIR}),
    ),
    "left and right under one header": (
        lines(
            ",,Left engine,,Right engine,",
            "UTC,IAS (kt),RPM,EGT (°C),RPM,EGT (°C)",
            *(f"{STAMPS[k]},{80.5 + k},{2400 + k},700,{2300 + k},690" for k in EACH),
        ),
        Right(
            N,
            "utc",
            FIRST + "Z",
            LAST + "Z",
            COLUMN | {"Left engine RPM": Samples(2400.0, 2419.0), "Right engine RPM": Samples(2300.0, 2319.0)},
        ),
    ),
    "dates of a spreadsheet's export with the day in words": (
        text(lambda k: f'"{at(k):%A, %d. %B %Y %H:%M:%S}"'),
        LOCAL,
    ),
    "a workbook whose table starts in column D, title above": (
        book([[], [None, "Flight 12"], [], *([None, None, None, *row] for row in sheet())]),
        UTC,
    ),
    "a workbook with totals on the right": (
        book(
            [
                [*row, None, None, *extra]
                for row, extra in zip(sheet(), [["mean", 90.0], ["max", 99.5]] + [[None, None]] * (N - 1), strict=True)
            ]
        ),
        UTC,
    ),
    "a workbook of text cells only": (book([[str(c) for c in row] for row in sheet()]), UTC),
    "a workbook with a date and decimals of an hour": (
        book([["Date", "Time (h)", "IAS (kt)"], *([dt.date(2031, 4, 1), 10 + k / 3600, 80.5 + k] for k in EACH)]),
        LOCAL,
    ),
    "steps and beginnings as attributes of groups": (
        h5(_steps),
        Right(2 * N, "utc", FIRST + "Z", "2031-04-01T10:00:38Z", ARRAYS),
    ),
    "a long name that says what is meant": (
        h5(_named_scale),
        Right(N, "utc", FIRST + "Z", LAST + "Z", {"airspeed": Samples(80.5, 99.5, unit="kt")}),
    ),
    "flags of validity beside": (h5(_flags), Right(N, "utc", FIRST + "Z", LAST + "Z", {"valid": Samples(0.0, 1.0)})),
    "seconds since a day number": (
        mat({"t0": 719_529 + EPOCH / 86400, "time": T, "ias_kt": IAS}),
        Right(N, "unzoned", FIRST, LAST, ARRAYS),
    ),
    "a table as a struct of columns with stamps in cells": (
        mat({"tbl": {"utc": cells(*STAMPS), "ias_kt": IAS[:, None], "gear": cells(*["down"] * N)}}),
        Right(N, "utc", FIRST + "Z", LAST + "Z", ARRAYS | {"gear": Samples("down", "down")}),
    ),
    "structs in structs": (
        parquet(
            frame(
                {
                    "t": pa.array([at(k) for k in EACH], pa.timestamp("us", "UTC")),
                    "air": pa.array([{"speed": {"ias_kt": float(v)}} for v in IAS]),
                }
            )
        ),
        Right(N, "utc", FIRST + "Z", LAST + "Z", {"air.speed.ias_kt": Samples(80.5, 99.5, unit="kt")}),
    ),
    "a line of objects as text in a column": (
        parquet(
            frame(
                {
                    "t": pa.array([at(k) for k in EACH], pa.timestamp("us", "UTC")),
                    "ias_kt": IAS,
                    "raw": [json.dumps({"a": k}) for k in EACH],
                }
            )
        ),
        SET,
    ),
    "course and speed in their own sentence": (
        written("log.nmea", nmea(GGA, VTG)),
        Right(N, "time_of_day_no_date", "10:00:00", "10:00:19"),
    ),
    "recorders in folders of a folder": (
        in_folder(("air/log.csv", LOG), ("engine/log.csv", ENGINE)),
        Right(2 * N, "utc", FIRST + "Z", columns=COLUMN),
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_third_set(name: str, tmp_path: Path) -> None:
    make, right = CASES[name]
    assert differences(make(tmp_path), right) == []
