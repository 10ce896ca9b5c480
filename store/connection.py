"""Opening the catalog: readers read-only and briefly, one writer under the programme's lock.

A DuckDB file open for writing keeps every other process out, readers included; so everybody
opens, works, closes, and a reader who finds the door shut tries again for a few seconds.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from pathlib import Path
from types import MappingProxyType

import duckdb
from filelock import BaseFileLock, FileLock, Timeout

from ..shared.errors import LockedError, StoreError
from .checkpoint import kept_before, mend
from .instance import (
    NO_EXTENSIONS,
    READING,
    attach,
    attach_for_reading,
    kept,
    let_go,
    look_again,
    prepare_connection,
)
from .places import CATALOG, LOCK
from .schema import STEPS, TABLES, create_schema, read_version, upgrade_schema
from .waiting import tell_wait

READER_WAIT_S = 5.0
WRITER_WAIT_S = 60.0
SILENT_WAIT_S = 2.0  # a commit of another process is over sooner
_PAUSE_S = 0.05
# every table an add touches is written by whole blocks: a quarter of what is usual, and reads as fast
_BLOCK_BYTES = "65536"
# catalogs this context has open: a question asked inside another one looks through the same opening
_OPEN: ContextVar[Mapping[Path, duckdb.DuckDBPyConnection]] = ContextVar("open_catalogs", default=MappingProxyType({}))
_REBUILD = "run `trimshot rebuild`: it makes the catalog anew from the kept source files"


def connect_memory(memory_limit: str = "2GB") -> duckdb.DuckDBPyConnection:
    """A connection without a file of its own."""
    connection = duckdb.connect(":memory:", config={**NO_EXTENSIONS, "memory_limit": memory_limit})
    return prepare_connection(connection)


def create_catalog(folder: Path) -> None:
    """Make an empty catalog with the current schema in a programme folder."""
    with lock_programme(folder):
        connection = _connect(folder / CATALOG, _make_file, wait_s=0.0)
        try:
            create_schema(connection)
        finally:
            connection.close()


@contextmanager
def open_catalog(folder: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """The catalog for reading. Raises StoreError (missing, damaged), LockedError, SchemaVersionError."""
    outer = _OPEN.get().get(folder)
    if outer is None:
        with _opened(folder) as connection:
            yield connection
        return
    try:
        with look_again(outer) as connection:
            yield connection
    except duckdb.Error as error:
        raise _unreadable(folder, error) from error


@contextmanager
def _opened(folder: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    if kept_before(folder / CATALOG).exists():  # a writer is at its last step, or was ended there: a writer mends it
        with suppress(StoreError), write_catalog(folder):
            pass
    connection, version = _open(folder, attach_for_reading, wait_s=READER_WAIT_S)
    if version < len(STEPS):
        let_go(connection, READING)
        with write_catalog(folder):
            pass
        connection, _ = _open(folder, attach_for_reading, wait_s=READER_WAIT_S)
    token = _OPEN.set({**_OPEN.get(), folder: connection})
    try:
        with kept(connection, READING):
            yield connection
    except duckdb.Error as error:
        raise _unreadable(folder, error) from error
    finally:
        _OPEN.reset(token)


@contextmanager
def write_catalog(folder: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """The catalog for writing, schema up to date; the caller's lock keeps other writers out meanwhile."""
    with lock_programme(folder), open_locked_catalog(folder) as connection:
        yield connection


