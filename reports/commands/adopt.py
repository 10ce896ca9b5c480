"""`trimshot adopt calibration`: the measured position error becomes the settings', and what it changes is told."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..display import number
from ..listing import TableColumn, print_table
from .add import show_progress
from .options import programme_of, programme_option

if TYPE_CHECKING:
    from ...store.programme import Programme
    from ..reductions.sheet_changes import Change

_COMPARED = (
    "drag",
    "increments",
    "windmilling",
    "landings",
    "stalls",
)  # reductions whose numbers an airspeed calibration moves
_MOST_SHOWN = 40


@click.command()
@click.argument("what", type=click.Choice(["calibration"]))
@click.option("--aircraft", help="The aircraft, where the programme holds several.")
@click.option("--yes", is_flag=True, help="Do it without asking.")
@programme_option
@click.pass_context
def adopt(ctx: click.Context, what: str, aircraft: str | None, yes: bool, programme: Path | None) -> None:
    """Write the measured airspeed correction into settings.toml, read all sorties again, list what changed."""
    del what
    from ...store.position_error import write_position_error
    from ...store.remote import writing
    from ..reductions.adoption import correction_rows
    from ..reductions.calibration import reduce_calibration
    from ..reductions.evidence import gather_evidence

    handle = programme_of(ctx, programme)
    settings = handle.settings
    unit = settings.display_unit("speed")
    rows = correction_rows(reduce_calibration(gather_evidence(handle, aircraft=aircraft)), settings)
    click.echo(f"position error to be written, indicated + correction [{unit}]:")
    for row in rows:
        click.echo(f"  {row.indicated_text(unit)}: {row.correction_text(unit)}")
    click.echo("below and above these speeds the nearest correction is held; that is not measured")
    if not yes and not click.confirm("write it into settings.toml and read every sortie again?"):
        return
    before = _contexts(handle, aircraft)
    with writing(handle.folder):
        write_position_error(handle.folder, [(one.indicated, one.correction) for one in rows], unit=unit)
        report = handle.rebuild(on_progress=show_progress)
    click.echo(f"{len(report.sorties) - report.count('failed')} sorties read again")
    _print_changes(before, _contexts(handle, aircraft))
    if report.count("failed"):
        ctx.exit(2)


def _contexts(programme: Programme, aircraft: str | None) -> list[dict[str, Any]]:
    from ..reductions.evidence import gather_evidence
    from ..reductions.present import context_of
    from ..reductions.registry import REDUCTIONS

    evidence = gather_evidence(programme, aircraft=aircraft)
    return [
        context_of(reduction.run(evidence), evidence.settings)
        for reduction in REDUCTIONS
        if reduction.name in _COMPARED
    ]


def _print_changes(before: list[dict[str, Any]], after: list[dict[str, Any]]) -> None:
    from ..reductions.sheet_changes import changes_between

    changes = [one for old, new in zip(before, after, strict=True) for one in changes_between(old, new)]
    click.echo(f"numbers changed: {len(changes)}")
    columns = [TableColumn(key, key, "right" if key in ("before", "after") else "left") for key in
               ("reduction", "table", "row", "number", "before", "after", "inside the band before")]  # fmt: skip
    print_table([_cells(one) for one in changes[:_MOST_SHOWN]], columns, None)
    if len(changes) > _MOST_SHOWN:
        click.echo(f"and {len(changes) - _MOST_SHOWN} more; `trimshot reduce NAME --format json` has them all")


def _cells(one: Change) -> dict[str, str]:
    unit = f" [{one.unit}]" if one.unit else ""
    return {
        "reduction": one.sheet,
        "table": one.table,
        "row": one.row,
        "number": one.column + unit,
        "before": number(one.before, one.unit),
        "after": number(one.after, one.unit),
        "inside the band before": "yes" if one.within_band else "no",
    }
