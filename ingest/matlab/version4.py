"""Variables of a MATLAB file of version 4, as some free programs still write them: a header of 20 bytes each, no nesting.

Layout: MAT-File Format, 'Version 4 MAT-File Format' (The MathWorks, publicly available).
"""

from __future__ import annotations

import struct
from typing import Any

import numpy as np

from .elements import Unusable, Variables

_HEADER_BYTES = 20
_STORED = ("f8", "f4", "i4", "i2", "u2", "u1")
LONGEST_NAME, MOST_NUMBERS = 64, 1 << 31


def find_order(head: bytes) -> str | None:
    """'<' or '>' where a file begins with a variable of version 4, else None."""
    for order in "<>":
        header = _header(head, 0, order)
        if header is not None and header[0] // 1000 == (order == ">"):
            name = head[_HEADER_BYTES : _HEADER_BYTES + header[4]]
            if name.endswith(b"\0") and name[:-1].decode("latin-1").isidentifier():
                return order
    return None


def _header(data: bytes, at: int, order: str) -> tuple[int, int, int, int, int] | None:
    """(type, rows, columns, imaginary, length of the name) where they can be one."""
    if at + _HEADER_BYTES > len(data):
        return None
    kind, rows, columns, imaginary, length = struct.unpack_from(f"{order}5i", data, at)
    fits = 0 <= kind < 2000 and kind // 100 % 10 == 0 and kind // 10 % 10 < len(_STORED) and kind % 10 < 3
    sizes = rows >= 0 and columns >= 0 and rows * columns < MOST_NUMBERS and imaginary in (0, 1)
    return (kind, rows, columns, imaginary, length) if fits and sizes and 1 < length <= LONGEST_NAME else None


def read_version_4(content: bytes, order: str) -> Variables:
    """Variables up to the end of the file, or to the first that does not hold together."""
    out, at = Variables(), 0
    while at < len(content):
        header = _header(content, at, order)
        if header is None:
            out.broken = (at, "no header of a variable")
            break
        kind, rows, columns, imaginary, length = header
        stored = np.dtype(order + _STORED[kind // 10 % 10])
        start = at + _HEADER_BYTES + length
        stop = start + rows * columns * stored.itemsize * (1 + imaginary)
        if stop > len(content):
            out.broken = (at, "the file ends inside a variable")
            break
        name = content[at + _HEADER_BYTES : start].rstrip(b"\0").decode("latin-1")
        values = np.frombuffer(content, stored, rows * columns, start).reshape((rows, columns), order="F")
        out.values[name] = _value(values, kind % 10, imaginary)
        at = stop
    return out


def _value(values: np.ndarray[Any, Any], kind: int, imaginary: int) -> Any:
    if kind == 2 or imaginary:
        return Unusable("a sparse matrix" if kind == 2 else "complex numbers")
    if kind == 0:
        return values.astype(values.dtype.newbyteorder("="))
    rows = ["".join(chr(int(code)) for code in row if 0 < code < 0x110000).rstrip() for row in values]
    return rows[0] if len(rows) == 1 else np.array(rows, dtype=object)
