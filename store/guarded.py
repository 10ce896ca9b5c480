"""Questions that end: a connection that sees named files and nothing else, memory and time within limits."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import duckdb

from ..shared.errors import ConditionError, StoreError
from .places import wait_for_file

_FETCHED_AT_ONCE = 8


def shut_in(connection: duckdb.DuckDBPyConnection, files: Sequence[Path]) -> None:
    """Close a connection off: these files can be read, no other; nothing is written; no setting changes any more."""
    connection.execute("SET temp_directory = ''")
    connection.execute("SET allowed_paths = ?", [[str(file) for file in files]])
    connection.execute("SET enable_external_access = false")
    connection.execute("SET lock_configuration = true")


def check_files(files: Sequence[Path]) -> None:
    """Raise StoreError for a file of a sortie that is not there; those that lie elsewhere are fetched, several at a time."""
    absent = [file for file in files if not file.is_file()]
    if not absent:
        return
    with ThreadPoolExecutor(_FETCHED_AT_ONCE) as threads:
        missing = [file for file, there in zip(absent, threads.map(wait_for_file, absent), strict=True) if not there]
    if missing:
        raise StoreError("a file of a sortie is missing", where=str(missing[0]), do="run `trimshot rebuild`")


@contextmanager
def limit_time(connection: duckdb.DuckDBPyConnection, seconds: float) -> Iterator[None]:
    """Interrupt what runs inside the block after so many seconds. Raises ConditionError then, and when memory is out."""
    timer = threading.Timer(seconds, connection.interrupt)
    timer.start()
    try:
        yield
    except duckdb.InterruptException:
        raise ConditionError(
            f"the question took more than {seconds:g} s and was ended", do="ask for less, or allow it more time"
        ) from None
    except duckdb.OutOfMemoryException:
        raise ConditionError("the question needs too much memory", do="ask for fewer rows or sorties") from None
    finally:
        timer.cancel()
