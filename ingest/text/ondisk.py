"""Columns of text too large for the memory: kept as bytes in nameless files, mapped, and Arrow arrays like any other."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from ...shared.spill import SpillWriter, is_large, note_use
from .plain import letters_of


class TextWriter:
    """A column of text written piece by piece."""

    def __init__(self) -> None:
        self._content, self._edges, self._known = SpillWriter(np.uint8), SpillWriter(np.int32), SpillWriter(np.bool_)
        self._edges.append(np.zeros(1, np.int32))
        self._size = self.length = self.nulls = 0

    def append(self, column: pa.Array) -> None:
        """Add the texts of an Arrow array of strings."""
        letters = letters_of(column)
        if letters is None:
            self._edges.append(np.full(len(column), self._size, np.int32))
        else:
            self._content.append(letters.content)
            self._edges.append(letters.stop + np.int32(self._size))
            self._size += len(letters.content)
        self._known.append(column.is_valid().to_numpy(zero_copy_only=False))
        self.length += len(column)
        self.nulls += column.null_count

    def close(self) -> None:
        """Let the files go; what `finish` gave stays."""
        for part in (self._content, self._edges, self._known):
            part.close()

    def finish(self) -> pa.Array:
        """All texts as one array, its bytes on disk."""
        content, edges, known = (pa.py_buffer(part.finish()) for part in (self._content, self._edges, self._known))
        flags = pa.py_buffer(np.packbits(np.frombuffer(known, np.bool_), bitorder="little")) if self.nulls else None
        return pa.Array.from_buffers(pa.string(), self.length, [flags, edges, content], self.nulls)


def keep_text(column: pa.Array, *, known: pa.Array | None = None) -> pa.Array:
    """The column itself when it is small, or is `known`, which lies on disk already; else its copy on disk."""
    if column is known or not is_large(column):
        return column
    writer = TextWriter()
    writer.append(column)
    note_use(column.nbytes)
    return writer.finish()
