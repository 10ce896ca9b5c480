"""Frames of samples and of SQL answers in every form: many rows, so column by column and not record by record."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import click

from .cells import utc_text
from .display import number
from .grid import Grid, GridColumn, csv_of
from .listing import FILE_FORMS, TableColumn, asked_text, plain_line, print_table, table_text
from .output import about_lines, encoded, grid_bytes, json_of, write_file


def emit_grid(
    grid: Grid, form: str, out: Path | None, *, note: str | None = None, about: Mapping[str, Any] | None = None
) -> None:
    """Print a grid, or write it to the file `out`. `note` follows a table; files of parquet and xlsx hold `about`."""
    if form in FILE_FORMS and out is None:
        raise click.UsageError(f"{form} is written to a file: add --out FILE")
    if out is not None:
        write_grid(grid, form, out, about or {})
        click.echo(f"{grid.rows} rows written to {out}")
    elif form == "table":
        print_table(_texts(grid), _columns(grid), note)
        return
    else:
        click.echo(csv_of(grid) if form == "csv" else json_of(grid), nl=False)
    if note:
        click.echo(note, err=out is None)  # beside the rows, not among them


def write_grid(grid: Grid, form: str, out: Path, about: Mapping[str, Any]) -> None:
    """Write a grid to a file, whatever the form."""
    if form == "table":
        write_file(out, encoded(table_text(_texts(grid), _columns(grid), None)))
    else:
        write_file(out, grid_bytes(grid, form, about_lines(asked_text(), about)))


def _columns(grid: Grid) -> list[TableColumn]:
    return [
        TableColumn(plain_line(head), str(place), "right" if _is_numeric(column) else "left")
        for place, (head, column) in enumerate(zip(grid.heads(), grid.columns, strict=True))
    ]


def _is_numeric(column: GridColumn) -> bool:
    return any(isinstance(value, int | float) and not isinstance(value, bool) for value in column.values)


def _texts(grid: Grid) -> Sequence[Mapping[str, str]]:
    columns = [[_text(value, column.unit) for value in column.values] for column in grid.columns]
    return [{str(place): text for place, text in enumerate(row)} for row in zip(*columns, strict=True)]


def _text(value: Any, unit: str | None) -> str:
    if value is None:
        return "–"
    if isinstance(value, dt.datetime):
        return str(utc_text(value)).replace("T", " ")
    if isinstance(value, float):
        return number(value, unit) if unit else f"{value:.6g}"
    return plain_line(value)
