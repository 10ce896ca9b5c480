"""`trimshot rebuild`: everything anew from the kept source files."""

from __future__ import annotations

from pathlib import Path

import click

from .add import print_report, show_progress
from .options import engine_of, engine_options, programme_option


@click.command()
@engine_options
@programme_option
@click.pass_context
def rebuild(ctx: click.Context, workers: int | None, cluster: str | None, programme: Path | None) -> None:
    """Make the store, tracks and points anew from the kept source files, with the settings of now."""
    from ...store.programme import Programme, find_programme

    handle = Programme(find_programme(programme or ctx.find_root().obj))
    with engine_of(workers, cluster) as engine:
        report = handle.rebuild(on_progress=show_progress, engine=engine)
    print_report(report, failed="not read again, stays as it was")
    if report.count("failed"):
        ctx.exit(2)
