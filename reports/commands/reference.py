"""`trimshot reference`: every name the program knows, offline."""

from __future__ import annotations

import click


@click.command()
def reference() -> None:
    """Print the reference page: commands, readers, channels, unit functions, settings, finding codes."""
    from ..reference import reference_page

    click.echo(reference_page(), nl=False)
