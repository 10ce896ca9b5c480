"""Workbooks as people keep them: every right answer was written down before a reader was asked."""

from __future__ import annotations

import datetime as dt
import re
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from openpyxl.chart import LineChart, Reference
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from tests.right_answers import Refused, Right, Samples, differences

N = 20
START = dt.datetime(2031, 4, 1, 10, 0, 0)  # a spreadsheet's day 47939 counted from 1900, 46477 from 1904
NIGHT = dt.datetime(2031, 4, 1, 23, 59, 50)
FIRST, LAST = "2031-04-01T10:00:00", "2031-04-01T10:00:19"
IAS = Samples(80.5, 99.5, unit="kt", channel="indicated_airspeed")
Rows = Sequence[Sequence[Any]]
Case = tuple[Callable[[Path], Path], Right | Refused]


def at(k: float, start: dt.datetime = START) -> dt.datetime:
    return start + dt.timedelta(seconds=k)


def log(stamp: Callable[[int], Any] = at, *, head: Sequence[str] = ("UTC", "IAS (kt)", "RPM")) -> list[list[Any]]:
    return [list(head), *([stamp(k), 80.5 + k, 2400 + k] for k in range(N))]


def book(*sheets: Rows, form: str | None = None, name: str = "log.xlsx", change: Any = None) -> Callable[[Path], Path]:
    """Writes the sheets; form: number format of the first column; change: does the rest to the workbook."""

    def make(folder: Path) -> Path:
        made = openpyxl.Workbook()
        made.remove(made.active)
        for number, rows in enumerate(sheets, 1):
            sheet = made.create_sheet(f"Sheet {number}")
            for row in rows:
                sheet.append(list(row))
            for cell in sheet["A"] if form else ():
                cell.number_format = form
        if change:
            change(made)
        made.save(folder / name)
        return folder / name

    return make


def with_xml(make: Callable[[Path], Path], change: Callable[[str], str]) -> Callable[[Path], Path]:
    """The first sheet's XML altered: what no writing library gives."""

    def altered(folder: Path) -> Path:
        path = make(folder)
        with zipfile.ZipFile(path) as old:
            parts = {m: old.read(m) for m in old.namelist()}
        sheet = "xl/worksheets/sheet1.xml"
        parts[sheet] = change(parts[sheet].decode()).encode()
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
            for member, content in parts.items():
                new.writestr(member, content)
        return path

    return altered


def _mac(made: Any) -> None:
    made.epoch = CALENDAR_MAC_1904


def _title(made: Any) -> None:
    sheet = made.worksheets[0]
    sheet.insert_rows(1, 3)
    sheet["A1"] = "Glide tests, flight 12"
    sheet.merge_cells("A1:C1")
    sheet["A2"] = "flaps up"


def _groups(made: Any) -> None:
    sheet = made.worksheets[0]
    sheet.insert_rows(1)
    sheet["B1"], sheet["C1"] = "Air", "Engine"
    sheet.merge_cells("B1:B1")


def _hidden(made: Any) -> None:
    made.worksheets[1].sheet_state = "hidden"


def _chart(made: Any) -> None:
    line: Any = LineChart
    reference = Reference(made.worksheets[0], min_col=2, min_row=1, max_row=N + 1)
    for sheet in (made.create_chartsheet("Picture"), made.worksheets[0]):
        chart: Any = line()
        chart.add_data(reference, titles_from_data=True)
        sheet.add_chart(chart, *(["F2"] if sheet.title != "Picture" else []))


def _shifted(made: Any) -> None:
    made.worksheets[0].insert_cols(1, 2)
    made.worksheets[0].insert_rows(1, 2)


def formulas(xml: str) -> str:
    """Numbers of column B as formulas with the value last computed."""
    return re.sub(r'(<c r="B\d+"[^>]*>)(<v>)', r"\1<f>C2/30</f>\2", xml)


def never_computed(xml: str) -> str:
    return re.sub(
        r'(<c r="B\d+"[^>]*>)<v>[^<]*</v>', r"\1<f>C2/30</f>", xml.replace('<c r="B1" t="s"', '<c r="Z1" t="s"')
    )


def replaced(rows: list[list[Any]], cells: dict[tuple[int, int], Any]) -> list[list[Any]]:
    for (row, column), value in cells.items():
        rows[row][column] = value
    return rows


def beside(left: Rows, right: Rows) -> list[list[Any]]:
    return [[*a, None, *b] for a, b in zip(left, right, strict=True)]


