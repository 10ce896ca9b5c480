"""Writing so that a power cut leaves the whole of a file or none of it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO


@contextmanager
def written_whole(path: Path) -> Iterator[BinaryIO]:
    """A stream under a temporary name beside `path`, flushed to disk and renamed when the block ends well.

    When it does not, the temporary file goes and `path` stays as it was. Raises OSError.
    """
    temporary = path.with_name(path.name + ".part")
    try:
        with temporary.open("wb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)  # there only when something went wrong
    flush_folder(path.parent)


def flush_tree(folder: Path) -> None:
    """Make all files and folders below a folder, and itself, durable, whoever wrote them. Raises OSError."""
    for place, _, names in os.walk(folder):
        for name in names:
            _flush(Path(place, name))
        _flush(Path(place))


def flush_unless_later(stream: BinaryIO) -> None:
    """Make a stream's file durable where `flush_tree` cannot do it: a system that flushes only what is open for writing."""
    if os.name == "nt":
        stream.flush()
        os.fsync(stream.fileno())


def flush_folder(folder: Path) -> None:
    """Make a rename inside the folder durable (where the system allows a folder to be flushed)."""
    _flush(folder)


def _flush(path: Path) -> None:
    if os.name == "nt":
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
