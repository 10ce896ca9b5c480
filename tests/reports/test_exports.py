"""Answers in files: units with every number, formulas disarmed, the same answer the same bytes."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import duckdb
import openpyxl
import pandas as pd
import pyarrow.parquet as pq
import pytest

from trimshot.reports import workbook as workbook_module
from trimshot.reports.grid import Grid, GridColumn, csv_of, grid_of_frame, grid_of_records
from trimshot.reports.output import about_lines, grid_bytes, json_of, write_file
from trimshot.shared.errors import InputError
from trimshot.shared.settings import parse_settings

RECORDS: list[dict[str, Any]] = [
    {
        "sortie": "A",
        "start_utc": "2025-05-06T12:04:07.200Z",
        "speed": 95.0,
        "speed_unit": "kt",
        "before": 1.0,
        "unit": "rpm",
        "statistics": {
            "pitch": {"mean": 2.0, "deviation": 0.5, "slope_per_s": 0.1, "standard_error": 0.2, "unit": "deg"}
        },
        "accepted": True,
        "count": 3,
        "reasons": [{"text": "x"}],
    },
    {
        "sortie": "B",
        "start_utc": None,
        "speed": float("nan"),
        "speed_unit": "kt",
        "before": "down",
        "unit": None,
        "statistics": {},
        "accepted": False,
        "count": 4,
        "reasons": [],
    },
]
HOSTILE = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "=cmd|' /C calc'!A0", "plain", "2-1", "'=1", "", " =1"]


def read_csv(content: bytes | str) -> list[list[str]]:
    text = content if isinstance(content, str) else content.decode("utf-8")
    return list(csv.reader(io.StringIO(text, newline="")))


def sheet(content: bytes, name: str) -> list[tuple[Any, ...]]:
    return list(openpyxl.load_workbook(io.BytesIO(content))[name].values)


def test_a_unit_that_is_the_same_in_every_row_goes_into_the_columns_name() -> None:
    head, first, second = read_csv(csv_of(grid_of_records(RECORDS)))
    assert head == [
        "sortie",
        "start_utc",
        "speed [kt]",
        "before",
        "unit",
        "statistics.pitch.mean [deg]",
        "statistics.pitch.deviation [deg]",
        "statistics.pitch.slope [deg/s]",
        "statistics.pitch.standard_error [deg]",
        "accepted",
        "count",
        "reasons",
    ]
    assert first[2:8] == ["95.0", "1.0", "rpm", "2.0", "0.5", "0.1"]
    assert second[1:5] == ["", "", "down", ""]


def test_units_that_differ_stay_beside_their_values() -> None:
    records = [{"value": 1.0, "value_unit": "kt"}, {"value": 2.0, "value_unit": "ft"}]
    assert read_csv(csv_of(grid_of_records(records))) == [["value", "value_unit"], ["1.0", "kt"], ["2.0", "ft"]]


def test_a_frame_is_shown_in_display_units() -> None:
    frame = pd.DataFrame(
        {
            "sortie": ["A", None],
            "time_utc": pd.to_datetime(["2025-05-06T12:04:07.250Z", None], utc=True),
            "start_s": [1.5, 2.5],
            "calibrated_airspeed": [1852 / 3600, float("nan")],
            "static_air_temperature__mean": [273.15, 283.15],
            "static_air_temperature__deviation": [1.0, 2.0],
            "number": [1, 2],
        }
    )
    names = ("calibrated_airspeed", "static_air_temperature__mean", "static_air_temperature__deviation")
    frame.attrs["units"] = dict(zip(names, ("m/s", "K", "K"), strict=True)) | {"start_s": "s"}
    shown = grid_of_frame(frame, parse_settings('[display]\nspeed = "km/h"\n', "here"))
    # exact: 1852 m/h = 1.852 km/h, 273.15 K = 0 degC; a deviation has no zero point
    assert shown.heads()[3:6] == [
        "calibrated_airspeed [km/h]",
        "static_air_temperature mean [degC]",
        "static_air_temperature deviation [degC]",
    ]
    assert list(shown.cells()) == [
        ("A", "2025-05-06T12:04:07.250Z", 1.5, 1.852, 0.0, 1.0, 1),
        (None, None, 2.5, None, 10.0, 2.0, 2),
    ]
    plain = grid_of_frame(frame, None)
    assert plain.heads()[3] == "calibrated_airspeed [m/s]"
    assert next(plain.cells())[3] == pytest.approx(1852 / 3600, rel=1e-9)


def test_parquet_keeps_types_units_and_what_was_asked(tmp_path: Path) -> None:
    about = about_lines("points", {"left out": {"B": "gear is unknown"}})
    path = tmp_path / "x.parquet"
    path.write_bytes(grid_bytes(grid_of_records(RECORDS), "parquet", about))
    table = pq.read_table(path)
    assert table.schema.field("speed [kt]").metadata == {b"unit": b"kt"}
    assert str(table.schema.field("speed [kt]").type) == "double"
    assert str(table.schema.field("count").type) == "int64"
    assert str(table.schema.field("accepted").type) == "bool"
    assert table.column("start_utc").to_pylist() == [dt.datetime(2025, 5, 6, 12, 4, 7, 200000, dt.UTC), None]
    assert table.column("speed [kt]").to_pylist() == [95.0, None]
    assert table.column("before").to_pylist() == ["1.0", "down"]
    assert json.loads(table.schema.metadata[b"trimshot"])[1:] == [
        ["asked", "points"],
        ["left out: B", "gear is unknown"],
    ]


def test_parquet_keeps_samples_to_the_last_bit(tmp_path: Path) -> None:
    frame = pd.DataFrame({"calibrated_airspeed": [95 * 1852 / 3600, 1 / 3, float("inf"), float("nan")]})
    frame.attrs["units"] = {"calibrated_airspeed": "m/s"}
    path = tmp_path / "x.parquet"
    path.write_bytes(grid_bytes(grid_of_frame(frame, None), "parquet", ()))
    stored = pq.read_table(path).column("calibrated_airspeed [m/s]").to_pylist()
    assert stored == [95 * 1852 / 3600, 1 / 3, None, None]


def test_a_spreadsheet_has_the_data_and_a_sheet_about_it() -> None:
    about = about_lines("find x", {"considered": ["A", "B"], "left out": {"C": "=no gear"}, "condition": "=x"})
    content = grid_bytes(grid_of_records(RECORDS), "xlsx", about)
    data = sheet(content, "data")
    assert data[0][:3] == ("sortie", "start_utc", "speed [kt]")
    assert data[1][2:4] == (95, 1)
    assert data[2][2:4] == (None, "down")
    assert data[1][9] is True
    facts = sheet(content, "about")
    assert facts[0][0] == "program"
    assert facts[0][1].startswith("trimshot ")
    assert facts[1:] == [
        ("asked", "find x"),
        ("considered", "A"),
        ("considered", "B"),
        ("left out: C", "'=no gear"),
        ("condition", "'=x"),
    ]


def test_no_cell_and_no_head_is_a_formula() -> None:
    grid = Grid((GridColumn("=head", None, HOSTILE), GridColumn("number", "kt", [-1.5] * len(HOSTILE))))
    wanted = ["'" + text if text[:1] in set("=+-@\t\r") else text for text in HOSTILE]
    rows = read_csv(grid_bytes(grid, "csv", ()))
    assert rows[0] == ["'=head", "number [kt]"]
    assert [row[0] for row in rows[1:]] == wanted
    assert {row[1] for row in rows[1:]} == {"-1.5"}
    book = openpyxl.load_workbook(io.BytesIO(grid_bytes(grid, "xlsx", ())))
    for row in book["data"].iter_rows():
        assert all(cell.data_type != "f" for cell in row)
    numbers = [row[1] for row in book["data"].iter_rows(min_row=2)]
    assert {(cell.value, cell.data_type) for cell in numbers} == {(-1.5, "n")}


def test_what_a_spreadsheet_cannot_hold_is_escaped_or_cut_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    grid = Grid((GridColumn("text", None, ["a\x00b\x1f", "half \ud800", "x" * 40_000, "tab\tand\nline"]),))
    cells = [row[0] for row in sheet(grid_bytes(grid, "xlsx", ()), "data")[1:]]
    assert cells[0] == "a\\x00b\\x1f"
    assert cells[1] == "half \\xd800"
    assert cells[2].endswith("... (cut, 40000 characters)")
    assert cells[3] == "tab\tand\nline"
    assert b"\\ud800" in grid_bytes(grid, "csv", ())
    monkeypatch.setattr(workbook_module, "MOST_ROWS", 3)
    with pytest.raises(InputError, match="too many rows"):
        grid_bytes(grid, "xlsx", ())


@pytest.mark.parametrize("form", ["csv", "json", "parquet", "xlsx"])
def test_the_same_answer_is_the_same_bytes(form: str, monkeypatch: pytest.MonkeyPatch) -> None:
    grid, about = grid_of_records(RECORDS), about_lines("points", {})
    first = grid_bytes(grid, form, about)
    import time

    real = time.localtime
    monkeypatch.setattr(time, "localtime", lambda *moment: real(1_700_000_000.0))
    time.sleep(1.1)  # the moment a spreadsheet was made is kept to the second
    assert grid_bytes(grid_of_records(RECORDS), form, about) == first


@pytest.mark.parametrize("form", ["csv", "json", "parquet", "xlsx"])
def test_nothing_found_is_a_file_all_the_same(form: str) -> None:
    assert grid_bytes(grid_of_records([]), form, about_lines("points", {}))
    empty = Grid((GridColumn("speed", "kt", []), GridColumn("sortie", None, [])))
    assert grid_bytes(empty, form, ())


@pytest.mark.parametrize("form", ["csv", "json", "parquet", "xlsx"])
def test_whatever_a_database_holds_can_be_written(form: str) -> None:
    """One value of every type of DuckDB that SQL can give, and a row of nothing."""
    sql = """SELECT [1, 2] AS l, {'a': 1, 'b': ['nan'::DOUBLE, 1.5]} AS s, DATE '2020-01-01' AS d, TIME '12:00:00' AS t,
        TIMESTAMP '2020-01-01 10:00:00' AS ts, TIMESTAMPTZ '2020-01-01 10:00:00+02' AS tz, INTERVAL 90 SECOND AS i,
        1.25::DECIMAL(4, 2) AS de, '5baa4c5e-be77-4e41-b1b5-bf73c779debd'::UUID AS u, '\\x01='::BLOB AS b, true AS bo,
        NULL AS n, 'x'::ENUM('x') AS e, MAP {'k': 1} AS m, 9007199254740993 AS big, 'nan'::DOUBLE AS nn, -1e300 AS small"""
    frame = duckdb.connect().execute(f"{sql} UNION ALL SELECT {', '.join(['NULL'] * 17)}").df()
    grid = grid_of_frame(frame, None)
    assert grid_bytes(grid, form, ())
    first, second = grid.cells()
    assert first[:2] == ("[1, 2]", '{"a": 1, "b": [null, 1.5]}')
    assert first[4:6] == ("2020-01-01T10:00:00.000Z", "2020-01-01T08:00:00.000Z")
    assert first[7:] == (1.25, "5baa4c5e-be77-4e41-b1b5-bf73c779debd", "013d", True, None, "x", '{"k": 1}', *first[14:])
    assert first[15:] == (None, -1e300)
    assert second[:14] == (None,) * 14


def test_two_columns_of_one_name_are_both_there() -> None:
    grid = Grid((GridColumn("a", None, [1]), GridColumn("a", None, [2])))
    assert json.loads(json_of(grid)) == [{"a": 1, "a (2)": 2}]


def test_a_file_that_cannot_be_written_is_told_and_nothing_half_is_left(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written"):
        write_file(tmp_path / "none" / "x.csv", b"1")
    assert list(tmp_path.iterdir()) == []
    write_file(tmp_path / "x.csv", b"1")
    write_file(tmp_path / "x.csv", b"2")
    assert (tmp_path / "x.csv").read_bytes() == b"2"
    assert [path.name for path in tmp_path.iterdir()] == ["x.csv"]


def test_facts_of_every_kind_become_lines() -> None:
    facts: Mapping[str, Any] = {"considered": (), "left out": {}, "rows": 3}
    assert about_lines("x", facts)[2:] == [("considered", "none"), ("rows", "3")]
