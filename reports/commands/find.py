"""`trimshot find`: one condition, every sortie."""

from __future__ import annotations

from pathlib import Path

import click

from ..display import number
from ..listing import TableColumn, clock_time, emit, second_text
from ..records import stretch_records
from ..stretch_bands import AT_A_GLANCE, IN_FULL, NOTE, add_bands, mean_text
from .options import (
    Duration,
    engine_of,
    engine_options,
    narrowing_of,
    narrowing_options,
    output_options,
    programme_of,
    programme_option,
)


@click.command()
@click.argument("condition")
@click.option("--at-least", type=Duration(), metavar="DURATION", help="Shortest stretch told, for example 10s.")
@click.option("--join", type=Duration(), metavar="DURATION", help="Join stretches closer than this, for example 2s.")
@click.option("--sortie", multiple=True, help="Look in this sortie alone; may be given several times.")
@click.option(
    "--channels",
    default="",
    metavar="NAMES",
    help="Tell mean, low, high, first and last of these: pitch,vertical_speed",
)
@narrowing_options
@engine_options
@output_options
@programme_option
@click.pass_context
def find(
    ctx: click.Context,
    condition: str,
    at_least: float | None,
    join: float | None,
    sortie: tuple[str, ...],
    channels: str,
    within: tuple[str, ...],
    after: tuple[tuple[str, float], ...],
    before: tuple[tuple[str, float], ...],
    workers: int | None,
    cluster: str | None,
    form: str,
    out: Path | None,
    programme: Path | None,
) -> None:
    """Find every stretch where CONDITION holds.

    CONDITION is SQL over channels and states, or `@NAME` for a saved one. Numbers are written with their unit, `-500 fpm`
    or `fpm(-500)`; one without is taken in SI, and the answer says so:

        trimshot find "flap = 'full' AND gear = 'down' AND vertical_speed < -500 fpm" --at-least 10s
    """
    handle = programme_of(ctx, programme)
    narrowed = narrowing_of(within, after, before)
    names = [name for name in channels.split(",") if name.strip()]
    with engine_of(workers, cluster) as engine:
        result = handle.find(
            condition, at_least, join_s=join, sortie=sortie, narrowed=narrowed, channels=names, engine=engine
        )
    records = stretch_records(result, handle.settings)
    most = IN_FULL if names else AT_A_GLANCE
    passed_over = add_bands(records, handle.folder, result, handle.settings, most_values=most)
    shown = [c for c in result.columns if c in result.units and c not in ("duration_s", "start_s", "stop_s")]
    cells = []
    for r in records:
        cell = {
            "sortie": r["sortie"],
            "start": second_text(r["start_utc"]),
            "end": clock_time(r["end_utc"]),
            "length": number(r["duration_s"], "s"),
        }
        for name in shown:
            cell[name] = mean_text(r, name, r.get(f"{name}_unit"))
        cells.append(cell)
    columns = [
        TableColumn("sortie", "sortie"),
        TableColumn("start UTC", "start"),
        TableColumn("end", "end"),
        TableColumn("s", "length", "right"),
    ]
    for name in shown:
        unit = records[0].get(f"{name}_unit") if records else None
        columns.append(TableColumn(f"{name.replace('_', ' ')} {unit or ''}".strip(), name, "right"))
    note = f"{len(records)} stretches in {len({r['sortie'] for r in records})} of {len(result.considered)} sorties considered"
    if records:
        note += f"; values are means over the rows where it holds\n{NOTE}"
    if passed_over:
        note += (
            f"\n{passed_over} stretches at the end without a band, to answer at once: name --channels, or ask for fewer"
        )
    for name, reason in result.left_out.items():
        note += f"\nleft out {name}: {reason}"
    note += "".join(f"\nnote: {one}" for one in result.notes)
    about = {"condition": handle.condition(condition), "considered": result.considered, "left out": result.left_out}
    emit(records, form, out=out, columns=columns, cells=cells, note=note, about=about)
    if form != "table" or out is not None:
        click.echo(note, err=True)
