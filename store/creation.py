"""A new programme: its folder, its empty catalog, its settings, in this order.

settings.toml comes last: a folder without it is no programme, and what a run that was ended before has left (an empty
sorties/, an empty catalog) is taken up by the next one.
"""

from __future__ import annotations

from pathlib import Path

from ..shared.durable import flush_folder
from ..shared.errors import StoreError
from .connection import create_catalog, open_catalog
from .places import CATALOG, SETTINGS, SORTIES, remove_folder
from .template import settings_text
from .textfile import write_text

_MAKING = ".new"  # the catalog is made in here


def make_programme(folder: Path) -> None:
    """Make a programme in a new or existing folder. Raises StoreError when one is already there."""
    _check_free(folder)
    try:
        (folder / SORTIES).mkdir(parents=True, exist_ok=True)
        making = folder / _MAKING
        remove_folder(making)
        making.mkdir()
        create_catalog(making)
        (making / CATALOG).replace(folder / CATALOG)
        remove_folder(making)
        flush_folder(folder)
        write_text(folder / SETTINGS, settings_text())
    except OSError as error:
        raise StoreError("the programme cannot be written", where=str(folder), found=str(error)) from None


def _check_free(folder: Path) -> None:
    if folder.exists() and not folder.is_dir():
        raise StoreError("a programme is a folder, this is a file", where=str(folder), do="choose another name")
    for name, is_empty in ((SETTINGS, _never), (CATALOG, _is_empty_catalog), (SORTIES, _is_empty_folder)):
        if (folder / name).exists() and not is_empty(folder):
            raise StoreError(
                "there is already a programme here",
                where=str(folder),
                found=name,
                do="open it as it is, or choose another folder",
            )


def _never(_: Path) -> bool:
    return False


def _is_empty_folder(folder: Path) -> bool:
    return (folder / SORTIES).is_dir() and not any((folder / SORTIES).iterdir())


def _is_empty_catalog(folder: Path) -> bool:
    try:
        with open_catalog(folder) as connection:
            return not connection.execute("SELECT 1 FROM sortie LIMIT 1").fetchall()
    except StoreError:
        return False