@contextmanager
def open_locked_catalog(folder: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """As `write_catalog`, for a caller that holds the programme's lock already."""
    _mend(folder)
    connection, version = _open(folder, attach, wait_s=WRITER_WAIT_S)
    with kept(connection):
        try:
            if version < len(STEPS):
                upgrade_schema(connection)
            yield connection
        except duckdb.Error as error:
            raise _unreadable(folder, error) from error


@contextmanager
def lock_programme(folder: Path) -> Iterator[None]:
    """The programme's writer lock. Raises LockedError when another process keeps it too long."""
    lock = FileLock(folder / LOCK)
    try:
        _acquire(lock, folder)
    except Timeout:
        raise LockedError(
            f"another process has been writing to the programme for {WRITER_WAIT_S:.0f} s",
            where=str(folder),
            do="wait until it has finished, or end it, then run again; nothing was changed",
        ) from None
    except OSError as error:
        raise StoreError("the programme cannot be written", where=str(folder), found=str(error)) from None
    try:
        yield
    finally:
        lock.release()


def _acquire(lock: BaseFileLock, folder: Path) -> None:
    try:
        lock.acquire(timeout=SILENT_WAIT_S)
    except Timeout:
        tell_wait(f"waiting: another process is writing to {folder}")
        lock.acquire(timeout=max(WRITER_WAIT_S - SILENT_WAIT_S, 0.0))  # below zero is for ever


def catalog_is_usable(folder: Path) -> bool:
    """Whether every table of the catalog can be read to its end. Raises SchemaVersionError, LockedError.

    The caller holds the programme's lock.
    """
    if not (folder / CATALOG).exists():
        return False
    _mend(folder)
    try:
        connection = _connect(folder / CATALOG, attach, wait_s=WRITER_WAIT_S)
    except duckdb.Error:
        return False
    try:
        with kept(connection):
            if read_version(connection) == 0:
                return False
            upgrade_schema(connection)
            for table in TABLES:
                connection.execute(f"SELECT bit_xor(hash(x)) FROM {table.name} AS x").fetchall()
    except duckdb.Error:
        return False
    return True


def _mend(folder: Path) -> None:
    try:
        mend(folder / CATALOG)
    except OSError as error:
        raise StoreError("the programme cannot be written", where=str(folder), found=str(error)) from None


Open = Callable[[Path], duckdb.DuckDBPyConnection]


def _open(folder: Path, how: Open, *, wait_s: float) -> tuple[duckdb.DuckDBPyConnection, int]:
    """The catalog, and the version of its schema."""
    path = folder / CATALOG
    if not path.exists():
        raise StoreError("the programme's catalog is missing", where=str(path), do=_REBUILD)
    try:
        connection = _connect(path, how, wait_s=wait_s)
    except duckdb.Error as error:
        raise _unreadable(folder, error) from error
    try:
        version = read_version(connection)
        if version == 0:
            raise StoreError("the programme's catalog is empty or not ours", where=str(path), do=_REBUILD)
    except duckdb.Error as error:
        let_go(connection)
        raise _unreadable(folder, error) from error
    except StoreError:
        let_go(connection)
        raise
    return connection, version


def _make_file(path: Path) -> duckdb.DuckDBPyConnection:
    return prepare_connection(duckdb.connect(str(path), config={**NO_EXTENSIONS, "default_block_size": _BLOCK_BYTES}))


def _connect(path: Path, how: Open, *, wait_s: float) -> duckdb.DuckDBPyConnection:
    end = time.monotonic() + wait_s
    while True:
        try:
            return how(path)
        except (duckdb.IOException, duckdb.ConnectionException, duckdb.ResourceInUseException) as error:
            if not is_busy(error):
                raise
            if time.monotonic() > end:
                raise LockedError(
                    f"another process has kept the catalog for {wait_s:.0f} s",
                    where=str(path),
                    found=_first_line(error),
                    do="wait until it has finished, or end it, then run again",
                ) from None
            time.sleep(_PAUSE_S)


def is_busy(error: duckdb.Error) -> bool:
    """Whether an opening failed because somebody else has the file, in this process or another: it is worth waiting."""
    text = str(error)
    signs = ("lock on file", "different configuration", "being used by another process", "already attached")
    return any(sign in text for sign in signs)


def _unreadable(folder: Path, error: duckdb.Error) -> StoreError:
    found = _first_line(error)
    full = any(sign in found for sign in ("No space left", "File too large", "Disk quota"))
    return StoreError(
        "the programme's catalog cannot be read or written",
        where=str(folder / CATALOG),
        found=found,
        do="make room on the disk, then run again" if full else _REBUILD,
    )


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0] if str(error) else type(error).__name__
