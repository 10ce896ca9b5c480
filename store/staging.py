"""Unfinished work: where sorties are prepared, and how the remains of a killed run are cleared.

A prepared sortie enters the programme in this order: its folder, carrying a mark with the
addition's token, is renamed into sorties/; the catalog commits a row with the same token; the
mark is removed. Whatever moment the process dies, the mark and the row tell which half happened.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb
from filelock import FileLock, Timeout

from ..shared.durable import flush_folder
from .connection import lock_programme
from .places import MARK, PREPARING, REMOVED, REPLACED, SORTIES, remove_folder


@contextmanager
def stage(programme: Path) -> Iterator[Path]:
    """A private folder inside the programme for preparing sorties; gone afterwards.

    It stays locked while this process lives, which is how others know that it is not a leftover.
    """
    token = uuid.uuid4().hex
    place = programme / PREPARING / token
    lock = FileLock(place.with_suffix(".lock"))
    with lock_programme(programme):
        place.mkdir(parents=True)
        lock.acquire(timeout=0)
    try:
        yield place
    finally:
        remove_folder(place)
        lock.release()
        place.with_suffix(".lock").unlink(missing_ok=True)


def clear_leftovers(programme: Path, connection: duckdb.DuckDBPyConnection) -> None:
    """Finish or undo what a killed run left behind. The caller holds the programme's lock."""
    _clear_preparing(programme / PREPARING)
    sorties = programme / SORTIES
    sorties.mkdir(exist_ok=True)
    additions = dict(connection.execute("SELECT sortie, addition FROM sortie").fetchall())
    for folder in sorted(path for path in sorties.iterdir() if not path.name.startswith(".")):
        mark = folder / MARK
        if not mark.is_file():
            continue
        if mark.read_text(encoding="utf-8") == additions.get(folder.name):
            mark.unlink()
        else:
            discard(programme, folder)
    _settle_moved(programme, additions)


def discard(programme: Path, folder: Path) -> None:
    """Remove a sortie's folder so that a kill in the middle leaves nothing that looks whole."""
    bin_ = programme / PREPARING / f"discarded-{uuid.uuid4().hex}"
    bin_.parent.mkdir(exist_ok=True)
    folder.rename(bin_)
    flush_folder(folder.parent)
    remove_folder(bin_)


def _settle_moved(programme: Path, additions: dict[str, str]) -> None:
    sorties = programme / SORTIES
    for former in sorted(sorties.glob(REPLACED + "*")):
        present = sorties / former.name.removeprefix(REPLACED)
        if present.exists():  # without its mark: the successor was committed
            discard(programme, former)
        else:
            former.rename(present)
    for former in sorted(sorties.glob(REMOVED + "*")):
        name = former.name.removeprefix(REMOVED)
        if name in additions:
            former.rename(sorties / name)
        else:
            discard(programme, former)
    flush_folder(sorties)


def _clear_preparing(folder: Path) -> None:
    if not folder.is_dir():
        return
    for path in sorted(folder.iterdir()):
        if path.suffix == ".lock":
            _clear_abandoned(path)
        elif path.name.startswith("discarded-") or not path.with_suffix(".lock").exists():
            remove_folder(path)


def _clear_abandoned(lock_file: Path) -> None:
    lock = FileLock(lock_file)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        return
    remove_folder(lock_file.with_suffix(""))
    lock.release()
    lock_file.unlink(missing_ok=True)
