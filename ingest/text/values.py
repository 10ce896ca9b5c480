"""The table's columns as values: every column cast over the whole file, and what was met while casting said."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from ...shared.cores import each
from ...shared.settings import InstrumentProfile
from ...shared.spill import note_use, spill
from ..raw import RawColumn
from .dots import weigh_dots
from .headers import Heading
from .notes import Notes, lines_text
from .numbers import Cells, DecimalMark, find_decimal_mark, read_cells
from .sentinels import find_step, remove_sentinels
from .stamps import stamp_kind
from .table import Table
from .timecolumns import TIME_WORDS, Column, words_of


@dataclass
class Values:
    """Per column: `columns` what the time search looks at (numbers, or text with stamps and words), `cells` the cast.

    A column of stamps has no cells (None): it is either the time or kept as text.
    """

    columns: list[Column] = field(default_factory=list)
    cells: list[Cells | None] = field(default_factory=list)

    @property
    def decimals(self) -> list[int]:
        """Digits behind the decimal mark of each column."""
        return [cell.decimals if cell is not None else 0 for cell in self.cells]


def read_values(
    table: Table, headings: Sequence[Heading], delimiter: str, notes: Notes, profile: InstrumentProfile | None = None
) -> Values:
    """Every column as numbers or text."""
    stamped = [not isinstance(c, np.ndarray) and _holds_stamps(c) for c in table.columns]
    texts = [c for c, s in zip(table.columns, stamped, strict=True) if not s and not isinstance(c, np.ndarray)]
    if table.comma:
        mark, because = ",", "numbers that only a decimal comma explains"
    elif texts:
        mark, because = find_decimal_mark(texts, delimiter)
        if mark == ".":
            mark, because = _with_dots(table, stamped, headings, delimiter, notes, profile) or (mark, because)
    else:
        mark, because = ".", "numbers with a decimal point or none"
    notes.decide("decimal", mark, because)

    def read(i: int) -> Cells | None:
        column = table.columns[i]
        if stamped[i]:
            return None
        if isinstance(column, np.ndarray):
            comma = table.comma and table.decimals[i] > 0
            return Cells(column, table.nulls[i], comma=comma, decimals=table.decimals[i])
        cell = read_cells(column, "," if mark == "," else ".", wanted_numeric=_is_measured(headings[i]))
        cell.values = spill(cell.values)
        note_use(column.nbytes)
        return cell

    cells = each(read, range(table.fields), rows=table.rows if texts else 0)
    shown = (c if cell is None or cell.is_text else cell.values for c, cell in zip(table.columns, cells, strict=True))
    return Values(list(shown), cells)


def _with_dots(
    table: Table,
    stamped: Sequence[bool],
    headings: Sequence[Heading],
    delimiter: str,
    notes: Notes,
    profile: InstrumentProfile | None,
) -> tuple[DecimalMark, str] | None:
    """The mark where the dots are thousands marks; a question where they may be, and the file does not tell."""
    dots = weigh_dots(
        [
            None if was_stamp or isinstance(column, np.ndarray) else column
            for column, was_stamp in zip(table.columns, stamped, strict=True)
        ]
    )
    if dots.meaning == "thousands":
        return ",", f"dots stand for thousands: {dots.because}"
    # where commas part the fields, dots are points: who writes decimal commas parts fields by something else
    if dots.meaning != "open" or delimiter == ",":
        return None
    stated = profile.decimal_mark if profile is not None else None
    if stated is not None:
        return ("," if stated == "comma" else "."), "stated by the user"
    names = [headings[place].header for place in dots.columns]
    notes.find(
        "DECIMAL_MARK_UNCLEAR",
        f"dots in {', '.join(names[:8])} may be decimal points or thousands marks: {dots.because}; read as decimal points",
        level="doubt",
        count=len(names),
        headers=names,
        question=f"are the dots in {', '.join(names[:8])} decimal points or thousands marks?",
    )
    return None


def _is_measured(heading: Heading) -> bool:
    return heading.unit is not None or bool(set(words_of(heading.written)) & TIME_WORDS)


def _holds_stamps(column: pa.Array) -> bool:
    """True when most of up to 40 fields spread over the column are stamps."""
    step = max(1, len(column) // 40)
    some = [t for t in column.take(pa.array(np.arange(0, len(column), step))).to_pylist() if t]
    kinds = [stamp_kind(t) for t in some if not t.isdigit() or len(t) == 8]
    return bool(some) and sum(k is not None for k in kinds) > 0.6 * len(some)


def raw_columns(
    values: Values,
    headings: Sequence[Heading],
    *,
    without: Sequence[int],
    keep: NDArray[np.bool_],
    profile: InstrumentProfile | None,
) -> tuple[tuple[RawColumn, ...], Counter[str]]:
    """The columns other than the time's, kept rows only, and the sentinel numbers made missing in them."""
    sentinels: Counter[str] = Counter()
    units = dict(profile.units) if profile else {}
    whole = bool(keep.all())
    out = []
    for i, (column, cell) in enumerate(zip(values.columns, values.cells, strict=True)):
        if i in without:
            continue
        heading, step = headings[i], None
        samples: NDArray[np.object_] | NDArray[np.float64]
        if cell is None or cell.is_text:
            samples = cell.values if cell is not None else _as_words(column)
        else:
            note_use(cell.values.nbytes)
            samples, found = remove_sentinels(cell.values)
            sentinels += found
            step = find_step(samples, cell.decimals)
        if not whole:
            samples = samples[keep]
        unit = units.get(heading.header) or units.get(heading.written) or heading.unit or (cell.unit if cell else None)
        out.append(RawColumn(heading.header, samples, unit, None, step, i))
    return tuple(out), sentinels