def ods(folder: Path) -> Path:
    """An OpenDocument sheet with date cells, repeated cells and a decimal number shown with a comma."""
    rows = [
        "".join(
            f"<table:table-cell office:value-type='string'><text:p>{h}</text:p></table:table-cell>"
            for h in ("UTC", "IAS (kt)", "Gear")
        )
    ]
    rows += [
        f"<table:table-cell office:value-type='date' office:date-value='{at(k).isoformat()}'><text:p>x</text:p></table:table-cell>"
        f"<table:table-cell office:value-type='float' office:value='{80.5 + k}'><text:p>{80 + k},5</text:p></table:table-cell>"
        "<table:table-cell office:value-type='string'><text:p>down</text:p></table:table-cell>"
        for k in range(N)
    ]
    body = "".join(f"<table:table-row>{row}</table:table-row>" for row in rows)
    spaces = "".join(f" xmlns:{k}='urn:oasis:names:tc:opendocument:xmlns:{k}:1.0'" for k in ("office", "table", "text"))
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    with zipfile.ZipFile(folder / "log.ods", "w") as archive:
        archive.writestr("mimetype", kind)
        archive.writestr(
            "content.xml",
            f"<?xml version='1.0'?><office:document-content{spaces}><office:body><office:spreadsheet><table:table table:name='L'>"
            f"{body}</table:table></office:spreadsheet></office:body></office:document-content>",
        )
        archive.writestr(
            "META-INF/manifest.xml",
            "<?xml version='1.0'?><manifest:manifest xmlns:manifest='urn:oasis:names:tc:opendocument:xmlns:manifest:1.0'>"
            f"<manifest:file-entry manifest:full-path='/' manifest:media-type='{kind}'/></manifest:manifest>",
        )
    return folder / "log.ods"


