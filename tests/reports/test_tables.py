"""Tables for people: plain text where the output goes elsewhere, the first rows alone on a terminal."""

from __future__ import annotations

import io
import sys

import pytest
from rich.console import Console
from rich.table import Table
from rich.text import Text

from trimshot.reports.listing import MOST_SHOWN, TableColumn, print_table, table_text

COLUMNS = (TableColumn("sortie", "sortie"), TableColumn("pitch deg", "pitch", "right"), TableColumn("remark", "remark"))
ROWS = [
    {"sortie": "S1", "pitch": "2.31", "remark": "95.2 ± 0.3"},
    {"sortie": "夜間飛行", "pitch": "-12.00", "remark": "[bold]no markup[/bold]"},
    {"sortie": "a long name", "pitch": "–"},
]


class Terminal(io.StringIO):
    """An output that says it is a terminal."""

    def isatty(self) -> bool:
        """Yes."""
        return True


def drawn_by_rich(rows: list[dict[str, str]]) -> str:
    """The same table by the library that draws it on a terminal."""
    table = Table(box=None, pad_edge=False)
    for column in COLUMNS:
        table.add_column(Text(column.head), justify="right" if column.align == "right" else "left", no_wrap=True)
    for row in rows:
        table.add_row(*(Text(row.get(column.key, "–")) for column in COLUMNS))
    stream = io.StringIO()
    Console(file=stream, width=200, highlight=False).print(table)
    return stream.getvalue()


def test_plain_text_looks_as_on_a_terminal() -> None:
    assert table_text(ROWS, COLUMNS, None) == drawn_by_rich(ROWS)


def test_a_row_is_one_line_whatever_it_holds() -> None:
    text = table_text([{"sortie": "two\nlines\x1b[2J", "pitch": "1"}], COLUMNS, "note")
    assert len(text.splitlines()) == 3 and "\x1b" not in text
    assert text.endswith("\nnote\n")


def test_no_row_leaves_the_note_alone() -> None:
    assert table_text([], COLUMNS, "0 stretches") == "0 stretches\n"


def test_a_pipe_gets_every_row(capsys: pytest.CaptureFixture[str]) -> None:
    print_table([{"sortie": f"S{number:04d}"} for number in range(3000)], COLUMNS, "3000 stretches")
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 3002 and lines[3000].startswith("S2999") and lines[-1] == "3000 stretches"


def test_a_terminal_gets_the_first_rows_and_is_told_of_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    stream = Terminal()
    monkeypatch.setattr(sys, "stdout", stream)
    monkeypatch.setenv("COLUMNS", "100")
    print_table([{"sortie": f"S{number:04d}"} for number in range(3000)], COLUMNS, "3000 stretches")
    text = stream.getvalue()
    assert f"S{MOST_SHOWN - 1:04d}" in text and f"S{MOST_SHOWN:04d}" not in text
    assert "and 2,800 more" in text and "3000 stretches" in text
    stream.truncate(0)
    print_table([{"sortie": f"S{number:04d}"} for number in range(MOST_SHOWN)], COLUMNS, None)
    assert "more" not in stream.getvalue()
