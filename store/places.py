"""Where things lie in a programme folder, and how a folder is removed or renamed so that it lasts."""

from __future__ import annotations

import re
import shutil
import stat
import time
from pathlib import Path

from ..shared.errors import StoreError
from .mirror import fetch_missing

CATALOG = "programme.duckdb"
SETTINGS = "settings.toml"
QUESTIONS = "questions.json"  # answered questions, and those of sorties that wait for an answer
MARKS = "marks.jsonl"  # what people said about points, one mark a line
SAVED = "saved.toml"  # conditions people keep under a name
SORTIES = "sorties"
LOCK = "programme.lock"
PREPARING = ".preparing"  # sorties being read, not yet part of the programme
REPLACED = ".replaced-"  # sorties/.replaced-<id>: the former sortie while its successor is committed
REMOVED = ".removed-"  # sorties/.removed-<id>: a sortie being taken out
MARK = "unfinished"  # a sortie's folder carries it from rename to commit; holds the addition's token
SOURCE = "source"
TRACKS = "tracks"
FRAME = "frame.parquet"

_REPLACING_S = 0.5
_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._-]{0,119}")


def is_programme(folder: Path) -> bool:
    """Whether a folder is a programme: settings.toml beside the catalog or the sorties."""
    return (folder / SETTINGS).is_file() and ((folder / CATALOG).exists() or (folder / SORTIES).is_dir())


def check_sortie_name(name: str) -> str:
    """The name itself, when it can be a folder's name on every system. Raises StoreError."""
    if not _NAME.fullmatch(name):
        raise StoreError(
            "a sortie's name cannot be used",
            found=repr(name),
            allowed="letters, digits, '.', '_' and '-', not beginning with '.' or '-'",
            do="rename the folder",
        )
    return name


def sortie_folder(programme: Path, sortie: str) -> Path:
    """The folder of a sortie. Raises StoreError for a name that is none."""
    return programme / SORTIES / check_sortie_name(sortie)


def frame_file(programme: Path, sortie: str) -> Path:
    """The sortie's frame."""
    return sortie_folder(programme, sortie) / FRAME


def wait_for_file(path: Path) -> bool:
    """Whether a file is there, fetched or waited for: a sortie that is being replaced is away for an instant."""
    if path.is_file() or fetch_missing(path):
        return True
    end = time.monotonic() + _REPLACING_S
    while not path.is_file():
        if time.monotonic() > end:
            return False
        time.sleep(0.02)
    return True


def track_file_name(number: int, track: str) -> str:
    """A file name for a track: number, and the name's harmless letters."""
    return f"{number:02d}-{re.sub(r'[^A-Za-z0-9_-]+', '-', track)[:60] or 'track'}.parquet"


def remove_folder(folder: Path) -> None:
    """Remove a folder and everything in it, read-only files included."""
    if not folder.exists():
        return
    for path in folder.rglob("*"):
        if not path.is_symlink():
            path.chmod(path.stat().st_mode | stat.S_IWUSR)
    shutil.rmtree(folder)
