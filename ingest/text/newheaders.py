"""Headers of other words among the rows: where a table below the first one begins."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from .lines import HIDDEN, Block, Body, Expected
from .notes import Notes
from .plain import letters_of
from .tokens import is_data_like, kind_of, split_line

MOST_HEADERS, MOST_TABLES = 0.2, 200  # share of rows that may begin with a letter; tables looked for
_QUOTE = 34
Rows = NDArray[np.int64]
Section = tuple[Rows, tuple[int, ...]]  # lines, and the places of their columns


def may_hold_headers(first: NDArray[np.float64] | pa.Array) -> bool:
    """True where a few fields of the first column begin with a letter, as those of another header do."""
    letters = None if isinstance(first, np.ndarray) else letters_of(first)
    if letters is None:
        return False
    words = _begins_with_letter(letters.content[letters.start[letters.filled]])
    return bool(words.any() and words.mean() <= MOST_HEADERS)


def split_tables(body: Body, blocks: list[Block], expected: Expected, notes: Notes) -> list[Block]:
    """The blocks, the first of them cut where a header of other words stands among its rows."""
    rows = blocks[0].index
    letter = _begins_with_letter(body.first[rows])
    if not letter.any() or letter.mean() > MOST_HEADERS or _kind_of_first(body, rows[0], expected) == "word":
        return blocks
    found = [k for k in np.flatnonzero(letter)[:MOST_TABLES].tolist() if _is_new_header(body, rows, k, expected)]
    starts = [k for k in found if k + 1 not in found]  # of two lines of words the lower one is the header
    if not starts:
        return blocks
    stops = [*starts[1:], len(rows)]
    tables = [_table_at(body, rows[k:stop], expected, notes) for k, stop in zip(starts, stops, strict=True)]
    return [replace(blocks[0], index=rows[: starts[0]]), *tables, *blocks[1:]]


def _table_at(body: Body, rows: Rows, expected: Expected, notes: Notes) -> Block:
    """The table whose header is the first of these rows; a row of units below it goes into the names."""
    names = [name.strip() for name in _fields(body, rows[0], expected)]
    under = _fields(body, rows[1], expected)
    first = 1
    if not is_data_like(under):
        first = 2
        names = [f"{n} [{u.strip('[]() ')}]" if u.strip() else n for n, u in zip(names, under, strict=False)]
        notes.not_rows["units"] += 1
    notes.not_rows["header"] += 1
    line = int(body.line[rows[0]])
    text = f"a table with other columns begins in line {line}: {', '.join(n for n in names[:12] if n)}"
    notes.find("LAYOUT_CHANGED", text, where=f"line {line}", before=expected.fields, after=expected.fields)
    return Block(expected.fields, rows[first:], tuple(names))


def _begins_with_letter(first: NDArray[np.uint8]) -> NDArray[np.bool_]:
    upper = first & 0xDF
    return np.asarray(((upper >= ord("A")) & (upper <= ord("Z"))) | (first == _QUOTE))


def _kind_of_first(body: Body, i: np.int64, expected: Expected) -> str:
    return kind_of(_fields(body, i, expected)[0])


def _is_new_header(body: Body, rows: Rows, k: int, expected: Expected) -> bool:
    """Words only, at least two, and samples right below or below a line of units."""
    filled = [field for field in _fields(body, rows[k], expected) if field.strip()]
    if len(filled) < 2 or any(kind_of(field) != "word" for field in filled):
        return False
    below = rows[k + 1 : k + 3]
    return len(below) == 2 and any(is_data_like(_fields(body, row, expected)) for row in below)


def _fields(body: Body, i: np.int64, expected: Expected) -> list[str]:
    return [f.replace(chr(HIDDEN), expected.delimiter) for f in split_line(body.text(int(i)), expected.delimiter)]
