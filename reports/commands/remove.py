"""`trimshot remove`: a sortie out of the programme."""

from __future__ import annotations

from pathlib import Path

import click

from .options import programme_of, programme_option


@click.command()
@click.argument("sortie")
@click.option("--yes", is_flag=True, help="Without asking.")
@programme_option
@click.pass_context
def remove(ctx: click.Context, sortie: str, yes: bool, programme: Path | None) -> None:
    """Take SORTIE out of the programme: its samples, what was found, judgements of it, and the kept copies of its files.

    The folder it was added from is not touched; without it the sortie cannot be added again.
    """
    from ...store.commit import check_sorties
    from ...store.connection import open_catalog
    from ...store.places import SOURCE, sortie_folder

    handle = programme_of(ctx, programme)
    with open_catalog(handle.folder) as connection:
        check_sorties(connection, [sortie])
    kept = sortie_folder(handle.folder, sortie) / SOURCE
    count = sum(1 for file in kept.rglob("*") if file.is_file()) if kept.exists() else 0
    if not yes:
        files = f"{count} kept file{'' if count == 1 else 's'}"
        click.confirm(f"{sortie} and {files} of it go out of {handle.folder.name}; go on?", abort=True, err=True)
    report = handle.remove(sortie)
    click.echo(f"{sortie}: taken out; its folder outside the programme is as it was")
    for one in report.sorties:
        click.echo(f"{one.sortie}: {one.note}; {one.points} points, {one.events} events")
