"""Names from outside reach no path, no SQL text and no spreadsheet cell unescaped, whatever a catalog or a log holds."""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner, Result

from trimshot.reports.cli import trimshot
from trimshot.shared.errors import ChannelError, ConditionError, StoreError, UnknownSortieError
from trimshot.store.check import check_programme
from trimshot.store.connection import write_catalog
from trimshot.store.programme import Programme

SORTIE_NAMES = ["../../secret", "/etc", "A'; DROP TABLE sortie; --", 'A"', "=1+1", "A\nB", "..", "C:\\x", "*", "Ä"]
CELLS = ["=HYPERLINK(1)", "+cmd|' /C calc'!A0", "-1+1", "@SUM(1)", "\t=1", "\r=1"]
LISTINGS = ["sorties", "channels", "points", "events", "manoeuvres"]


def run(store: Programme, *words: str, code: int = 0) -> Result:
    result = CliRunner().invoke(trimshot, ["--programme", str(store.folder), *words], catch_exceptions=False)
    assert result.exit_code == code, result.output
    return result


def rename(store: Programme, name: str) -> None:
    """Let the whole catalog call sortie A something else."""
    with write_catalog(store.folder) as connection:
        tables = connection.execute(
            "SELECT table_name FROM duckdb_columns() WHERE column_name = 'sortie' AND table_name IN "
            "(SELECT table_name FROM duckdb_tables())"
        ).fetchall()
        for (table,) in tables:
            connection.execute(f"UPDATE {table} SET sortie = ? WHERE sortie = 'A'", [name])


@pytest.mark.parametrize("name", SORTIE_NAMES)
def test_a_sorties_name_reaches_no_file_outside(two: Programme, tmp_path: Path, name: str) -> None:
    # what the name would lead to, was it taken as a path
    for place in (tmp_path / "secret", two.folder / "secret"):
        place.mkdir()
        (place / "frame.parquet").write_bytes((two.folder / "sorties" / "B" / "frame.parquet").read_bytes())
    rename(two, name)
    assert name in set(two.sorties()["sortie"])
    for ask in (
        lambda: two.find("calibrated_airspeed > 0"),
        lambda: two.fetch("calibrated_airspeed > 0", ["flap"]),
        lambda: two.fetch_stretches(two.points(), ["flap"]),
        lambda: two.summarise(two.points(), ["flap"]),
        lambda: two.sql("SELECT count(*) FROM samples"),
        lambda: two.samples(name),
        lambda: two.track(name, "display"),
    ):
        with pytest.raises(StoreError):
            ask()
    assert "catalog, sortie" in {fault.place for fault in check_programme(two.folder).faults}
    run(two, "fetch", "--points", "--each", str(tmp_path / "each"), code=2)
    assert not (tmp_path / "each").exists()


@pytest.mark.parametrize("name", ["A' OR '1'='1", "'; DROP TABLE sortie; --", "%", "A\0", "", "=A"])
def test_a_name_asked_for_is_only_a_name(two: Programme, name: str) -> None:
    for method in (
        "points",
        "events",
        "statistics",
        "channels",
        "findings",
        "states",
        "phases",
        "manoeuvres",
        "ledger",
    ):
        with pytest.raises(UnknownSortieError):
            getattr(two, method)(name)
    for kind in ("points", "events", "manoeuvres"):
        assert len(getattr(two, kind)(kind=name)) == 0 or name == ""
    with pytest.raises((ChannelError, StoreError)):
        two.fetch_stretches(two.points(), [name])
    assert len(two.sorties()) == 2


def test_a_channel_that_would_be_sql_is_a_column_name(two: Programme) -> None:
    name = 'x" FROM frame; DROP TABLE sortie; --'
    with write_catalog(two.folder) as connection:
        connection.execute("INSERT INTO channel (sortie, track, channel) VALUES ('A', 'frame', ?)", [name])
    with pytest.raises(StoreError, match="cannot be read"):
        two.fetch_stretches(two.points("A"), [name])
    assert len(two.sorties()) == 2
    odd = two.sql("SELECT channel FROM channels WHERE channel LIKE '%DROP%'")
    assert odd["channel"].tolist() == [name]


@pytest.mark.parametrize("text", ["A'); DROP TABLE sortie; --", "@x'; --", "read_text('/etc/passwd')"])
def test_a_condition_is_only_a_condition(two: Programme, text: str) -> None:
    with pytest.raises(ConditionError):
        two.fetch(text, ["flap"])
    assert len(two.sorties()) == 2


