"""`trimshot report`: a sortie's page in one file."""

from __future__ import annotations

from pathlib import Path

import click

from .options import programme_of, programme_option


@click.command()
@click.argument("sortie")
@click.option(
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    help="File to write; default: reports/SORTIE.html in the programme.",
)
@programme_option
@click.pass_context
def report(ctx: click.Context, sortie: str, output: Path | None, programme: Path | None) -> None:
    """Write SORTIE's page: time histories, points, events, findings, provenance; opens offline."""
    from ..sortie_page import write_sortie_page

    handle = programme_of(ctx, programme)
    click.echo(str(write_sortie_page(handle, sortie, output)))
