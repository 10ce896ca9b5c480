"""One listing, three forms: a table for people, JSON and CSV for programs."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import click

from .display import clean

FORMATS = ("table", "json", "csv")


@dataclass(frozen=True, slots=True)
class TableColumn:
    """A column of the table form: its head and how a record becomes its cell."""

    head: str
    key: str
    align: str = "left"


def utc_text(moment: dt.datetime | None) -> str | None:
    """ISO 8601 with milliseconds and Z."""
    if moment is None or moment != moment:
        return None
    return moment.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"


def plain_line(value: Any) -> str:
    """Text of a file without control characters, which could move a terminal's cursor."""
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in str(value))


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
) -> None:
    """Print records. `cells` are the same records as text for people; `note` follows the table."""
    if form == "json":
        click.echo(json.dumps([plain(r) for r in records], indent=1, ensure_ascii=False, allow_nan=False))
    elif form == "csv":
        click.echo(csv_text(records), nl=False)
    else:
        print_table(cells if cells is not None else [_texts(r) for r in records], columns, note)


def csv_text(records: Sequence[Mapping[str, Any]]) -> str:
    """CSV with one column per (nested) key; cells a spreadsheet would run as a formula are quoted."""
    rows = [flatten(plain(r)) for r in records]
    heads: dict[str, None] = {}
    for row in rows:
        heads.update(dict.fromkeys(row))
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(heads)
    for row in rows:
        writer.writerow([_harmless(row.get(head)) for head in heads])
    return stream.getvalue()


def flatten(value: Any, prefix: str = "") -> dict[str, Any]:
    """Nested mappings as one level: {'a': {'b': 1}} -> {'a.b': 1}; lists as JSON text."""
    if not isinstance(value, Mapping):
        return {prefix: json.dumps(value, ensure_ascii=False) if isinstance(value, list) else value}
    out: dict[str, Any] = {}
    for key, inner in value.items():
        out.update(flatten(inner, f"{prefix}.{key}" if prefix else str(key)))
    return out


def plain(value: Any) -> Any:
    """A value as JSON knows it: times as ISO text, numbers without NaN."""
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, dt.datetime):
        return utc_text(value)
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if hasattr(value, "item"):
        value = value.item()
    return clean(value)


def _harmless(value: Any) -> Any:
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + value
    return value


def _texts(record: Mapping[str, Any]) -> dict[str, str]:
    return {k: "–" if v is None else str(v) for k, v in plain(record).items()}


def print_table(cells: Iterable[Mapping[str, str]], columns: Sequence[TableColumn], note: str | None) -> None:
    """A table as wide as the terminal allows; cells are text, never markup."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    rows = list(cells)
    console = Console(highlight=False, soft_wrap=False)
    if not console.is_terminal:
        # a pipe has no width: let long rows stand, so that nothing is cut out of sight
        console = Console(highlight=False, width=max(80, _needed(rows, columns)))
    if rows:
        table = Table(box=None, pad_edge=False, header_style="bold")
        for column in columns:
            right = column.align == "right"
            table.add_column(column.head, justify="right" if right else "left", no_wrap=True)
        for row in rows:
            table.add_row(*(Text(row.get(c.key, "–")) for c in columns))
        console.print(table)
    if note:
        console.print(Text(note, style="dim"))


def _needed(rows: Sequence[Mapping[str, str]], columns: Sequence[TableColumn]) -> int:
    width = 0
    for column in columns:
        width += 1 + max([len(column.head), *(len(r.get(column.key, "–")) for r in rows)])
    return width + len(columns)
