"""`trimshot ledger`: what became of every file of a sortie, and the way back to its rows."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..ledger import ledger_records, row_record
from ..listing import TableColumn, emit, plain_line, print_table
from .options import format_option, programme_of, programme_option

if TYPE_CHECKING:
    from ...store.programme import Programme

_SHOWN_LINES = 20
_SHOWN_BYTES = 256


class Moment(click.ParamType):  # type: ignore[type-arg,unused-ignore]
    """'12:04:07.2' (time of day, UTC) or '2025-05-06T12:04:07.2Z'."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> dt.datetime | dt.time:
        """The moment; fails with what may be written."""
        text = str(value).strip().removesuffix("Z")
        try:
            if re.fullmatch(r"\d{1,2}:\d{2}(:\d{2}(\.\d{1,6})?)?", text):
                return dt.time.fromisoformat(text.zfill(len(text) + (text[1] == ":")))
            moment = dt.datetime.fromisoformat(text)
        except ValueError:
            self.fail(
                f"{value!r} is not a time; write for example 12:04:07.2 or 2025-05-06T12:04:07.2Z (UTC)", param, ctx
            )
        return moment if moment.tzinfo is not None else moment.replace(tzinfo=dt.UTC)


@click.command()
@click.argument("sortie")
@click.argument("file", required=False)
@click.option("--row", type=click.IntRange(min=1), help="Show this line (or packet) of FILE and the samples from it.")
@click.option("--time", "moment", type=Moment(), help="Show the rows of FILE around this time (UTC).")
@format_option
@programme_option
@click.pass_context
def ledger(
    ctx: click.Context,
    sortie: str,
    file: str | None,
    row: int | None,
    moment: dt.datetime | dt.time | None,
    form: str,
    programme: Path | None,
) -> None:
    """Show what became of every file of SORTIE: rows in and out, every decision with its evidence, units, clock.

    With FILE and --row or --time: the very lines of the kept file and what was stored of them.
    """
    handle = programme_of(ctx, programme)
    if (row is not None or moment is not None) and file is None:
        raise click.UsageError("name the FILE whose rows to show")
    if row is not None and moment is not None:
        raise click.UsageError("--row and --time exclude each other")
    if file is not None and (row is not None or moment is not None):
        _show_rows(handle, sortie, file, row, moment, form)
        return
    records = ledger_records(handle, sortie, file)
    if file is not None and not records:
        handle.source_row(sortie, file, 1)  # raises InputError with the names there are
    if form != "table":
        emit(records, form, columns=())
        return
    for record in records:
        _print_file(record)


def _show_rows(
    handle: Programme, sortie: str, file: str, row: int | None, moment: dt.datetime | dt.time | None, form: str
) -> None:
    if row is not None:
        rows = [handle.source_row(sortie, file, row)]
    else:
        assert moment is not None
        rows = handle.source_rows_around(sortie, file, moment)
    records = [row_record(one) for one in rows]
    if form == "json":
        emit(records, form, columns=())
    elif form == "csv":
        emit([{k: r[k] for k in ("file", "row")} | s for r in records for s in r["samples"]], form, columns=())
    else:
        for record in records:
            _print_row(record, with_samples=row is not None)


# -- tables -----------------------------------------------------------------------------------------


def _print_file(record: Mapping[str, Any]) -> None:
    click.echo(f"\n{plain_line(record['file'])}")
    click.echo(f"  {record['bytes']} bytes, sha256 {record['sha256']}")
    click.echo(f"  read by {record['adapter']} {record['adapter_version']}; recorder {record['instrument'] or '–'}")
    if record["error"]:
        click.echo(f"  not used: {plain_line(record['error'])}")
    elif record["rows_in"] is not None:
        _print_account(record)
    if record["tracks"] and record["clock"]["basis"] not in (None, "none"):
        click.echo(f"  clock: {_clock_text(record['clock'])}")
    _print_decisions(record["decisions"])
    _print_units(record["units"])


