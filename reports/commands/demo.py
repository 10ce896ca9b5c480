"""`trimshot demo`: the whole job on embedded demo sorties of an invented aircraft."""

from __future__ import annotations

import shutil
from pathlib import Path

import click

from ...shared.errors import StoreError

DATA = Path(__file__).parent.parent / "demo_data"
QUESTION = "flap <> 'up' AND flap <> 'transit' AND vertical_speed < fpm(-500)"


@click.command()
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    default="demo",
    show_default=True,
    help="Where to put the demo programme.",
)
@click.option("--again", is_flag=True, help="Begin anew when the folder holds an earlier demo.")
def demo(folder: Path, again: bool) -> None:
    """Make a programme, add the demo sorties, list what was found, ask one question, write the pages."""
    from ...store.programme import create_programme
    from ..sortie_page import write_sortie_page
    from .add import print_report, show_progress
    from .find import find
    from .listings import points

    mark = folder / "demo.txt"
    if folder.exists() and any(folder.iterdir()):
        if not (again and mark.exists()):
            raise StoreError(
                "the folder is not empty",
                where=str(folder),
                do="name another with --folder, or --again to redo an earlier demo",
            )
        shutil.rmtree(folder)
    programme = create_programme(folder)
    mark.write_text(
        "A programme made by `trimshot demo`; the aircraft, the places and the sorties are invented.\n",
        encoding="utf-8",
    )
    (programme.folder / "settings.toml").write_bytes((DATA / "settings.toml").read_bytes())
    logs = sorted(DATA.glob("*.zip"))
    click.echo(f"$ trimshot add {' '.join(f.stem for f in logs)}")
    print_report(programme.add(logs, on_progress=show_progress))
    context = click.get_current_context()
    click.echo("\n$ trimshot points")
    context.invoke(points, sortie=None, config=None, kind=None, refused=False, form="table", programme=programme.folder)
    click.echo(f'\n$ trimshot find "{QUESTION}" --at-least 10s')
    context.invoke(
        find, condition=QUESTION, at_least=10.0, join=2.0, sortie=None, form="table", programme=programme.folder
    )
    click.echo()
    for name in programme.sorties()["sortie"]:
        click.echo(f"page: {write_sortie_page(programme, name, None)}")
    click.echo(
        f"\nThe programme lies in {programme.folder}. Go on with: trimshot --programme {folder} show {name}, or serve for pages in the browser"
    )
