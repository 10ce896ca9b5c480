"""`trimshot check`: whether the programme is whole."""

from __future__ import annotations

from pathlib import Path

import click

from ..listing import TableColumn, emit, plain_line
from .add import show_progress
from .options import output_options, programme_option


@click.command()
@output_options
@programme_option
@click.pass_context
def check(ctx: click.Context, form: str, out: Path | None, programme: Path | None) -> None:
    """Check every hash and count of rows, the catalog against the files and the files against it.

    Changes nothing. Ends with code 1 when something is wrong; each line says what to do.
    """
    from ...store.check import check_programme
    from ...store.programme import find_programme

    report = check_programme(find_programme(programme or ctx.find_root().obj), on_progress=show_progress)
    records = [
        {"sortie": fault.sortie, "place": fault.place, "wrong": fault.what, "do": fault.do} for fault in report.faults
    ]
    cells = [{key: plain_line(value) or "–" for key, value in record.items()} for record in records]
    columns = [TableColumn(word, word) for word in ("sortie", "place", "wrong", "do")]
    looked_at = f"{report.sorties} sorties, {report.files} files, {report.bytes / 1e6:.1f} MB looked at"
    note = "\n".join([f"{looked_at}: {len(records) or 'nothing'} wrong", *report.notes])
    emit(records, form, out=out, columns=columns, cells=cells, note=note)
    if form != "table":
        click.echo(note, err=True)
    if records:
        ctx.exit(1)
