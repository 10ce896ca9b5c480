"""The programme checked: every hash, every count of rows, the catalog against the files and the files against it.

Nothing is changed. Another process may be adding meanwhile, and a sortie that is being committed is
between two states for an instant: what looks wrong is looked at a second time.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
from filelock import FileLock, Timeout

from ..shared.errors import StoreError, TrimshotError
from ..shared.settings import load_settings
from .check_files import NEXT_ADD, REBUILD, Fault, Kept, Look, check_sortie
from .connection import open_catalog
from .places import (
    CATALOG,
    MARK,
    PREPARING,
    QUESTIONS,
    REMOVED,
    REPLACED,
    SAVED,
    SETTINGS,
    SORTIES,
)
from .profiles import idle_profiles
from .questions import read_memory
from .saved import list_saved
from .schema import TABLES

OnProgress = Callable[[str, int, int], None]

SECOND_LOOK_S = 0.7


@dataclass(frozen=True, slots=True)
class CheckReport:
    """The outcome: what is wrong, and how much was looked at. notes: what could not be told, and what may be deleted."""

    faults: tuple[Fault, ...]
    sorties: int = 0
    files: int = 0
    bytes: int = 0
    notes: tuple[str, ...] = ()


def check_programme(programme: Path, *, on_progress: OnProgress | None = None) -> CheckReport:
    """Check everything; what is wrong twice is told. Raises LockedError, SchemaVersionError."""
    try:
        kept = _read_kept(programme)
    except StoreError as error:
        if type(error) is not StoreError:  # locked, or newer than this program: nothing is known to be wrong
            raise
        fault = Fault("", CATALOG, f"{error.what}{f': {error.found}' if error.found else ''}", REBUILD)
        return CheckReport((fault,), notes=tuple(_notes(programme, 0)))
    look = Look(programme)
    _look_at(look, kept, sorted(kept), on_progress)
    _check_rows(look)
    _check_places(look, kept)
    if look.faults:
        time.sleep(SECOND_LOOK_S)
        kept = _read_kept(programme)
        again = Look(programme)
        _look_at(again, kept, sorted({fault.sortie for fault in look.faults} & set(kept)), None)
        _check_rows(again)
        _check_places(again, kept)
        faults = tuple(again.faults)
    else:
        faults = ()
    notes = [*_notes(programme, look.without_hash), *_idle(programme)]
    return CheckReport(faults, len(kept), look.files, look.bytes, tuple(notes))


def _look_at(look: Look, kept: dict[str, Kept], names: Iterable[str], on_progress: OnProgress | None) -> None:
    names = list(names)
    for done, name in enumerate(names):
        if on_progress is not None:
            on_progress(name, done, len(names))
        check_sortie(look, name, kept[name])
    if on_progress is not None:
        on_progress("", len(names), len(names))


# -- the catalog ------------------------------------------------------------------------------------


def _read_kept(programme: Path) -> dict[str, Kept]:
    """Everything the catalog says of the files; every table read to its end."""
    with open_catalog(programme) as connection:
        for table in TABLES:
            connection.execute(f"SELECT bit_xor(hash(x)) FROM {table.name} AS x").fetchall()
        sorties = connection.execute("SELECT sortie, content_hash, frame_rows, frame_sha256 FROM sortie").fetchall()
        sources = _grouped(connection, "SELECT DISTINCT sortie, file, sha256 FROM source ORDER BY ALL")
        tracks = _grouped(connection, "SELECT sortie, file, samples, sha256 FROM track ORDER BY file")
        channels = _grouped(connection, "SELECT sortie, channel FROM channel WHERE track = 'frame'")
    return {
        str(name): Kept(
            content_hash,
            int(rows or 0),
            sha256,
            tuple(sources.get(name, ())),
            tuple(tracks.get(name, ())),
            frozenset(one[0] for one in channels.get(name, ())),
        )
        for name, content_hash, rows, sha256 in sorties
    }


def _grouped(connection: duckdb.DuckDBPyConnection, sql: str) -> dict[str, list[Any]]:
    out: dict[str, list[Any]] = {}
    for name, *rest in connection.execute(sql).fetchall():
        out.setdefault(name, []).append(tuple(rest))
    return out


_ORPHANS = """
SELECT x.sortie, count(*) FROM {table} AS x ANTI JOIN sortie AS s USING (sortie) GROUP BY x.sortie ORDER BY x.sortie
"""
_PIECES = """
SELECT s.sortie, sum(p.last_row - p.first_row + 1) AS counted, s.frame_rows FROM sortie AS s JOIN piece AS p USING (sortie)
GROUP BY s.sortie, s.frame_rows HAVING counted <> s.frame_rows ORDER BY s.sortie
"""
_LOOSE = """
SELECT x.sortie, count(*) FROM statistic AS x ANTI JOIN point AS p USING (sortie, number) GROUP BY x.sortie ORDER BY 1
"""


def _check_rows(look: Look) -> None:
    """Rows that belong to nothing."""
    with open_catalog(look.programme) as connection:
        for table in TABLES:
            if table.name in ("sortie", "mark"):  # a person's marks outlive the sortie they were made on
                continue
            for name, count in connection.execute(_ORPHANS.format(table=table.name)).fetchall():
                look.tell(str(name), f"catalog, {table.name}", f"{count} rows of a sortie that is not there", REBUILD)
        for name, counted, rows in connection.execute(_PIECES).fetchall():
            look.tell(str(name), "catalog, piece", f"pieces of {counted} rows, the frame has {rows}", REBUILD)
        for name, count in connection.execute(_LOOSE).fetchall():
            look.tell(str(name), "catalog, statistic", f"{count} rows of points that are not there", REBUILD)


# -- the folders ------------------------------------------------------------------------------------


def _check_places(look: Look, kept: dict[str, Kept]) -> None:
    """Folders the catalog does not know, and what a run that was ended has left."""
    sorties = look.programme / SORTIES
    if not sorties.is_dir():
        look.tell(
            "", SORTIES, "the folder of the sorties is gone", "bring it back from a copy, or add the sorties anew"
        )
        return
    for path in sorted(sorties.iterdir()):
        if path.name.startswith((REPLACED, REMOVED)):
            look.tell("", f"{SORTIES}/{path.name}", "left by a run that was ended", NEXT_ADD)
        elif path.name not in kept and (path / MARK).exists():
            look.tell(path.name, f"{SORTIES}/{path.name}", "an add was ended before its last step", NEXT_ADD)
        elif path.name not in kept:
            do = "run `trimshot rebuild` to take it in, or move it away"
            look.tell(path.name, f"{SORTIES}/{path.name}", "the catalog does not know this folder", do)
    for place in _abandoned(look.programme / PREPARING):
        look.tell("", f"{PREPARING}/{place}", "left by an add that was ended", NEXT_ADD)
    _check_texts(look)


def _check_texts(look: Look) -> None:
    """The files people write or may edit: each can be read."""
    readers: dict[str, Callable[[], object]] = {
        SETTINGS: lambda: load_settings(look.programme / SETTINGS),
        SAVED: lambda: list_saved(look.programme),
        QUESTIONS: lambda: read_memory(look.programme),
    }
    for name, reader in readers.items():
        try:
            reader()
        except TrimshotError as error:
            found = f": {error.found}" if error.found else ""
            look.tell("", name, f"{error.what}{found}", error.do or "correct the file")


def _abandoned(folder: Path) -> list[str]:
    """Private folders of adds whose process has gone: nobody holds their lock."""
    if not folder.is_dir():
        return []
    out = []
    for path in sorted(folder.iterdir()):
        lock = path if path.suffix == ".lock" else path.with_suffix(".lock")
        if path.suffix == ".lock" and path.with_suffix("").is_dir():
            continue  # told with its folder
        if not lock.exists() or not _is_held(lock):
            out.append(path.name)
    return out


def _is_held(lock_file: Path) -> bool:
    lock = FileLock(lock_file)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        return True
    except OSError:
        return False  # a folder that cannot be written: nobody is adding
    lock.release()
    return False


def _notes(programme: Path, without_hash: int) -> list[str]:
    notes = []
    if without_hash:
        notes.append(
            f"{without_hash} files were written before their hashes were kept: rows counted and read to the end only "
            "(`trimshot rebuild` keeps the hashes)"
        )
    kept = sorted(path.name for path in programme.glob(CATALOG + ".unusable-*"))
    if kept:
        notes.append(f"former catalogs that could not be used, kept by rebuild; delete them at will: {', '.join(kept)}")
    return notes


def _idle(programme: Path) -> list[str]:
    """Profiles that say something of a recorder nobody has: a mistyped fingerprint or pattern would go unnoticed."""
    return [
        f"instruments.{key} in {SETTINGS} claims no file of any sortie: compare its `fingerprint` and `files` with what "
        "`trimshot read` prints for them"
        for key in idle_profiles(programme)
    ]
