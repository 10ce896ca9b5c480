"""Spreadsheets, written with openpyxl from known cells and read back.

Run as a module, this file writes the sample anew: python -m tests.ingest.test_spreadsheet
"""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimshot.ingest.raw import HEAD_BYTES, LogFile, RawFile
from trimshot.ingest.spreadsheet.adapter import Spreadsheet
from trimshot.shared.errors import ClockError, ParseError, TrimshotError

SAMPLE = Path(__file__).parents[1] / "data" / "samples" / "spreadsheet" / "descent.xlsx"
START = dt.datetime(2031, 3, 14, 9, 26, 40)
START_S = (START - dt.datetime(1970, 1, 1)).total_seconds()
Cells = Sequence[Sequence[Any]]


def log_file(path: Path) -> LogFile:
    with path.open("rb") as stream:
        head = stream.read(HEAD_BYTES)
    return LogFile(path, path.name, path.stat().st_size, head)


def write(path: Path, sheets: dict[str, Cells], formats: dict[str, str] | None = None) -> None:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(list(row))
        for column, form in (formats or {}).items():
            for cell in sheet[column]:
                cell.number_format = form
    book.save(path)


def read(tmp_path: Path, rows: Cells | dict[str, Cells], formats: dict[str, str] | None = None) -> RawFile:
    path = tmp_path / "log.xlsx"
    write(path, rows if isinstance(rows, dict) else {"Log": rows}, formats)
    assert Spreadsheet().claims(log_file(path)).yes
    return Spreadsheet().read(log_file(path), None)


def values_of(raw: RawFile, header: str) -> Any:
    return next(c.values for t in raw.tracks for c in t.columns if c.header == header)


def codes(raw: RawFile) -> set[str]:
    return {f.code for f in raw.findings}


def stamps(count: int = 10, step_ms: int = 500) -> list[dt.datetime]:
    return [START + dt.timedelta(milliseconds=step_ms * k) for k in range(count)]


def test_preamble_header_units_row_and_true_dates(tmp_path: Path) -> None:
    rows: list[list[Any]] = [["recorder", "sample"], ["zone", "UTC"], [], ["Time", "IAS", "Alt"], ["", "kt", "ft"]]
    rows += [[moment, 95 + k / 4, 6000 - k] for k, moment in enumerate(stamps())]
    raw = read(tmp_path, rows)
    track = raw.tracks[0]
    assert [(c.header, c.unit, c.step) for c in track.columns] == [("IAS", "kt", 0.25), ("Alt", "ft", 1.0)]
    assert track.time.basis == "utc" and track.time.seconds[0] == START_S
    assert np.allclose(np.diff(track.time.seconds), 0.5)
    assert track.row[0] == 6 and raw.metadata["recorder"] == "sample"
    assert {"UNITS_ROW_FOUND", "PREAMBLE_SKIPPED"} <= codes(raw)
    assert next(f.where for f in raw.findings if f.code == "UNITS_ROW_FOUND") == "row 5"
    assert raw.ledger["rows_in"] == raw.ledger["rows_out"] + sum(raw.ledger["not_rows"].values())


def test_serial_days_without_a_date_format(tmp_path: Path) -> None:
    # day 47921 of the 1900 system is 2031-03-14; 09:26:40 is 34000/86400 of a day
    rows: list[list[Any]] = [["DateTime", "alt_ft"], *([47921 + (34000 + k) / 86400, 6000.0 - k] for k in range(10))]
    raw = read(tmp_path, rows)
    assert raw.tracks[0].time.seconds.tolist() == pytest.approx(START_S + np.arange(10), abs=1e-3)
    assert "SERIAL_DAY_INFERRED" in codes(raw)


def test_date_and_time_in_columns_of_their_own(tmp_path: Path) -> None:
    rows: list[list[Any]] = [
        ["Date", "Time", "ias_kt"],
        *([m.date(), m.time(), k] for k, m in enumerate(stamps(step_ms=1000))),
    ]
    assert read(tmp_path, rows).tracks[0].time.seconds[:2].tolist() == [START_S, START_S + 1]


@pytest.mark.parametrize("as_text", [True, False], ids=["text cells", "time cells"])
def test_stamps_that_lost_their_hours_are_a_question(tmp_path: Path, as_text: bool) -> None:
    # '26:40.0' typed into a spreadsheet is taken for 26 minutes 40 seconds after midnight
    def cell(k: int) -> Any:
        return f"26:{40 + k:02d}.0" if as_text else dt.time(0, 26, 40 + k)

    raw = read(tmp_path, [["time", "alt_ft"], *([cell(k), 6000 - k] for k in range(10))], {"A": "mm:ss.0"})
    assert raw.tracks[0].time.basis == "none"
    found = next(f for f in raw.findings if f.code == "SPREADSHEET_TIME_LOST")
    assert found.level == "fault" and "mm:ss" in found.text and found.facts["question"]


def test_rounded_epoch_stamps_are_a_question(tmp_path: Path) -> None:
    raw = read(tmp_path, [["timestamp", "alt_ft"], *([1.93e12, 6000 - k] for k in range(10))])
    assert "TIME_PRECISION_LOST" in codes(raw) and raw.tracks[0].time.basis == "none"