WHOLE = Right(N, "utc", FIRST + "Z", LAST + "Z", {"IAS (kt)": IAS}, never=["FILE_SKIPPED", "NO_TIME_CHANNEL"])
LOCAL = Right(N, "unzoned", FIRST, LAST, {"IAS (kt)": IAS}, codes=["TIME_ZONE_UNKNOWN"])
MIDNIGHT = Right(N, "utc", "2031-04-01T23:59:50Z", "2031-04-02T00:00:09Z", {"IAS (kt)": IAS})
DAY = dt.datetime(1899, 12, 30)
CASES: dict[str, Case] = {
    "date cells": (book(log()), WHOLE),
    "date cells of the 1904 calendar": (book(log(), change=_mac), WHOLE),
    "day numbers without a format, 1900": (book(log(lambda k: (at(k) - DAY) / dt.timedelta(days=1))), WHOLE),
    "day numbers without a format, 1904": (
        book(log(lambda k: (at(k) - DAY) / dt.timedelta(days=1) - 1462), change=_mac),
        WHOLE,
    ),
    "dates as text, day first": (
        book(log(lambda k: f"14.03.2031 10:00:{k:02d}")),
        Right(N, "utc", "2031-03-14T10:00:00Z", columns={"IAS (kt)": IAS}),
    ),
    "dates as text, month first, twelve hours": (
        book(log(lambda k: f"3/14/2031 1:00:{k:02d} PM")),
        Right(N, "utc", "2031-03-14T13:00:00Z", columns={"IAS (kt)": IAS}),
    ),
    "stamps as ISO text": (book(log(lambda k: at(k).isoformat() + "Z")), WHOLE),
    "merged title rows": (book(log(), change=_title), WHOLE),
    "group names over the header": (book(log(), change=_groups), WHOLE),
    "a units row and a blank row under it": (
        book([["UTC", "IAS", "RPM"], [None, "kt", "1/min"], [], *log()[1:]]),
        Right(N, "utc", FIRST + "Z", LAST + "Z", {"IAS": IAS}),
    ),
    "a header cell in two lines": (
        book(log(head=("UTC", "IAS\n[kt]", "RPM"))),
        Right(N, "utc", FIRST + "Z", LAST + "Z", {"IAS [kt]": IAS}),
    ),
    "a hidden sheet with an older copy": (
        book(log(), log(lambda k: at(k, START - dt.timedelta(days=7))), change=_hidden),
        Right(N, "utc", FIRST + "Z", LAST + "Z", {"IAS (kt)": IAS}, codes=["FILE_SKIPPED"]),
    ),
    "formulas with the values last computed": (with_xml(book(log()), formulas), WHOLE),
    "empty rows in the middle": (book([*log()[:8], [], [], *log()[8:]]), WHOLE),
    "times of day over midnight, the date in a title": (
        book([["Date", dt.date(2031, 4, 1)], [], *log(lambda k: at(k, NIGHT).time())]),
        MIDNIGHT,
    ),
    "times that count on past 24 hours": (
        book([["Date", dt.date(2031, 4, 1)], [], *log(lambda k: (86390 + k) / 86400)], form="h:mm:ss"),
        MIDNIGHT,
    ),
    "times past 24 hours as durations": (
        book([["Date", dt.date(2031, 4, 1)], [], *log(lambda k: dt.timedelta(seconds=86390 + k))], form="[h]:mm:ss"),
        MIDNIGHT,
    ),
    "an elapsed time as durations past 24 hours": (
        book(log(lambda k: dt.timedelta(seconds=100_000 + k), head=("Elapsed", "IAS (kt)", "RPM")), form="[h]:mm:ss"),
        Right(N, "elapsed", columns={"IAS (kt)": IAS}, step=1.0),
    ),
    "an elapsed time as clock cells": (
        book(log(lambda k: dt.time(0, 0, k), head=("Elapsed time", "IAS (kt)", "RPM"))),
        Right(N, "elapsed", columns={"IAS (kt)": IAS}, step=1.0),
    ),
    "numbers as text with a comma": (
        book([["UTC", "IAS (kt)", "RPM"], *([at(k), f"{80 + k},5", 2400 + k] for k in range(N))]),
        WHOLE,
    ),
    "a chart, and a sheet that is one": (book(log(), change=_chart), WHOLE),
    "error cells": (
        book(replaced(log(), {(4, 1): "#N/A", (5, 1): "#DIV/0!", (6, 2): "#REF!"})),
        Right(
            N, "utc", FIRST + "Z", LAST + "Z", {"IAS (kt)": Samples(80.5, 99.5, 2, "kt"), "RPM": Samples(2400, 2419, 1)}
        ),
    ),
    "blank columns and rows in front": (book(log(), change=_shifted), WHOLE),
    "two tables side by side": (
        book(beside(log(), [["UTC", "CHT1 (°C)"], *([at(k), 90.5 + k] for k in range(N))])),
        Right(N, "utc", FIRST + "Z", LAST + "Z", {"IAS (kt)": IAS, "CHT1 (°C)": Samples(90.5, 109.5, 0, "degC")}),
    ),
    "two tables side by side, the second of other times": (
        book(beside(log(), [["UTC", "CHT1 (°C)"], *([at(2 * k), 90.5 + k] for k in range(N))])),
        Right(
            2 * N,
            "utc",
            FIRST + "Z",
            "2031-04-01T10:00:38Z",
            {"IAS (kt)": IAS, "CHT1 (°C)": Samples(90.5, 109.5, 0, "degC")},
        ),
    ),
    "two tables one below the other": (
        book([*log(), [], [], ["UTC", "CHT1 (°C)", "OAT (°C)"], *([at(k), 90.5 + k, 11.5] for k in range(N))]),
        Right(2 * N, "utc", FIRST + "Z", LAST + "Z", {"IAS (kt)": IAS, "CHT1 (°C)": Samples(90.5, 109.5, 0, "degC")}),
    ),
    "means and extremes at the end": (
        book([*log(), [], ["Average", 90.0, 2410.5], ["Max", 99.5, 2419]]),
        Right(N, "utc", FIRST + "Z", LAST + "Z", {"IAS (kt)": IAS}),
    ),
    "truth values": (
        book([["UTC", "IAS (kt)", "Gear down"], *([at(k), 80.5 + k, k > 9] for k in range(N))]),
        Right(N, "utc", FIRST + "Z", LAST + "Z", {"IAS (kt)": IAS, "Gear down": Samples(0.0, 1.0)}),
    ),
    "the date in the first row only": (
        book(
            [
                ["Date", "UTC", "IAS (kt)"],
                *([at(0).date() if k == 0 else None, at(k).time(), 80.5 + k] for k in range(N)),
            ]
        ),
        WHOLE,
    ),
    "date and time as plain numbers": (
        book([["Date", "UTC", "IAS (kt)"], *([47939, (36000 + k) / 86400, 80.5 + k] for k in range(N))]),
        WHOLE,
    ),
    "the date in the name": (
        book(log(lambda k: at(k).time()), name="2031-04-01 flight.xlsx"),
        WHOLE,
    ),
    "the date on another sheet": (
        book([["Flight", 12], ["Date", dt.date(2031, 4, 1)], ["Pilot", "n.n."]], log(lambda k: at(k).time())),
        replace(WHOLE, never=[]),
    ),
    "ten a second": (
        book(log(lambda k: at(k / 10)), form="hh:mm:ss.000"),
        Right(N, "utc", FIRST + "Z", columns={"IAS (kt)": IAS}, step=0.1),
    ),
    "row numbers in front": (
        book([["#", "UTC", "IAS (kt)"], *([k + 1, at(k), 80.5 + k] for k in range(N))]),
        WHOLE,
    ),
    "the header again on every page": (book([*log()[:8], ["UTC", "IAS (kt)", "RPM"], *log()[8:]]), WHOLE),
    "thin spaces in numbers": (
        book([["UTC", "IAS (kt)", "Alt (ft)"], *([at(k), 80.5 + k, f"1\u202f{500 + k}"] for k in range(N))]),
        Right(N, "utc", FIRST + "Z", LAST + "Z", {"IAS (kt)": IAS, "Alt (ft)": Samples(1500.0, 1519.0, 0, "ft")}),
    ),
    "formulas that were never computed": (
        with_xml(book(log()), never_computed),
        Right(N, "utc", FIRST + "Z", LAST + "Z", {"IAS (kt)": Samples(None, None, N), "RPM": Samples(2400, 2419)}),
    ),
    "no zone": (book(log(head=("Time", "IAS (kt)", "RPM"))), LOCAL),
    "an OpenDocument sheet": (
        ods,
        Right(N, "utc", FIRST + "Z", LAST + "Z", {"IAS (kt)": IAS, "Gear": Samples("down", "down")}),
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_workbook(name: str, tmp_path: Path) -> None:
    make, right = CASES[name]
    assert differences(make(tmp_path), right) == []
