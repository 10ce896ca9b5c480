"""DuckDB instances: how they are set up, and those that are kept between two openings of a catalog.

Making an instance takes seven times as long as attaching a file to one (14 against 2 ms of processor time), and an add
opens the catalog twice, a page ten times. So the catalog is attached to an instance that is kept; the file itself is
let go each time, and nobody else is kept out longer than before.

Nothing but `kept` brings rows from the log into the file, guarded by `checkpoint`: instances never do it by themselves.
"""

from __future__ import annotations

import os
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import duckdb

from .checkpoint import bring_in
from .quoting import quote_text

_NAME = "programme"  # what a catalog opened by itself is called: its file's name
WRITING, READING = "writing", "reading"
_MOST_IDLE = {WRITING: 1, READING: 4}  # the pages ask from several threads
_lock = threading.Lock()
_idle: dict[str, list[duckdb.DuckDBPyConnection]] = {WRITING: [], READING: []}
_users: Counter[Path] = Counter()  # attachments of this process, by file
# handles to files that are in use: closing one takes away the locks of the whole process
_looking: dict[Path, int] = {}
_files: dict[int, Path] = {}  # the file attached to a connection (by its id)

NO_EXTENSIONS: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
}


def prepare_connection(connection: duckdb.DuckDBPyConnection) -> duckdb.DuckDBPyConnection:
    """What every connection sets: UTC, no progress bar, no Python variables as tables."""
    connection.execute("SET TimeZone = 'UTC'")
    connection.execute("SET enable_progress_bar = false")
    connection.execute("SET python_enable_replacements = false")
    return connection


@contextmanager
def reading_variables(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Inside, a name in FROM that no table has is the caller's local variable: half of what registering a view costs.

    For a connection of `attach` inside `kept`: after a fault it stays so, and is not used again.
    """
    connection.execute("SET python_enable_replacements = true")
    yield
    connection.execute("SET python_enable_replacements = false")


def attach(path: Path) -> duckdb.DuckDBPyConnection:
    """A catalog file attached for writing; work on it inside `kept`. Raises duckdb.Error when it cannot be."""
    return _attach(path, WRITING, "TYPE duckdb")


def attach_for_reading(path: Path) -> duckdb.DuckDBPyConnection:
    """The same for reading; work on it inside `kept(connection, READING)`."""
    return _attach(path, READING, "TYPE duckdb, READ_ONLY")


def look_again(connection: duckdb.DuckDBPyConnection) -> duckdb.DuckDBPyConnection:
    """A second connection to a catalog that is attached already."""
    cursor = prepare_connection(connection.cursor())
    cursor.execute(f"USE {_NAME}")
    return cursor


@contextmanager
def counted(path: Path) -> Iterator[None]:
    """While this process attaches a file otherwise than by `attach`."""
    _count(path)
    try:
        yield
    finally:
        _uncount(path)


def _attach(path: Path, purpose: str, options: str) -> duckdb.DuckDBPyConnection:
    connection = _take(purpose)
    _count(path)
    try:
        connection.execute(f"ATTACH {quote_text(str(path))} AS {_NAME} ({options})")
        connection.execute(f"USE {_NAME}")
    except duckdb.Error:
        connection.close()
        _uncount(path)
        raise
    _files[id(connection)] = path
    return connection


@contextmanager
def kept(connection: duckdb.DuckDBPyConnection, purpose: str = WRITING) -> Iterator[None]:
    """Work on what `attach` gave: the file is let go with the block's end, what is committed written into it.

    After a fault the instance is closed, which undoes an open transaction, and not used again.
    """
    whole, path = False, _files[id(connection)]
    try:
        yield
        with suppress(duckdb.Error, OSError):  # what the file cannot take lies in the log beside it
            if purpose == WRITING:
                _bring_in(connection, path)
            connection.execute("USE memory")
            connection.execute(f"DETACH {_NAME}")
            whole = True
    finally:
        let_go(connection, purpose, whole=whole)


def let_go(connection: duckdb.DuckDBPyConnection, purpose: str = WRITING, *, whole: bool = False) -> None:
    """End what `attach` gave without `kept`, an open transaction undone; whole: its file is detached already."""
    path = _files.pop(id(connection))
    if whole:
        _give_back(connection, purpose)
    else:
        connection.close()
    _uncount(path)


def _bring_in(connection: duckdb.DuckDBPyConnection, path: Path) -> None:
    if os.name == "nt":  # the file is shut to everybody, this process included: nothing of it can be kept beside
        connection.execute("CHECKPOINT")
    else:
        bring_in(connection, path, lambda length, place: _look(path, length, place))


def _count(path: Path) -> None:
    with _lock:
        _users[path] += 1


def _uncount(path: Path) -> None:
    with _lock:
        _users[path] -= 1
        if not _users[path]:
            del _users[path]
            if path in _looking:
                os.close(_looking.pop(path))


def _look(path: Path, length: int, place: int) -> bytes:
    """Bytes of a file that is attached, by a handle that stays open until nobody of this process has the file."""
    with _lock:
        if path not in _looking:
            _looking[path] = os.open(path, os.O_RDONLY)
        handle = _looking[path]
    data = os.pread(handle, length, place)
    if len(data) != length:
        raise OSError(f"{path} is shorter than its own description")
    return data


def _take(purpose: str) -> duckdb.DuckDBPyConnection:
    with _lock:
        if _idle[purpose]:
            return _idle[purpose].pop()
    config = NO_EXTENSIONS
    if purpose == WRITING:  # the rows of one sortie: a second thread costs more than it does
        config = {**NO_EXTENSIONS, "threads": 1}
    connection = prepare_connection(duckdb.connect(":memory:", config=config))
    if purpose == WRITING:
        connection.execute("PRAGMA disable_checkpoint_on_shutdown")
        connection.execute("SET wal_autocheckpoint = '1TB'")
    return connection


def _give_back(connection: duckdb.DuckDBPyConnection, purpose: str) -> None:
    with _lock:
        if len(_idle[purpose]) < _MOST_IDLE[purpose]:
            _idle[purpose].append(connection)
            return
    connection.close()


def _close_idle() -> None:
    """End what is kept: a forked child has none of its threads, and would wait for them for ever."""
    with _lock:
        for some in _idle.values():
            while some:
                some.pop().close()


if hasattr(os, "register_at_fork"):  # not on every system
    os.register_at_fork(before=_close_idle)
