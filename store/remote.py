"""A programme in an object store: read through a local copy, written by one writer at a time.

    heads/<number>.json      a state of the programme: its catalog, its small files, the addition of every sortie
    catalogs/<sha256>.duckdb
    sorties/<name>/<addition>/...    the files of a sortie; never changed once they are there

A writer works on its local copy, sends new sorties, then the catalog, then creates the next head. A head's
number can be created once only, by whoever comes first: a reader sees the state before or the state after,
and a writer that was overtaken changes nothing.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..shared.durable import written_whole
from ..shared.errors import NoProgrammeError, StoreError
from .bucket import Bucket, bucket_of
from .connection import lock_programme, open_locked_catalog
from .hashes import hash_file
from .lease import hold_lease
from .mirror import Mirror, mirror_folder, read_mirror, sortie_key, write_mirror
from .places import CATALOG, MARKS, QUESTIONS, SAVED, SETTINGS, SORTIES, remove_folder

SMALL_FILES = (SETTINGS, QUESTIONS, MARKS, SAVED)
_AT_WORK: ContextVar[frozenset[Path]] = ContextVar("at_work", default=frozenset())
KEPT_HEADS = 5  # states a slow reader may still be looking at


@dataclass(frozen=True, slots=True)
class Head:
    """A state of the programme. files: name -> text of the small files; catalog: sha256."""

    generation: int
    catalog: str
    files: dict[str, str]
    sorties: dict[str, str]


def open_remote(place: Path | str) -> Path:
    """The local copy of a programme, brought up to date. Raises NoProgrammeError, StoreError."""
    bucket = bucket_of(place)
    folder = mirror_folder(bucket)
    head = _newest(bucket)
    if head is None:
        raise NoProgrammeError("no programme there", where=bucket.url, do="make one with `trimshot new ADDRESS`")
    _bring_up(folder, bucket, head)
    return folder


def begin_remote(place: Path | str, local: Path) -> Path:
    """Put a new, empty programme (made in `local`) into the store. Gives its local copy. Raises StoreError."""
    bucket = bucket_of(place)
    if _newest(bucket) is not None:
        raise StoreError("there is already a programme there", where=bucket.url, do="open it as it is")
    write_mirror(local, Mirror(bucket.url))
    with hold_lease(bucket):
        _send(local, bucket, None)
    return open_remote(bucket.url)


@contextmanager
def writing(folder: Path) -> Iterator[None]:
    """What is written to a programme inside the block reaches the store with its end; blocks may lie in one another.

    A plain folder needs nothing. Raises LockedError, StoreError.
    """
    mirror = read_mirror(folder)
    if mirror is None or folder in _AT_WORK.get():
        yield
        return
    bucket = mirror.bucket
    with hold_lease(bucket):
        head = _newest(bucket)
        if head is None:
            raise NoProgrammeError("the programme is gone", where=bucket.url)
        _bring_up(folder, bucket, head)
        token = _AT_WORK.set(_AT_WORK.get() | {folder})
        try:
            yield
        finally:
            _AT_WORK.reset(token)
        _send(folder, bucket, head)


# -- from the store ----------------------------------------------------------------------------------


def _newest(bucket: Bucket) -> Head | None:
    keys = [key for key in bucket.keys("heads") if key.endswith(".json")]
    content = bucket.read(keys[-1]) if keys else None
    return None if content is None else Head(**json.loads(content))


def _bring_up(folder: Path, bucket: Bucket, head: Head) -> None:
    """Make the copy show this state. What was written here and never sent, on an older state, is lost."""
    folder.mkdir(parents=True, exist_ok=True)
    mirror = read_mirror(folder)
    if mirror is not None and mirror.generation == head.generation and (folder / CATALOG).exists():
        return
    with lock_programme(folder):
        fresh = folder / f"{CATALOG}.fetched"
        if not bucket.download(_catalog_key(head.catalog), fresh) or hash_file(fresh) != head.catalog:
            raise StoreError("the store's catalog is missing or damaged", where=bucket.url, found=head.catalog[:16])
        _drop_former(folder, mirror.sorties if mirror is not None else {}, head)
        (folder / f"{CATALOG}.wal").unlink(missing_ok=True)
        fresh.replace(folder / CATALOG)
        for name in SMALL_FILES:
            if name in head.files:
                with written_whole(folder / name) as stream:
                    stream.write(head.files[name].encode())
            else:
                (folder / name).unlink(missing_ok=True)
        write_mirror(folder, Mirror(bucket.url, head.generation, head.sorties))


def _drop_former(folder: Path, former: dict[str, str], head: Head) -> None:
    sorties = folder / SORTIES
    sorties.mkdir(exist_ok=True)
    for path in sorties.iterdir():
        if path.name not in former or former[path.name] != head.sorties.get(path.name):
            remove_folder(path)


# -- to the store ------------------------------------------------------------------------------------


def _send(folder: Path, bucket: Bucket, head: Head | None) -> None:
    with lock_programme(folder):
        sorties = _additions(folder)
        for name, addition in sorties.items():
            if head is None or head.sorties.get(name) != addition:
                _send_sortie(folder / SORTIES / name, bucket, sortie_key(name, addition))
        catalog = hash_file(folder / CATALOG)
        files = {name: (folder / name).read_text(encoding="utf-8") for name in SMALL_FILES if (folder / name).exists()}
        new = Head((head.generation if head is not None else 0) + 1, catalog, files, sorties)
        if head is not None and _facts(new) == _facts(head):
            return
        if head is None or head.catalog != catalog:
            bucket.upload(folder / CATALOG, _catalog_key(catalog))
        if not bucket.create(_head_key(new.generation), _written(new)):
            raise StoreError(
                "another writer was faster: nothing of this was taken into the programme",
                where=bucket.url,
                do="run the command again",
            )
        write_mirror(folder, Mirror(bucket.url, new.generation, sorties))
    _tidy(bucket)


def _additions(folder: Path) -> dict[str, str]:
    """Sortie -> addition, everything the catalog holds in its one file."""
    with open_locked_catalog(folder) as connection:
        rows = connection.execute("SELECT sortie, addition FROM sortie ORDER BY sortie").fetchall()
        connection.execute("CHECKPOINT")
    if (folder / f"{CATALOG}.wal").exists():
        raise StoreError("the catalog could not be written into its file", where=str(folder), do="look at the disk")
    return {str(name): str(addition) for name, addition in rows}


def _send_sortie(folder: Path, bucket: Bucket, key: str) -> None:
    for file in sorted(path for path in folder.rglob("*") if path.is_file()):
        bucket.upload(file, f"{key}/{file.relative_to(folder).as_posix()}")


def _tidy(bucket: Bucket) -> None:
    """Delete states nobody looks at any more, and what only they had."""
    keys = [key for key in bucket.keys("heads") if key.endswith(".json")]
    if len(keys) <= KEPT_HEADS:
        return
    kept = [_head(bucket, key) for key in keys[-KEPT_HEADS:]]
    catalogs = {head.catalog for head in kept}
    additions = {item for head in kept for item in head.sorties.items()}
    for key in keys[:-KEPT_HEADS]:
        former = _head(bucket, key)
        for name, addition in set(former.sorties.items()) - additions:
            for one in bucket.keys(sortie_key(name, addition)):
                bucket.delete(one)
        if former.catalog not in catalogs:
            bucket.delete(_catalog_key(former.catalog))
        bucket.delete(key)


def _head(bucket: Bucket, key: str) -> Head:
    content = bucket.read(key)
    if content is None:
        raise StoreError("a state of the programme is gone", where=f"{bucket.url} {key}")
    return Head(**json.loads(content))


def _facts(head: Head) -> tuple[Any, ...]:
    return head.catalog, head.files, head.sorties


def _written(head: Head) -> bytes:
    facts = {name: getattr(head, name) for name in ("generation", "catalog", "files", "sorties")}
    return json.dumps(facts, sort_keys=True).encode()


def _head_key(generation: int) -> str:
    return f"heads/{generation:010d}.json"


def _catalog_key(sha256: str) -> str:
    return f"catalogs/{sha256}.duckdb"
