"""`trimshot manoeuvres`."""

from __future__ import annotations

from pathlib import Path

import click

from ..absent import tell_absent
from ..display import number
from ..listing import TableColumn, emit, second_text
from ..manoeuvres import manoeuvre_records, manoeuvre_text
from .options import output_options, programme_of, programme_option, sortie_choice


@click.command()
@sortie_choice("Manoeuvres")
@click.option("--kind", help="A kind or its beginning: turn, level, phugoid, approach_to_stall, power_off_pattern ...")
@output_options
@programme_option
@click.pass_context
def manoeuvres(
    ctx: click.Context, sortie: str | None, kind: str | None, form: str, out: Path | None, programme: Path | None
) -> None:
    """List what was flown, in SORTIE or in all: turns, speed runs, phugoids and other oscillations, approaches to the stall, patterns."""
    handle = programme_of(ctx, programme)
    records = manoeuvre_records(handle, sortie, kind)
    cells = [
        {
            "sortie": r["sortie"],
            "start": second_text(r["start_utc"]),
            "length": number(r["duration_s"], "s"),
            "kind": r["kind"],
            "confidence": f"{r['confidence']:.2f}",
            "facts": manoeuvre_text(r["kind"], r["facts"]),
        }
        for r in records
    ]
    columns = [
        TableColumn("sortie", "sortie"),
        TableColumn("start UTC", "start"),
        TableColumn("s", "length", "right"),
        TableColumn("kind", "kind"),
        TableColumn("confidence", "confidence", "right"),
        TableColumn("measured", "facts"),
    ]
    note = f"{len(records)} manoeuvres"
    if not records:
        note += tell_absent(handle, "manoeuvres", {"kind": kind})
    emit(records, form, out=out, columns=columns, cells=cells, note=note)
