"""The typed parse of clean rows: number columns as numbers, the others as text, whole or as a stream of blocks."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from typing import Any, TypeAlias

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
from numpy.typing import NDArray

from ...shared.spill import SpillWriter, note_use, spill
from .numbers import clean_text
from .ondisk import TextWriter, keep_text
from .plain import find_odd, holds_byte

BLOCK_BYTES = 1 << 20
SHORT_BLOCK_BYTES = 1 << 19  # of a file parsed whole: both cores have work from the start

Columns: TypeAlias = list[NDArray[np.float64] | pa.Array]


class NotNumbersError(Exception):
    """A column taken for numbers holds something else: `column`, its place."""

    def __init__(self, column: int) -> None:
        super().__init__(column)
        self.column = column


def parse_whole(body: pa.Buffer, delimiter: str, numeric: list[bool], mark: str) -> tuple[Columns, list[int]]:
    """Columns of all rows and the blank fields of each.

    Raises NotNumbersError, or pa.ArrowInvalid for a row with another number of fields.
    """
    try:
        table = pacsv.read_csv(pa.BufferReader(body), **_options(delimiter, numeric, mark, SHORT_BLOCK_BYTES))
    except pa.ArrowInvalid as error:
        raise _told(error) from None
    nulls = [column.null_count for column in table.columns]
    chunks = table.columns
    del table  # columns are taken over one by one, so that the file is not held twice
    chunks.reverse()
    columns: Columns = []
    for i, is_number in enumerate(numeric):
        column = chunks.pop()
        columns.append(column.to_numpy() if is_number else clean_text(column.combine_chunks()))
        _check_finite(i, columns, numeric, nulls)
    return columns, nulls


def parse_texts(body: pa.Buffer, delimiter: str, fields: int, longest: int) -> list[pa.Array]:
    """All fields as they stand, of rows no longer than `longest` bytes. Raises pa.ArrowInvalid."""
    block = max(SHORT_BLOCK_BYTES, 2 * longest)
    table = pacsv.read_csv(pa.BufferReader(body), **_options(delimiter, [False] * fields, ".", block))
    return [column.combine_chunks() for column in table.columns]


def cast_texts(texts: Sequence[pa.Array], numeric: list[bool], *, most_others: int) -> tuple[Columns, list[int]] | None:
    """What `parse_whole` makes of fields read as text, with a decimal point: columns of anything else than numbers are text.

    numeric: columns taken for numbers; those that are none are struck out of it. None when there are more than
    `most_others` of them.
    """
    columns: Columns = []
    for i, text in enumerate(texts):
        found = _cast(text) if numeric[i] else None
        most_others -= numeric[i] and found is None
        if most_others < 0:
            return None
        numeric[i] = found is not None
        columns.append(keep_text(clean_text(text), known=text) if found is None else spill(found))
    return columns, [text.null_count for text in texts]


def _cast(text: pa.Array) -> NDArray[np.float64] | None:
    blanks = holds_byte(text, ord(" ")) or holds_byte(text, ord("\t"))
    odd = find_odd(text)
    if odd is not None and len(odd) and not blanks:
        return None
    try:
        found = pc.cast(pc.utf8_trim(text, " \t") if blanks else text, pa.float64())
    except pa.ArrowInvalid:
        return None
    values: NDArray[np.float64] = found.to_numpy(zero_copy_only=False)
    return values if _all_finite(values, text.null_count) else None


def parse_streamed(body: pa.Buffer, delimiter: str, numeric: list[bool], mark: str) -> tuple[Columns, list[int]]:
    """As `parse_whole`, the number columns on disk and no more than a few blocks of the text in memory."""
    with ExitStack() as stack:
        parts: list[SpillWriter | TextWriter] = [SpillWriter() if is_number else TextWriter() for is_number in numeric]
        for part in parts:
            stack.callback(part.close)
        nulls = _write_parts(pa.BufferReader(body), parts, _options(delimiter, numeric, mark))
        columns: Columns = []
        for i, part in enumerate(parts):
            columns.append(part.finish())
            note_use(columns[-1].nbytes)
            _check_finite(i, columns, numeric, nulls)
    pa.default_memory_pool().release_unused()
    return columns, nulls


def stream_texts(body: pa.Buffer, delimiter: str, fields: int, longest: int) -> list[pa.Array]:
    """As `parse_texts`, the fields on disk and no more than a few blocks of the text in memory."""
    with ExitStack() as stack:
        parts = [TextWriter() for _ in range(fields)]
        for part in parts:
            stack.callback(part.close)
        block = max(BLOCK_BYTES, 2 * longest)
        with pacsv.open_csv(pa.BufferReader(body), **_options(delimiter, [False] * fields, ".", block)) as reader:
            for batch in reader:
                note_use(block)
                for column, part in zip(batch.columns, parts, strict=True):
                    part.append(column)
        return [part.finish() for part in parts]


def _write_parts(
    body: pa.BufferReader, parts: Sequence[SpillWriter | TextWriter], options: Mapping[str, Any]
) -> list[int]:
    """Every block of the text written to the parts, one a column; the blank fields of each column."""
    nulls = [0] * len(parts)
    try:
        with pacsv.open_csv(body, **options) as reader:
            for batch in reader:
                note_use(BLOCK_BYTES)
                for i, (column, part) in enumerate(zip(batch.columns, parts, strict=True)):
                    nulls[i] += column.null_count
                    part.append(
                        column.to_numpy(zero_copy_only=False) if isinstance(part, SpillWriter) else clean_text(column)
                    )
    except pa.ArrowInvalid as error:
        raise _told(error) from None
    return nulls


def _options(delimiter: str, numeric: list[bool], mark: str, block: int = BLOCK_BYTES) -> dict[str, Any]:
    names = [f"f{i}" for i in range(len(numeric))]
    types = {name: pa.float64() if is_number else pa.string() for name, is_number in zip(names, numeric, strict=True)}
    return {
        "read_options": pacsv.ReadOptions(column_names=names, block_size=block),
        "parse_options": pacsv.ParseOptions(
            delimiter=delimiter, quote_char=False, escape_char=False, ignore_empty_lines=False
        ),
        "convert_options": pacsv.ConvertOptions(
            column_types=types, null_values=[""], strings_can_be_null=True, decimal_point=mark
        ),
    }


def _told(error: pa.ArrowInvalid) -> Exception:
    found = re.search(r"In CSV column #(\d+)", str(error))
    return NotNumbersError(int(found[1])) if found else error


def _check_finite(i: int, columns: Columns, numeric: list[bool], nulls: list[int]) -> None:
    if numeric[i] and not _all_finite(columns[i], nulls[i]):
        raise NotNumbersError(i)


def _all_finite(values: NDArray[np.float64], nulls: int) -> bool:
    if nulls:
        return bool(np.isfinite(values).sum() == len(values) - nulls)
    return not len(values) or bool(np.isfinite(values.min()) and np.isfinite(values.max()))