def test_several_sheets(tmp_path: Path) -> None:
    air: list[list[Any]] = [["utc", "ias_kt"], *([m, 95.0 + k] for k, m in enumerate(stamps()))]
    engine: list[list[Any]] = [["utc", "rpm"], *([m, 2300 + k] for k, m in enumerate(stamps(5, 1000)))]
    notes: list[list[Any]] = [["item", "remark"], ["pilot", "smooth air"], ["weather", "clear"]]
    raw = read(tmp_path, {"Air": air, "Engine": engine, "Notes": notes, "Empty": []})
    assert [len(track.row) for track in raw.tracks] == [10, 5]
    skipped = next(f for f in raw.findings if f.code == "FILE_SKIPPED")
    assert skipped.where == "sheet Notes" and skipped.level == "note"
    assert raw.ledger["rows_in"] == raw.ledger["rows_out"] + raw.ledger["rows_dropped"] + sum(
        raw.ledger["not_rows"].values()
    )


def test_blank_rows_blank_cells_and_errors(tmp_path: Path) -> None:
    rows: list[list[Any]] = [["utc", "ias_kt"], *([m, 95.0 + k] for k, m in enumerate(stamps()))]
    rows[4][1], rows[6][1] = None, "#DIV/0!"
    rows.insert(8, [])
    raw = read(tmp_path, rows)
    values = values_of(raw, "ias_kt")
    assert len(values) == 10 and np.isnan(values[[3, 5]]).all()
    assert raw.ledger["not_rows"]["blank"] == 1


def test_a_sheet_without_time_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ClockError) as caught:
        read(tmp_path, [["ias", "alt"], [3.0, 9.0], [1.0, 8.0], [2.0, 8.5]])
    assert caught.value.code == "NO_TIME_CHANNEL"


def test_other_zip_archives_are_not_claimed() -> None:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("log.csv", "a,b\n1,2\n")
    content = buffer.getvalue()
    assert not Spreadsheet().claims(LogFile(Path("x.zip"), "x.zip", len(content), content)).yes


@pytest.mark.parametrize("mark", [b"PK\x03\x04[Content_Types].xml", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"])
@settings(max_examples=30, deadline=None)
@given(noise=st.binary(max_size=300))
def test_noise_behind_a_good_mark_is_an_error_of_ours(
    tmp_path_factory: pytest.TempPathFactory, mark: bytes, noise: bytes
) -> None:
    path = tmp_path_factory.mktemp("noise") / "x.xls"
    path.write_bytes(mark + noise)
    assert Spreadsheet().claims(log_file(path)).yes
    with pytest.raises(ParseError):
        Spreadsheet().read(log_file(path), None)


@settings(max_examples=60, deadline=None)
@given(at=st.integers(0, 20_000), noise=st.binary(min_size=1, max_size=8))
def test_changed_bytes_give_findings_or_an_error_of_ours(
    tmp_path_factory: pytest.TempPathFactory, at: int, noise: bytes
) -> None:
    content = SAMPLE.read_bytes()
    at %= len(content)
    path = tmp_path_factory.mktemp("bytes") / "x.xlsx"
    path.write_bytes(content[:at] + noise + content[at + len(noise) :])
    try:
        raw = Spreadsheet().read(log_file(path), None)
    except TrimshotError:
        return
    ledger = raw.ledger
    assert ledger["rows_in"] == ledger["rows_out"] + ledger["rows_dropped"] + sum(ledger["not_rows"].values())


@settings(max_examples=20, deadline=None)
@given(table=st.lists(st.lists(st.floats(-900, 900), min_size=8, max_size=8), min_size=1, max_size=4))
def test_any_numbers_come_back(tmp_path_factory: pytest.TempPathFactory, table: list[list[float]]) -> None:
    header: list[Any] = ["utc", *(f"quantity {k}" for k in range(len(table)))]
    rows = [header, *([m, *values] for m, values in zip(stamps(8), zip(*table, strict=True), strict=True))]
    raw = read(tmp_path_factory.mktemp("any"), rows)
    for k, values in enumerate(table):
        assert values_of(raw, f"quantity {k}").tolist() == pytest.approx(values, rel=1e-15, abs=1e-300)


def write_sample() -> None:
    """A sheet with lines above the table and a units row, and a sheet of remarks."""
    SAMPLE.parent.mkdir(parents=True, exist_ok=True)
    rows: list[list[Any]] = [
        ["recorder", "sample"],
        ["times", "UTC"],
        [],
        ["Date Time", "IAS", "Press Alt", "OAT", "Gear"],
    ]
    rows.append(["", "kt", "ft", "degC", ""])
    for k, moment in enumerate(stamps(20)):
        oat = None if k == 7 else 3.5 + k / 8
        rows.append([moment, 95 + k % 3 / 4, 6000 - 5 * k, oat, "UP" if k < 12 else "DOWN"])
    write(SAMPLE, {"Log": rows, "Remarks": [["item", "remark"], ["pilot", "smooth"], ["gear", "down at 6 s"]]})


if __name__ == "__main__":
    write_sample()
