"""One listing, several forms: a table for people, JSON and CSV for programs, files with units and provenance."""

from __future__ import annotations

import datetime as dt
import json
import sys
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
from click.core import ParameterSource

from .cells import flatten as flatten
from .cells import plain as plain
from .cells import utc_text as utc_text
from .grid import csv_of, grid_of_records
from .output import about_lines, encoded, grid_bytes, write_file

FORMATS = ("table", "json", "csv")
FILE_FORMS = ("parquet", "xlsx")  # written to a file alone
MOST_SHOWN = 200  # rows a terminal is given; nobody reads on, and drawing thousands takes seconds


@dataclass(frozen=True, slots=True)
class TableColumn:
    """A column of the table form: its head and how a record becomes its cell."""

    head: str
    key: str
    align: str = "left"


def plain_line(value: Any) -> str:
    """Text of a file without control characters, which could move a terminal's cursor."""
    text = str(value)
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)


def second_text(moment: str | None) -> str:
    """A moment of a record for people, to the tenth of a second."""
    return moment[:21].replace("T", " ") if moment else "–"


def minute_text(moment: str | None) -> str:
    """A moment of a record for people, to the minute."""
    return moment[:16].replace("T", " ") if moment else "–"


def clock_time(moment: str) -> str:
    """The time of day of a record's moment, to the tenth of a second."""
    return moment[11:21]


def epoch_of(moment: str) -> float:
    """Seconds since 1970 of a record's moment."""
    return dt.datetime.fromisoformat(moment).timestamp()


def emit(
    records: Sequence[Mapping[str, Any]],
    form: str,
    *,
    columns: Sequence[TableColumn],
    cells: Sequence[Mapping[str, str]] | None = None,
    note: str | None = None,
    out: Path | None = None,
    about: Mapping[str, Any] | None = None,
) -> None:
    """Print records, or write them to the file `out`. `cells` are the same records as text for people; `note` follows
    the table; `about`: further facts for the forms that hold some (parquet, xlsx)."""
    if form in FILE_FORMS or out is not None:
        _write(records, form, out, (columns, cells, note), about or {})
    elif form == "json":
        click.echo(json_text(records))
    elif form == "csv":
        click.echo(csv_text(records), nl=False)
    else:
        print_table(cells if cells is not None else [_texts(r) for r in records], columns, note)


def json_text(records: Sequence[Mapping[str, Any]]) -> str:
    """Records as a JSON array, units beside the values."""
    return json.dumps([plain(r) for r in records], indent=1, ensure_ascii=False, allow_nan=False)


def csv_text(records: Sequence[Mapping[str, Any]]) -> str:
    """CSV with one column per (nested) key, units in the columns' names; cells a spreadsheet would run are disarmed."""
    return csv_of(grid_of_records(records))


def _write(
    records: Sequence[Mapping[str, Any]],
    form: str,
    out: Path | None,
    table: tuple[Sequence[TableColumn], Sequence[Mapping[str, str]] | None, str | None],
    facts: Mapping[str, Any],
) -> None:
    if out is None:
        raise click.UsageError(f"{form} is written to a file: add --out FILE")
    columns, cells, note = table
    if form == "table":
        rows = cells if cells is not None else [_texts(r) for r in records]
        content = encoded(table_text(rows, columns, note))
    elif form == "json":
        content = encoded(json_text(records) + "\n")
    else:
        content = grid_bytes(grid_of_records(records), form, about_lines(asked_text(), facts))
    write_file(out, content)
    click.echo(f"{len(records)} rows written to {out}")


def asked_text() -> str:
    """The command as it was asked, without the programme's and the file's place."""
    context = click.get_current_context(silent=True)
    if context is None:
        return ""
    words = [context.info_name or ""]
    for parameter in context.command.params:
        name = parameter.name or ""
        given = context.get_parameter_source(name) is ParameterSource.COMMANDLINE
        if not given or name in ("programme", "out", "form", "each"):
            continue
        value = context.params[name]
        option = [] if isinstance(parameter, click.Argument) else [parameter.opts[0]]
        words += [*option, *([] if value is True else [str(value)])]
    return " ".join(words)


def _texts(record: Mapping[str, Any]) -> dict[str, str]:
    return {k: "–" if v is None else str(v) for k, v in plain(record).items()}


def print_table(cells: Iterable[Mapping[str, str]], columns: Sequence[TableColumn], note: str | None) -> None:
    """A table on the terminal, as wide as that allows and not more than MOST_SHOWN rows of it; whole where the output
    goes elsewhere. Cells are text, never markup."""
    rows = list(cells)
    if sys.stdout.isatty():
        _draw(rows, columns, note)
    else:
        # a pipe has no width: let long rows stand, so that nothing is cut out of sight
        click.echo(table_text(rows, columns, note), nl=False)


def table_text(rows: Sequence[Mapping[str, str]], columns: Sequence[TableColumn], note: str | None) -> str:
    """The table as plain text, as wide as it needs: the look of the terminal's, which takes a hundred times as long."""
    lines: list[str] = []
    if rows:
        texts = [[column.head, *(plain_line(row.get(column.key, "–")) for row in rows)] for column in columns]
        filled = [_fill(some, right=column.align == "right") for some, column in zip(texts, columns, strict=True)]
        lines += ["  ".join(line) for line in zip(*filled, strict=True)]
    if note:
        lines.append(note)
    return "".join(f"{line}\n" for line in lines)


def _fill(texts: Sequence[str], *, right: bool) -> list[str]:
    """Texts of equal width, in terminal cells."""
    widths = [_width(text) for text in texts]
    widest = max(widths)
    if right:
        return [" " * (widest - width) + text for text, width in zip(texts, widths, strict=True)]
    return [text + " " * (widest - width) for text, width in zip(texts, widths, strict=True)]


def _width(text: str) -> int:
    """Cells of a terminal a text takes: an ideograph two, a mark set over a letter none."""
    if text.isascii():
        return len(text)
    return sum(0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text)


def _draw(rows: Sequence[Mapping[str, str]], columns: Sequence[TableColumn], note: str | None) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console(highlight=False, soft_wrap=False)
    if rows:
        table = Table(box=None, pad_edge=False, header_style="bold")
        for column in columns:
            right = column.align == "right"
            table.add_column(Text(column.head), justify="right" if right else "left", no_wrap=True)
        for row in rows[:MOST_SHOWN]:
            table.add_row(*(Text(row.get(c.key, "–")) for c in columns))
        console.print(table)
    if len(rows) > MOST_SHOWN:
        more = f"and {len(rows) - MOST_SHOWN:,} more; a pipe, or a file, gets them all"
        console.print(Text(more, style="dim"))
    if note:
        console.print(Text(note, style="dim"))
