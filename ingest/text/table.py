"""The rows of a file as columns: a fast typed parse for clean files, an exact line-by-line account for the others.

The fast parse fails on the first line that is not as expected, so its success proves the lines
clean; every other file goes through `lines`, which accounts for each line before the same parse.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from ...shared.cores import each
from .dots import may_group
from .layout import Layout
from .lines import HIDDEN, Block, Body, Expected, gather, index_body, sort_lines
from .mapped import LARGE_BYTES, Text, holds_any, whole_text, with_feeds
from .newheaders import Section, may_hold_headers, split_tables
from .notes import Notes
from .numbers import clean_text
from .ondisk import keep_text
from .parse import NotNumbersError, cast_texts, parse_streamed, parse_texts, parse_whole, stream_texts
from .plain import is_clean
from .tokens import split_line

_FLOAT = re.compile(r"[+-]?(?:[1-9]\d*|0)?(?:\.\d*)?$")
_FLOAT_COMMA = re.compile(r"[+-]?(?:[1-9]\d*|0)?(?:,\d*)?$")
HEAD_LIMIT = 1 << 24
MOST_RETRIES = 6
HEAD_ROWS, SPOTS, SPOT_ROWS = 20, 8, 5


@dataclass
class Table:
    """Columns by position, the physical line of each row, and the lines of text among the rows.

    A column is float64 where it was parsed as numbers, else cleaned arrow text. decimals: digits
    behind the mark in the sampled rows (number columns only); nulls: blank fields per column;
    comma: number columns were read with a decimal comma; texts: (line, text).
    """

    columns: list[NDArray[np.float64] | pa.Array]
    line: NDArray[np.int64]
    decimals: list[int]
    nulls: list[int]
    comma: bool = False
    texts: list[tuple[int, str]] = field(default_factory=list)
    more_names: list[str] = field(default_factory=list)  # of columns a later header of the file added
    sections: list[Section] = field(default_factory=list)  # tables one below the other, each under its own header

    @property
    def fields(self) -> int:
        """Number of columns."""
        return len(self.columns)

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(self.columns[0])


def head_lines(data: Text, most: int = 450) -> list[str]:
    """The first lines as text."""
    stop = 0
    for _ in range(most):
        feed = data.find(b"\n", stop)
        if feed < 0 or feed > HEAD_LIMIT:
            break
        stop = feed + 1
    return data[:stop].decode("utf-8", errors="replace").replace("\r\n", "\n").split("\n")[:-1]


def expect(layout: Layout, lines: list[str]) -> Expected:
    """What rows of this layout should be, trailing delimiter settled; `lines`: the first lines of the file."""
    header = lines[layout.header_line].strip() if layout.header_line is not None else None
    units = lines[layout.units_line].strip() if layout.units_line is not None else None
    fields, trailing = layout.fields, False
    names = list(layout.names)
    last_empty = all(not row[-1].strip() for row in layout.rows if len(row) == fields)
    short = len(names) == fields - 1 or (len(names) == fields and not names[-1])
    if names and last_empty and fields > 2 and short:
        fields, trailing = fields - 1, True
    return Expected(fields, layout.delimiter, header, units, trailing, layout.names[:fields])


def read_table(data: Text, lines: list[str], layout: Layout, notes: Notes) -> tuple[Table, Expected]:
    """All rows of the file (`lines`: its first lines). `layout.first_row` must not be None."""
    first = layout.first_row or 0
    if layout.delimiter == " ":
        data = whole_text(data)
        data = re.sub(rb"[ \t]+", b"\t", data)  # first: long runs of blanks make the next pattern slow
        data = re.sub(rb"(?m)^\t|\t$", b"", data)
    expected = expect(layout, lines)
    if layout.delimiter == " ":
        tabbed = [t and "\t".join(t.split()) for t in (expected.header, expected.units)]
        expected = replace(expected, delimiter="\t", header=tabbed[0], units=tabbed[1])
    offset = _offset_of(data, first)
    table = _read_fast(data, offset, first, expected, notes)
    if table is None:
        data = with_feeds(data)
        table = _read_exact(data, _offset_of(data, first), first, expected, notes)
    return table, expected


def _offset_of(data: Text, line: int) -> int:
    at = 0
    for _ in range(line):
        at = data.find(b"\n", at) + 1
    return at


def sample_rows(data: Text, offset: int, delimiter: str) -> list[list[str]]:
    """Rows from the head and from places all over the body, split."""
    stop = offset
    for _ in range(HEAD_ROWS):
        stop = data.find(b"\n", stop) + 1 or len(data)
    head = data[offset:stop].split(b"\n")
    pieces = [head]
    size = sum(map(len, head)) // max(1, len(head)) + 1
    span = (SPOT_ROWS + 2) * size
    for k in range(1, SPOTS + 1):
        spot = max(offset, offset + (len(data) - offset) * k // SPOTS - span)
        pieces.append(data[spot : spot + span].split(b"\n")[1:-1])
    lines = [line.rstrip(b"\r").decode("utf-8", errors="replace") for piece in pieces for line in piece if line]
    return [split_line(line, delimiter) for line in lines]


def _read_fast(data: Text, offset: int, first: int, expected: Expected, notes: Notes) -> Table | None:
    again = [t.encode() for t in (expected.header, expected.units) if t]
    marks = (b'"', b"\0", b"#", b"%", *again)
    if holds_any(data, marks, offset):
        return None
    fields = expected.fields + expected.trailing
    rows = [row for row in sample_rows(data, offset, expected.delimiter) if len(row) == fields]
    table = _read_typed(pa.py_buffer(data).slice(offset), rows, expected.delimiter)
    if table is None or all(table.nulls):
        return None  # a blank line reads as a row of blanks
    if any(_is_damaged(column) for column in table.columns) or may_hold_headers(table.columns[0]):
        return None
    if expected.trailing:
        if table.nulls[-1] != table.rows:
            return None
        notes.find(
            "TRAILING_DELIMITER",
            f"{table.rows} rows end with an extra delimiter; the empty field was left out",
            count=table.rows,
        )
        del table.columns[-1], table.decimals[-1], table.nulls[-1]
    table.line = np.arange(first + 1, first + 1 + table.rows, dtype=np.int64)
    return table


def _read_typed(body: pa.Buffer, rows: list[list[str]], delimiter: str) -> Table | None:
    """The body with number columns parsed as numbers (judged by sampled rows); None when a line does not fit.

    A column with anything else than numbers anywhere in the file is read as text instead.
    """
    judged = _judge(rows, delimiter)
    if judged is None:
        return None
    mark, numeric, decimals = judged.mark, list(judged.numeric), list(judged.decimals)
    for _ in range(MOST_RETRIES):
        try:
            columns, nulls = (parse_streamed if body.size >= LARGE_BYTES else parse_whole)(
                body, delimiter, numeric, mark
            )
        except NotNumbersError as error:  # text, 'nan' or 'inf' written out: counted afterwards
            numeric[error.column], decimals[error.column] = False, 0
        except pa.ArrowInvalid:
            return None
        else:
            return Table(columns, np.empty(0, np.int64), decimals, nulls, judged.comma)
    return None


@dataclass(frozen=True, slots=True)
class _Judged:
    """What sampled rows say of the columns: numbers or not, digits behind the mark, whether that is a comma."""

    numeric: list[bool]
    decimals: list[int]
    comma: bool

    @property
    def mark(self) -> str:
        """The decimal mark."""
        return "," if self.comma else "."


def _judge(rows: list[list[str]], delimiter: str) -> _Judged | None:
    """The columns by sampled rows of one length; None where they do not settle the decimal mark."""
    tokens = list(zip(*rows, strict=True)) if rows else []
    comma = _sample_mark(tokens, delimiter)
    if comma is None or not tokens or (not comma and may_group(tokens)):
        return None
    mark, shape = (",", _FLOAT_COMMA) if comma else (".", _FLOAT)
    numeric = [all(map(shape.match, column)) for column in tokens]
    decimals = [
        max(len(t.partition(mark)[2]) for t in column) if is_number else 0
        for column, is_number in zip(tokens, numeric, strict=True)
    ]
    return _Judged(numeric, decimals, comma)


def _is_damaged(column: NDArray[np.float64] | pa.Array) -> bool:
    """True for text with control bytes."""
    if isinstance(column, np.ndarray) or is_clean(column):
        return False
    return bool(pc.any(pc.match_substring_regex(column, r"[\x00-\x08\x0b-\x1f\x7f]")).as_py())


def _sample_mark(tokens: list[tuple[str, ...]], delimiter: str) -> bool | None:
    """True: decimal comma; False: decimal point; None: not settled by the sample."""
    if delimiter == ",":
        return False
    certain = doubtful = False
    for column in tokens:
        for token in column:
            if "," in token and _FLOAT_COMMA.match(token):
                head, _, tail = token.lstrip("+-").partition(",")
                plain = len(tail) != 3 or not 0 < len(head) <= 3 or head == "0"
                certain, doubtful = certain or plain, doubtful or not plain
    return True if certain else (None if doubtful else False)


def _read_exact(data: Text, offset: int, first: int, expected: Expected, notes: Notes) -> Table:
    body = index_body(data, offset, first + 1, expected.delimiter)
    sorted_blocks = sort_lines(body, expected, notes)
    blocks = [block for block in split_tables(body, sorted_blocks, expected, notes) if len(block.index)]
    texts = [gather(body, block.index, data) for block in blocks]
    if len(blocks) == 1 and not body.quoted:
        return _read_single(body, blocks[0], texts[0], expected, notes)
    columns = [
        [keep_text(clean_text(c), known=c) for c in _text_columns(body, block, text, expected.delimiter)]
        for block, text in zip(blocks, texts, strict=True)
    ]
    return _read_text(body, blocks, columns, expected, notes)


def _read_single(body: Body, block: Block, text: Text, expected: Expected, notes: Notes) -> Table:
    """Rows of one layout: columns judged by sampled rows to be numbers as numbers, or all as text."""
    rows = sample_rows(text, 0, expected.delimiter)
    judged = _judge(rows, expected.delimiter)
    if judged is not None and judged.comma:
        table = _read_typed(pa.py_buffer(text), rows, expected.delimiter)
        columns = _text_columns(body, block, text, expected.delimiter) if table is None else []
    else:
        columns = _text_columns(body, block, text, expected.delimiter)
        table = _cast(columns, judged) if judged is not None else None
    if table is None:
        cleaned = each(lambda c: keep_text(clean_text(c), known=c), columns, rows=len(block.index))
        return _read_text(body, [block], [cleaned], expected, notes)
    table.line, table.texts = body.line[block.index], body.texts
    return table


def _cast(columns: list[pa.Array], judged: _Judged) -> Table | None:
    """As `_read_typed`, from fields parsed as text: no second look at the bytes for a column that is no numbers."""
    numeric = list(judged.numeric)
    cast = cast_texts(columns, numeric, most_others=MOST_RETRIES - 1)
    if cast is None:
        return None
    found, nulls = cast
    decimals = [count if is_ else 0 for count, is_ in zip(judged.decimals, numeric, strict=True)]
    return Table(found, np.empty(0, np.int64), decimals, nulls)


def _read_text(body: Body, blocks: list[Block], texts: list[list[pa.Array]], expected: Expected, notes: Notes) -> Table:
    """All columns as text; rows of another layout are put under their names, missing fields filled."""
    names = list(expected.names) + [""] * (expected.fields - len(expected.names))
    places = [_places(block, names) for block in blocks]
    width = len(names)
    parts: list[list[pa.Array]] = [[] for _ in range(width)]
    for block, place, fields in zip(blocks, places, texts, strict=True):
        found = dict(zip(place, fields, strict=True))
        for i in range(width):
            parts[i].append(found.get(i, pa.nulls(len(block.index), pa.string())))
    line = np.concatenate([body.line[block.index] for block in blocks]) if blocks else np.empty(0, np.int64)
    order = np.argsort(line, kind="stable") if len(blocks) > 1 else None
    columns: list[NDArray[np.float64] | pa.Array] = []
    for pieces in parts:
        if order is None:
            columns.append(pieces[0] if pieces else pa.array([], pa.string()))
        else:
            columns.append(keep_text(pa.concat_arrays(pieces).take(pa.array(order))))
    if order is not None:
        line = line[order]
        notes.rows_repaired += sum(len(block.index) for block in blocks if block.fields != expected.fields)
    nulls = [0 if isinstance(column, np.ndarray) else column.null_count for column in columns]
    sections = [(body.line[b.index], place) for b, place in zip(blocks, places, strict=True)]
    return Table(
        columns,
        line.astype(np.int64),
        [0] * width,
        nulls,
        texts=body.texts,
        more_names=names[expected.fields :],
        sections=sections if any(block.names for block in blocks) else [],
    )


def _places(block: Block, names: list[str]) -> tuple[int, ...]:
    """Column of each field of a block: by name where the block has its own header, else by position.

    New names (and unnamed extra fields) are appended to `names`.
    """
    place = []
    for i in range(block.fields):
        name = block.names[i].strip() if block.names else ""
        if name and name in names:
            place.append(names.index(name))
        elif not name and i < len(names):
            place.append(i)
        else:
            names.append(name)
            place.append(len(names) - 1)
    return tuple(place)


def _text_columns(body: Body, block: Block, text: Text, delimiter: str) -> list[pa.Array]:
    """The fields of a block of rows as they stand in its text."""
    longest = int((body.stop[block.index] - body.start[block.index]).max()) + 2
    read = parse_texts if isinstance(text, bytes) else stream_texts
    columns = read(pa.py_buffer(text), delimiter, block.fields, longest)
    if len(columns[0]) != len(block.index):
        raise AssertionError("the rows were counted field by field before they were parsed")
    if body.quoted:
        return [keep_text(pc.replace_substring(column, chr(HIDDEN), delimiter)) for column in columns]
    return columns