@pytest.fixture
def hostile(two: Programme) -> Programme:
    """A programme whose logs and card say what a spreadsheet would run."""
    with write_catalog(two.folder) as connection:
        for number, cell in enumerate(CELLS):
            connection.execute(
                "INSERT INTO channel (sortie, track, channel, unit, header, unit_as_written, samples, valid) "
                "VALUES ('A', 'display', ?, ?, ?, ?, 1, 1)",
                [f"{cell} {number}", cell, cell, cell],
            )
            connection.execute(
                "INSERT INTO manoeuvre (sortie, number, start_s, stop_s, kind, channels, confidence, detector, facts) "
                "VALUES ('A', ?, 0, 1, 'steady_turn', '[]', 1, ?, ?)",
                [number + 1, cell, json.dumps({cell: cell})],
            )
        connection.execute("UPDATE sortie SET aircraft = ?, program = ?", CELLS[:2])
        connection.execute("UPDATE event SET channel = ?, detector = ?, before = ?", [CELLS[0], CELLS[1], '"=1"'])
        connection.execute("UPDATE point SET kind = ?, flap = ?", CELLS[1:3])
        connection.execute("UPDATE source SET file = ?, adapter = ?", CELLS[:2])
    return two


def harmful(cells: list[Any]) -> list[Any]:
    return [cell for cell in cells if isinstance(cell, str) and cell[:1] in set("=+-@\t\r") and not is_number(cell)]


def is_number(text: str) -> bool:
    """A negative number in a CSV file: the only cell that may begin with a sign."""
    return re.fullmatch(r"-\d+(\.\d+)?(e[-+]?\d+)?", text) is not None


@pytest.mark.parametrize("command", LISTINGS)
def test_no_listing_has_a_formula_in_it(hostile: Programme, tmp_path: Path, command: str) -> None:
    text = run(hostile, command, "--format", "csv").stdout_bytes.decode("utf-8")
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert len(rows) > 1
    assert harmful([cell for row in rows for cell in row]) == []
    assert any(cell.startswith("'") for row in rows for cell in row)
    run(hostile, command, "--out", str(tmp_path / "x.xlsx"))
    sheets = openpyxl.load_workbook(tmp_path / "x.xlsx")
    cells = [cell for sheet in sheets for row in sheet.iter_rows() for cell in row]
    assert harmful([cell.value for cell in cells]) == []
    assert all(cell.data_type != "f" for cell in cells)


def test_no_answer_of_sql_has_a_formula_in_it(hostile: Programme, tmp_path: Path) -> None:
    statement = "SELECT header, '=' || header AS \"=name\", -1 AS number FROM channels WHERE samples = 1 ORDER BY 1"
    text = run(hostile, "sql", statement, "--format", "csv").stdout_bytes.decode("utf-8")
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert len(rows) == len(CELLS) + 1
    assert harmful([cell for row in rows for cell in row[:2]]) == []
    assert {row[2] for row in rows[1:]} == {"-1"}
    run(hostile, "sql", statement, "--out", str(tmp_path / "x.xlsx"))
    values = [cell for row in openpyxl.load_workbook(tmp_path / "x.xlsx")["data"].values for cell in row]
    assert harmful(values) == []


def test_a_table_moves_no_cursor(hostile: Programme) -> None:
    with write_catalog(hostile.folder) as connection:
        connection.execute("UPDATE channel SET header = ?", ["\x1b[2J\x07bell"])
    out = run(hostile, "sql", "SELECT header FROM channels LIMIT 1").stdout
    assert "\x1b" not in out
    assert "\\x1b[2J\\x07bell" in out


def test_a_saved_condition_is_no_formula_either(two: Programme) -> None:
    (two.folder / "saved.toml").write_text("[a]\ncondition = \"=1\"\nnote = '@SUM(1)'\n", encoding="utf-8")
    rows = list(csv.reader(io.StringIO(run(two, "saved", "--format", "csv").stdout)))
    assert rows[1] == ["a", "'=1", "0.0", "0.0", "", "", "", "'@SUM(1)"]


def test_text_with_quotes_is_bound_and_not_written_into_sql(two: Programme) -> None:
    stretches = pd.DataFrame({"sortie": ["A' OR 1=1 --"], "start_s": [0.0], "stop_s": [1.0]})
    with pytest.raises(StoreError, match="not in the programme"):
        two.fetch_stretches(stretches, ["flap"])