_SHOWN = 60  # characters of a token in a finding


def _as_words(column: Column) -> NDArray[np.object_]:
    words: list[str | None] = column.tolist() if isinstance(column, np.ndarray) else column.to_pylist()
    out: NDArray[np.object_] = np.empty(len(words), dtype=np.object_)
    out[:] = words
    return out


def report_values(
    values: Values, sentinels: Counter[str], *, headings: Sequence[Heading], line: NDArray[np.int64], notes: Notes
) -> None:
    """Findings about how numbers are written and what stood for 'no value'."""
    used = [(i, c) for i, c in enumerate(values.cells) if c is not None]
    for code, names, text in (
        ("DECIMAL_COMMA", [headings[i].header for i, c in used if c.comma], "numbers have a decimal comma"),
        ("THOUSANDS_SEPARATOR", [headings[i].header for i, c in used if c.grouped], "numbers have thousands marks"),
    ):
        if names:
            notes.find(code, f"{text} in {len(names)} column(s): {', '.join(names[:8])}", count=len(names))
    minus = sum(c.minus for _, c in used)
    if minus:
        notes.find("TYPOGRAPHIC_MINUS", f"{minus} numbers have a typographic minus", count=minus)
    marks: Counter[str] = Counter()
    for token, count in sum((c.marks for _, c in used if not c.is_text), Counter(sentinels)).items():
        marks[token[:_SHOWN]] += count
    notes.decide("sentinels", dict(marks), "words, and numbers far off all others, that stand for no value")
    if marks:
        tokens = ", ".join(f"{token!r} x {n}" for token, n in marks.most_common(10))
        notes.find(
            "SENTINEL_VALUES",
            f"{sum(marks.values())} fields stand for 'no value' and became missing: {tokens}",
            count=sum(marks.values()),
            blanks=sum(c.blanks for _, c in used),
            tokens=dict(marks),
        )
    for i, cell in used:
        if cell.words and not cell.is_text:
            _report_words(cell, headings[i].header, line, notes)


def _report_words(cell: Cells, header: str, line: NDArray[np.int64], notes: Notes) -> None:
    words = sum(cell.words.values())
    shown = ", ".join(repr(w[:_SHOWN]) for w, _ in cell.words.most_common(5))
    notes.find(
        "TEXT_IN_NUMERIC",
        f"{words} fields of {header!r} hold text ({shown}) and became missing",
        level="doubt",
        where=lines_text(line[cell.word_rows]),
        count=words,
        column=header,
    )
