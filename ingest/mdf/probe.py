"""Reads every channel of a measurement data file that the reader would, in a process of its own, and says nothing.

A damaged file can crash the library, and with it the program that called it. So a short-lived
process goes first: `python probe.py FILE` ends with 0, with 1 when the library refuses the file,
or is killed. It uses nothing of this package, to start quickly.
"""

from __future__ import annotations

import importlib
import struct
import sys
import zlib
from typing import Any

# what the library and numpy raise for a file whose inside does not hold together; SystemError comes from its
# compiled part, of a damaged block
LIBRARY_ERRORS = (
    OSError,
    ValueError,
    TypeError,
    KeyError,
    IndexError,
    AttributeError,
    RuntimeError,
    SystemError,
    NotImplementedError,
    ArithmeticError,
    MemoryError,
    RecursionError,
    AssertionError,
    EOFError,
    struct.error,
    zlib.error,
)


def walk(opened: Any, errors: tuple[type[Exception], ...]) -> None:
    """Read every channel of every group."""
    for number, group in enumerate(opened.groups):
        for index in range(len(group.channels)):
            try:
                opened.get(group=number, index=index)
            except errors:
                continue


def main(path: str) -> int:
    """0 when the file could be walked through, 1 when the library refused it."""
    library = importlib.import_module("asammdf")
    errors = (*LIBRARY_ERRORS, importlib.import_module("asammdf.blocks.utils").MdfException)
    try:
        with library.MDF(path) as opened:
            walk(opened, errors)
    except errors:
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
