"""DuckDB instances: how they are set up, and those that are kept between two openings of a catalog.

Making an instance takes seven times as long as attaching a file to one (14 against 2 ms of processor time), and an add
opens the catalog twice, a page ten times. So the catalog is attached to an instance that is kept; the file itself is
let go each time, and nobody else is kept out longer than before.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import duckdb

from .quoting import quote_text

_NAME = "programme"  # what a catalog opened by itself is called: its file's name
WRITING, READING = "writing", "reading"
_MOST_IDLE = {WRITING: 1, READING: 4}  # the pages ask from several threads
_lock = threading.Lock()
_idle: dict[str, list[duckdb.DuckDBPyConnection]] = {WRITING: [], READING: []}

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


def _attach(path: Path, purpose: str, options: str) -> duckdb.DuckDBPyConnection:
    connection = _take(purpose)
    try:
        connection.execute(f"ATTACH {quote_text(str(path))} AS {_NAME} ({options})")
        connection.execute(f"USE {_NAME}")
    except duckdb.Error:
        connection.close()
        raise
    return connection


@contextmanager
def kept(connection: duckdb.DuckDBPyConnection, purpose: str = WRITING) -> Iterator[None]:
    """Work on what `attach` gave: the file is let go with the block's end, what is committed written into it.

    After a fault the instance is closed, which undoes an open transaction, and not used again.
    """
    whole = False
    try:
        yield
        connection.execute("USE memory")
        with suppress(duckdb.Error):  # what the file cannot take lies in the log beside it, as when a connection closes
            connection.execute(f"DETACH {_NAME}")
            whole = True
    finally:
        if whole:
            _give_back(connection, purpose)
        else:
            connection.close()


def _take(purpose: str) -> duckdb.DuckDBPyConnection:
    with _lock:
        if _idle[purpose]:
            return _idle[purpose].pop()
    config = NO_EXTENSIONS
    if purpose == WRITING:  # the rows of one sortie: a second thread costs more than it does
        config = {**NO_EXTENSIONS, "threads": 1}
    return prepare_connection(duckdb.connect(":memory:", config=config))


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