def _print_account(record: Mapping[str, Any]) -> None:
    beside = ", ".join(f"{n} {plain_line(what)}" for what, n in record["not_rows"].items() if n)
    click.echo(
        f"  rows: {record['rows_in']} in = {record['rows_out']} out + {record['rows_dropped']} dropped"
        f"{' + ' + beside if beside else ''}; {record['rows_repaired']} repaired"
        f"{'' if record['rows_reconcile'] else ' (DOES NOT ADD UP)'}"
    )
    for line in record["dropped"][:_SHOWN_LINES]:
        click.echo(f"    dropped {line['row']}: {plain_line(line['reason'])}: {plain_line(line.get('text') or '')}")
    rest = (record["rows_dropped"] or 0) - min(len(record["dropped"]), _SHOWN_LINES)
    if rest > 0:
        click.echo(f"    and {rest} more; `--format json` lists up to 1000")


def _clock_text(clock: Mapping[str, Any]) -> str:
    parts = [str(clock["basis"])]
    if clock["zone_s"]:
        parts.append(f"zone {clock['zone_s'] / 3600:+g} h")
    if clock["offset_uncertainty_s"] is not None:
        parts.append(f"offset {clock['offset_s']:+.3f} ± {2 * clock['offset_uncertainty_s']:.3f} s")
    elif clock["basis"] != "utc":  # satellite time is what others are held against
        parts.append("offset not resolved")
    if clock["drift_uncertainty_ppm"] is not None:
        parts.append(f"drift {clock['drift_ppm']:+.1f} ± {2 * clock['drift_uncertainty_ppm']:.1f} ppm")
    return f"{', '.join(parts)}{': ' + plain_line(clock['evidence']) if clock['evidence'] else ''}"


def _print_decisions(decisions: list[dict[str, Any]]) -> None:
    for one in decisions:
        value = "" if one["value"] is None else f" = {plain_line(one['value'])}"
        click.echo(f"  {one['what']}{value}{': ' + plain_line(one['evidence']) if one['evidence'] else ''}")


def _print_units(units: list[dict[str, Any]]) -> None:
    cells = [{key: "–" if value is None else plain_line(value) for key, value in one.items()} for one in units]
    heads = {"channel": "channel", "header": "header", "unit_as_written": "as written", "unit_read": "read as"}
    columns = [TableColumn(head, key) for key, head in {**heads, "unit_stored": "stored in", "evidence": "why"}.items()]
    if cells:
        print_table([{**cell, "channel": f"  {cell['channel']}"} for cell in cells], columns, None)


def _print_row(record: Mapping[str, Any], *, with_samples: bool) -> None:
    place = "" if record["offset"] is None else f", {record['bytes']} bytes at offset {record['offset']}"
    click.echo(f"{plain_line(record['file'])} {record['kind']} {record['row']}{place}")
    if record["text"] is not None:
        click.echo(f"  {plain_line(record['text'])}")
    elif record["hex"]:
        more = "" if record["bytes"] <= _SHOWN_BYTES else f" ... ({record['bytes']} bytes; --format json has all)"
        click.echo(f"  {bytes.fromhex(record['hex'])[:_SHOWN_BYTES].hex(' ')}{more}")
    if not record["samples"]:
        before = record["row_with_samples_before"]
        click.echo(
            f"  no sample carries this row's number{f'; the last one before it is row {before}' if before else ''}"
        )
    elif with_samples:
        _print_samples(record["samples"])
    else:
        click.echo(f"  {record['samples'][0]['time_utc']:%H:%M:%S.%f} UTC")


def _print_samples(samples: list[dict[str, Any]]) -> None:
    cells = [
        {
            "track": f"  {plain_line(one['track'])}",
            "channel": one["channel"],
            "time": f"{one['time_utc']:%Y-%m-%d %H:%M:%S.%f}",
            "value": "–" if one["value"] is None else plain_line(one["value"]),
            "unit": one["unit"] or "–",
            "written": "–" if one["written"] is None else plain_line(one["written"]),
            "header": plain_line(one["header"]),
            "as": one["unit_as_written"] or "–",
        }
        for one in samples
    ]
    heads = ("  track:track", "channel", "time:time UTC", "value:stored", "unit", "written", "as:unit", "header")
    columns = [TableColumn(head.partition(":")[2] or head, head.partition(":")[0].strip()) for head in heads]
    print_table(cells, columns, None)
