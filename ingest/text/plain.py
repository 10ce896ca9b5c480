"""Columns of text looked at as the bytes they are: what can be told of all fields at once, without a pattern for each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from ...shared.spill import is_large, note_use

BLANK, QUOTE, COMMA, POINT, ZERO, NINE = b' ",.09'


@dataclass(frozen=True, slots=True, eq=False)
class Letters:
    """A column of n texts: all bytes one after the other, and where each text starts and stops in them, (n,) each."""

    content: NDArray[np.uint8]
    start: NDArray[np.int32]
    stop: NDArray[np.int32]

    @property
    def filled(self) -> NDArray[np.bool_]:
        """Texts that are not empty, (n,)."""
        return np.asarray(self.stop > self.start)

    def holds(self, byte: int) -> bool:
        """Whether the byte stands anywhere."""
        return bool((self.content == byte).any())


def letters_of(column: pa.Array) -> Letters | None:
    """The bytes of a text column; None for an empty one and for other types."""
    if not pa.types.is_string(column.type) or not len(column) or column.buffers()[2] is None:
        return None
    _, places, content = column.buffers()
    edges = np.frombuffer(places, np.int32)[column.offset : column.offset + len(column) + 1]
    part = np.frombuffer(content, np.uint8)[edges[0] : edges[-1]]
    if is_large(edges) or is_large(part):
        note_use(edges.nbytes + part.nbytes)
    if edges[0]:
        edges = edges - edges[0]
    return Letters(part, edges[:-1], edges[1:]) if len(part) else None


def holds_byte(column: pa.Array, byte: int) -> bool:
    """Whether the byte stands anywhere in the column."""
    letters = letters_of(column)
    return letters is not None and letters.holds(byte)


def is_clean(column: pa.Array) -> bool:
    """True for text without anything to clean: ASCII without control bytes, quotes, outer blanks and empty fields."""
    letters = letters_of(column)
    if letters is None:
        return False
    low, high = int(letters.content.min()), int(letters.content.max())
    if low < BLANK or high > 126 or (low <= QUOTE and letters.holds(QUOTE)):
        return False
    filled = letters.filled
    if int(np.count_nonzero(filled)) != len(column) - column.null_count:
        return False
    if low > BLANK:
        return True
    first, last = letters.content[letters.start[filled]], letters.content[letters.stop[filled] - 1]
    return not ((first == BLANK).any() or (last == BLANK).any())


def count_decimals(column: pa.Array) -> int | None:
    """Most digits behind the point of a column of numbers; None where one is written with an exponent."""
    letters = letters_of(column)
    if letters is None:
        return 0
    if int(letters.content.max()) > NINE:
        return None
    left = int(np.count_nonzero(letters.content == POINT))
    if not left:
        return 0
    known = letters.filled
    if column.null_count:
        known &= column.is_valid().to_numpy(zero_copy_only=False)  # a null may hide bytes, see `without_rows`
    start, stop = (letters.start, letters.stop) if known.all() else (letters.start[known], letters.stop[known])
    usual = _decimals_everywhere(letters, start, stop, left)
    if usual is not None:
        return usual
    most = 0
    for decimals in range(int((stop - start).max(initial=0))):
        place = stop - 1 - decimals
        hits = int(np.count_nonzero(letters.content[place[place >= start]] == POINT))
        most, left = (decimals, left - hits) if hits else (most, left)
        if left <= 0:
            break
    return most


def _decimals_everywhere(
    letters: Letters, start: NDArray[np.int32], stop: NDArray[np.int32], points: int
) -> int | None:
    """Digits behind the point where all fields have one and as many as the first; None for others."""
    if points != len(stop):
        return None
    decimals = letters.content[start[0] : stop[0]][::-1].tobytes().find(POINT)
    places = stop - (1 + decimals)
    return decimals if decimals >= 0 and (places >= start).all() and (letters.content[places] == POINT).all() else None


def find_names(column: pa.Array) -> bool | None:
    """Whether some field is a zero and another digit behind it; None when the bytes do not tell."""
    letters = letters_of(column)
    if letters is None:
        return None
    start = letters.start[letters.stop - letters.start > 1]
    zeros = start[letters.content[start] == ZERO]
    behind = letters.content[zeros + 1]
    return bool(((behind >= ZERO) & (behind <= NINE)).any())


def find_odd(column: pa.Array) -> NDArray[np.int64] | None:
    """Rows whose text ends neither in a digit nor in a point, so that it is no number; None when the bytes do not tell."""
    letters = letters_of(column)
    if letters is None:
        return None
    last = letters.content[np.maximum(letters.stop - 1, 0)]
    usual = ((last >= ZERO) & (last <= NINE)) | (last == POINT)
    return np.flatnonzero(~usual & letters.filled)


def without_rows(column: pa.Array, rows: NDArray[np.int64]) -> pa.Array:
    """The column with nulls in these rows, its bytes shared."""
    known = (
        np.ones(len(column), dtype=bool) if not column.null_count else column.is_valid().to_numpy(zero_copy_only=False)
    )
    known = known.copy()
    known[rows] = False
    flags = pa.py_buffer(np.packbits(np.concatenate([np.ones(column.offset, dtype=bool), known]), bitorder="little"))
    _, places, content = column.buffers()
    return pa.Array.from_buffers(column.type, len(column), [flags, places, content], offset=column.offset)
