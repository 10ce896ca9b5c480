"""`trimshot new`: a programme folder to start from."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
def new(folder: Path) -> None:
    """Create a programme in FOLDER: settings.toml to fill in, an empty store."""
    from ...store.programme import create_programme

    programme = create_programme(folder)
    click.echo(f"programme created in {programme.folder}")
    click.echo(
        f"describe the aircraft in {programme.folder / 'settings.toml'} (every entry is optional), then: trimshot add FOLDER"
    )
