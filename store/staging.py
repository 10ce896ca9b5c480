"""Unfinished work: where sorties are prepared, and how the remains of a killed run are cleared.

A prepared sortie enters the programme in this order: its folder, carrying a mark with the
addition's token, is renamed into sorties/; the catalog commits a row with the same token; the
mark is removed. Whatever moment the process dies, the mark and the row tell which half happened.
"""

from __future__ import annotations

import contextlib
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb
from filelock import FileLock, Timeout

from ..shared.durable import flush_folder
from .connection import lock_programme
from .marks import settle_marks
from .places import MARK, PREPARING, REMOVED, REPLACED, SORTIES, remove_folder

DISCARDED = "discarded-"  # .preparing/discarded-<token>: on its way out


@contextmanager
def stage(programme: Path) -> Iterator[Path]:
    """A private folder inside the programme for preparing sorties; gone afterwards.

    It stays locked while this process lives, which is how others know that it is not a leftover.
    """
    token = uuid.uuid4().hex
    place = programme / PREPARING / token
    lock = FileLock(place.with_suffix(".lock"))
    with lock_programme(programme):
        _clear_preparing(place.parent)
        place.mkdir(parents=True)
        lock.acquire(timeout=0)
    try:
        yield place
    finally:
        with contextlib.suppress(OSError):  # the work is done or failed; a later run clears the place
            _throw_away(place)
        lock.release()
        place.with_suffix(".lock").unlink(missing_ok=True)


def clear_leftovers(programme: Path, connection: duckdb.DuckDBPyConnection) -> None:
    """Finish or undo what a killed run left behind. The caller holds the programme's lock."""
    _clear_preparing(programme / PREPARING)
    sorties = programme / SORTIES
    sorties.mkdir(exist_ok=True)
    additions = dict(connection.execute("SELECT sortie, addition FROM sortie").fetchall())
    names = {path.name.removeprefix(REPLACED).removeprefix(REMOVED) for path in sorties.iterdir()}
    for name in sorted(name for name in names if not name.startswith(".")):
        _settle(programme, name, additions.get(name))
    settle_marks(programme, connection, additions)


def has_moved(programme: Path) -> bool:
    """Whether a sortie's folder lies aside: its writer is at work, or was killed."""
    sorties = programme / SORTIES
    return sorties.is_dir() and any(path.name.startswith((REPLACED, REMOVED)) for path in sorties.iterdir())


def settle_sortie(programme: Path, connection: duckdb.DuckDBPyConnection, sortie: str) -> None:
    """The same for what was left of one sortie: its cost does not grow with the programme."""
    rows = connection.execute("SELECT addition FROM sortie WHERE sortie = ?", [sortie]).fetchall()
    _settle(programme, sortie, str(rows[0][0]) if rows else None)


def _settle(programme: Path, name: str, addition: str | None) -> None:
    """addition: the token of the sortie's row, None when the catalog has no such sortie."""
    sorties = programme / SORTIES
    present, replaced, removed = sorties / name, sorties / (REPLACED + name), sorties / (REMOVED + name)
    mark = present / MARK
    if mark.is_file():
        if mark.read_text(encoding="utf-8") == addition:
            mark.unlink()
            flush_folder(present)
        else:
            discard(programme, present)
    if replaced.exists():
        if present.exists():  # without its mark: the successor was committed
            discard(programme, replaced)
        else:
            _move_back(replaced, present)
    if removed.exists():
        if addition is None:
            discard(programme, removed)
        else:
            _move_back(removed, present)


def _move_back(former: Path, present: Path) -> None:
    former.rename(present)
    flush_folder(present.parent)


def discard(programme: Path, folder: Path) -> None:
    """Remove a sortie's folder so that a kill in the middle leaves nothing that looks whole."""
    bin_ = programme / PREPARING / f"{DISCARDED}{uuid.uuid4().hex}"
    bin_.parent.mkdir(exist_ok=True)
    folder.rename(bin_)
    flush_folder(folder.parent)
    _remove_if_possible(bin_)


def _clear_preparing(folder: Path) -> None:
    if not folder.is_dir():
        return
    for path in sorted(folder.iterdir()):
        if path.suffix == ".lock":
            _clear_abandoned(path)
        elif path.name.startswith(DISCARDED):
            _remove_if_possible(path)
        elif not path.with_suffix(".lock").exists():
            _throw_away(path)


def _clear_abandoned(lock_file: Path) -> None:
    lock = FileLock(lock_file)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        return
    _throw_away(lock_file.with_suffix(""))
    lock.release()
    lock_file.unlink(missing_ok=True)


def _throw_away(folder: Path) -> None:
    """Rename first: a worker that outlived its run may still be writing there, and must not meet a new run."""
    if folder.exists():
        bin_ = folder.with_name(f"{DISCARDED}{uuid.uuid4().hex}")
        folder.rename(bin_)
        _remove_if_possible(bin_)


def _remove_if_possible(folder: Path) -> None:
    """What cannot be removed now (somebody writes there, the disk is at fault) is removed by a later run."""
    try:
        remove_folder(folder)
    except OSError:
        return
