"""`trimshot redetect`: points, events, states and manoeuvres anew from the stored tracks."""

from __future__ import annotations

from pathlib import Path

import click

from ...shared.criteria_presets import PRESETS
from .add import print_report, show_progress
from .options import engine_of, engine_options, programme_of, programme_option


@click.command()
@click.argument("sorties", nargs=-1, metavar="[SORTIE]...")
@click.option(
    "--criteria",
    type=click.Choice(tuple(PRESETS)),
    help="Published criteria in place of [points] in settings.toml; without it the settings hold.",
)
@engine_options
@programme_option
@click.pass_context
def redetect(
    ctx: click.Context,
    sorties: tuple[str, ...],
    criteria: str | None,
    workers: int | None,
    cluster: str | None,
    programme: Path | None,
) -> None:
    """Find points, events, states and manoeuvres again in stored sorties (all, or those named).

    The recorders' files are not read again; `trimshot rebuild` does that.
    """
    handle = programme_of(ctx, programme)
    with engine_of(workers, cluster) as engine:
        report = handle.redetect(sorties, criteria=criteria, on_progress=show_progress, engine=engine)
    print_report(report, failed="not detected again, stays as it was")
    if report.count("failed"):
        ctx.exit(2)
