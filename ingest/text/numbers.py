"""One column of text to numbers or words, judged over the whole column: decimal mark, thousands, marks for 'no value'.

Values are read as text and cast column by column; nothing is settled by the first rows.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from ...shared.units import find_unit
from .plain import COMMA, POINT, count_decimals, find_names, find_odd, holds_byte, is_clean, without_rows
from .tokens import MARK_PATTERN

Floats = NDArray[np.float64]
DecimalMark = Literal[".", ","]

_NUMBER = r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$"
_GROUPED = r"^[+-]?\d{1,3}(,\d{3})+(\.\d*)?$"  # with the decimal mark brought to '.', the group mark to ','
NARROW_BLANKS = "[\u00a0\u2007\u2009\u202f]"  # thousands marks of some languages: blanks that do not break a line
HEAD = 200
MOST_MARKS = 0.5  # share of the rows
_WITH_UNIT = r"^([+-]?(?:\d+[.,]?\d*|[.,]\d+))\s*(\S.*)$"


@dataclass
class Cells:
    """One column's samples: float64 (NaN missing) or object (str, None), with what was met on the way."""

    values: NDArray[Any]
    blanks: int = 0
    marks: Counter[str] = field(default_factory=Counter)
    words: Counter[str] = field(default_factory=Counter)
    comma: bool = False  # numbers with a decimal comma
    grouped: bool = False  # numbers with thousands marks
    minus: int = 0  # typographic minus signs
    unit: str | None = None  # unit written behind every number
    decimals: int = 0
    word_rows: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))

    @property
    def is_text(self) -> bool:
        """True for a column of words."""
        return self.values.dtype == object


def clean_text(column: pa.Array) -> pa.Array:
    """Blanks around fields and outer quotes removed, doubled quotes made single, blank fields null."""
    if is_clean(column):
        return column
    out = pc.utf8_trim_whitespace(column)
    if pc.any(pc.match_substring_regex(out, NARROW_BLANKS)).as_py():
        out = pc.replace_substring_regex(out, NARROW_BLANKS, " ")
    if pc.any(pc.match_substring(out, '"')).as_py():
        closed = pc.and_(pc.match_substring_regex(out, '^".*"$'), pc.greater(pc.utf8_length(out), 1))
        inner = pc.utf8_trim_whitespace(pc.replace_substring(pc.utf8_slice_codeunits(out, 1, -1), '""', '"'))
        out = pc.if_else(closed, inner, out)
    return pc.if_else(pc.equal(out, ""), pa.scalar(None, pa.string()), out)


def find_decimal_mark(columns: list[pa.Array], delimiter: str) -> tuple[DecimalMark, str]:
    """The file's decimal mark and the evidence, over all columns: one certain comma decides for the file."""
    certain_comma = certain_dot = doubtful = 0
    for column in columns:
        if not holds_byte(column, COMMA):
            certain_dot += _has_point(column)
            continue
        comma = pc.match_substring(column, ",")
        some = pc.unique(column.filter(comma))
        numbers = some.filter(pc.match_substring_regex(some, r"^[+\-−]?[\d.,'  ]+$"))
        if not len(numbers):
            continue
        grouped = pc.match_substring_regex(numbers, r"^[+\-−]?[1-9]\d{0,2}(,\d{3})+$")
        dot_last = pc.match_substring_regex(numbers, r",\d{3}\.\d*$")
        plain = pc.match_substring_regex(numbers, r"^[+\-−]?(\d+|\d{1,3}([.'  ]\d{3})+)?,\d*$")
        certain_dot += bool(pc.any(dot_last).as_py())
        certain_comma += bool(pc.any(pc.and_(plain, pc.invert(grouped))).as_py())
        doubtful += bool(pc.any(grouped).as_py())
    if certain_comma and not (certain_dot and delimiter == ","):
        return ",", f"{certain_comma} columns hold numbers that only a decimal comma explains"
    if certain_dot or not doubtful:
        return ".", f"{certain_dot} columns hold numbers with a decimal point"
    if delimiter == ",":
        return ".", "commas stand before groups of three digits, and the comma is the delimiter"
    return ",", "commas before three digits in a file not delimited by commas: taken as decimal commas"


def _has_point(column: pa.Array) -> bool:
    """True when some field is a number with a decimal point; mostly one of the first is."""
    pattern = r"^[+\-−]?\d+\.\d+$"
    if pc.any(pc.match_substring_regex(column.slice(0, HEAD), pattern)).as_py():
        return True
    return holds_byte(column, POINT) and bool(pc.any(pc.match_substring_regex(column, pattern)).as_py())


def read_cells(column: pa.Array, mark: DecimalMark, *, wanted_numeric: bool = False) -> Cells:
    """A column of cleaned text (see clean_text) as numbers or words.

    wanted_numeric: the header states a unit, so digits with leading zeros are numbers, not names.
    """
    blanks = column.null_count
    odd = find_odd(column) if mark == "." else None
    fast = _cast(column) if mark == "." and (odd is None or not len(odd)) else None
    if fast is not None and not _are_names(column, wanted_numeric):
        return Cells(fast, blanks, decimals=_decimals(column))
    marked = _read_marked(column, odd) if odd is not None and len(odd) else None
    if marked is not None:
        return marked
    encoded = column.dictionary_encode()
    tokens, index = encoded.dictionary, encoded.indices.to_numpy(zero_copy_only=False)
    counts = (
        np.bincount(index[~np.isnan(index)].astype(np.int64), minlength=len(tokens)) if len(tokens) else np.array([])
    )
    cells = _read_tokens(tokens, counts, mark)
    numeric = ~np.isnan(cells.values)
    number, words = int(counts[numeric].sum()), sum(cells.words.values())
    names = fast is not None or _are_names(column, wanted_numeric)
    only_marks = number == 0 and words == 0
    has_letters = any(any(c.isalpha() for c in token) and token.lower() != "nan" for token in cells.marks)
    all_words = only_marks and has_letters and not wanted_numeric
    if names or all_words or (words and words >= 0.5 * (words + number)):
        return Cells(np.array(column.to_pylist(), dtype=object), blanks)
    cells.blanks = blanks
    missing = np.isnan(index)
    place = np.where(missing, 0, index).astype(np.int64)
    by_token = cells.values
    is_word = (
        np.array([t.as_py() in cells.words for t in tokens], dtype=bool) if cells.words else np.zeros(len(tokens), bool)
    )
    cells.word_rows = np.flatnonzero(~missing & is_word[place]) if len(tokens) else cells.word_rows
    cells.values = np.where(missing, np.nan, by_token[place]) if len(tokens) else np.full(len(column), np.nan)
    return cells


def _read_marked(column: pa.Array, odd: NDArray[np.int64]) -> Cells | None:
    """Numbers with a decimal point and some marks for 'no value' in the odd rows; None for any other column."""
    if len(odd) > MOST_MARKS * len(column):
        return None
    found = column.take(pa.array(odd)).value_counts()
    tokens, counts = found.field(0), found.field(1).to_pylist()
    are_marks = pc.and_(
        pc.match_substring_regex(tokens, MARK_PATTERN), pc.invert(pc.match_substring_regex(tokens, r"^[+-]?[\d.,]"))
    )
    if not pc.all(are_marks).as_py():
        return None
    numbers = without_rows(column, odd)
    values = _cast(numbers)
    if values is None or numbers.null_count == len(numbers):
        return None
    cells = Cells(values, column.null_count, decimals=_decimals(numbers))
    for token, count in zip(tokens.to_pylist(), counts, strict=True):
        cells.marks[token] += count
    return cells


def _cast(column: pa.Array) -> Floats | None:
    try:
        values: Floats = pc.cast(column, pa.float64()).to_numpy(zero_copy_only=False)
    except pa.ArrowInvalid:
        return None
    finite = int(np.isfinite(values).sum())
    return values.astype(np.float64) if finite == len(column) - column.null_count else None


def _are_names(column: pa.Array, wanted_numeric: bool) -> bool:
    """True for numbers that are names: whole numbers of one width, some with a leading zero."""
    if wanted_numeric:
        return False
    if find_names(column) is False:
        return False  # few columns go further
    zeros = column.filter(pc.starts_with(column, "0"))
    if not len(zeros) or not pc.any(pc.match_substring_regex(zeros, r"^0\d")).as_py():
        return False
    if not pc.all(pc.match_substring_regex(column, r"^\d+$")).as_py():
        return False
    width = pc.min_max(pc.utf8_length(column)).as_py()
    return bool(width["min"] == width["max"])


def _decimals(tokens: pa.Array) -> int:
    """Most digits behind the point; of numbers with exponents, among the first and last and a thousand between."""
    exact = count_decimals(tokens)
    if exact is not None:
        return exact
    step = max(1, len(tokens) // 1000)
    some = tokens.take(pa.array(np.arange(0, len(tokens), step))) if len(tokens) else tokens
    longest = 0
    for text in some.to_pylist():
        if text and "." in text:
            longest = max(longest, len(text.partition(".")[2].partition("e")[0].partition("E")[0]))
    return longest


def _read_tokens(tokens: pa.Array, counts: NDArray[Any], mark: DecimalMark) -> Cells:
    """Values of distinct tokens (NaN where not a number), with the counts of what they are."""
    plain = pc.replace_substring_regex(tokens, r"^[−–](\s*[\d.,])", r"-\1")
    minus = int(counts[_flags(pc.not_equal(plain, tokens))].sum()) if len(tokens) else 0
    brought, grouped, comma = _bring_to_point(plain, mark)
    numeric = _flags(pc.match_substring_regex(brought, _NUMBER))
    unit = None
    if not numeric.all():
        brought, numeric = _sign_hemispheres(brought, numeric)
    if not numeric.all():
        brought, numeric, unit = _strip_units(brought, plain, numeric, mark)
    values = np.full(len(tokens), np.nan)
    if numeric.any():
        values[numeric] = pc.cast(brought.filter(pa.array(numeric)), pa.float64()).to_numpy(zero_copy_only=False)
    numeric &= np.isfinite(values)
    values[~numeric] = np.nan  # 1e999 is infinite: a word, not a number
    cells = Cells(values, minus=minus, comma=comma, grouped=grouped, unit=unit)
    cells.decimals = _decimals(brought.filter(pa.array(numeric)))
    rest = np.flatnonzero(~numeric)
    if len(rest):
        marks = _flags(pc.match_substring_regex(tokens.take(pa.array(rest)), MARK_PATTERN))
        for position, is_mark in zip(rest, marks, strict=True):
            (cells.marks if is_mark else cells.words)[tokens[int(position)].as_py()] += int(counts[position])
    return cells


def _flags(array: pa.Array) -> NDArray[np.bool_]:
    out: NDArray[np.bool_] = array.to_numpy(zero_copy_only=False).astype(np.bool_)
    return out


def _bring_to_point(tokens: pa.Array, mark: DecimalMark) -> tuple[pa.Array, bool, bool]:
    """Tokens with the decimal mark as '.' and thousands marks gone; were there thousands marks, decimal commas?"""
    if mark == ",":
        numberlike = pc.match_substring_regex(tokens, r"^[+-]?[\d.,'  ]+([eE][+-]?\d+)?$")
        swapped = pc.replace_substring(pc.replace_substring(tokens, ".", "'"), ",", ".")
        comma = bool(pc.any(pc.and_(numberlike, pc.match_substring(tokens, ","))).as_py())
        tokens = pc.if_else(numberlike, swapped, tokens)
    else:
        comma = False
    uniform = pc.replace_substring_regex(tokens, r"(\d)['’  ,](\d{3})", r"\1,\2")
    uniform = pc.replace_substring_regex(uniform, r"(\d)['’  ,](\d{3})", r"\1,\2")
    is_grouped = pc.match_substring_regex(uniform, _GROUPED)
    joined = pc.if_else(is_grouped, pc.replace_substring(uniform, ",", ""), tokens)
    return joined, bool(pc.any(is_grouped).as_py()), comma


def _sign_hemispheres(tokens: pa.Array, numeric: NDArray[np.bool_]) -> tuple[pa.Array, NDArray[np.bool_]]:
    """Coordinates with a hemisphere letter ('S38.66', '176.1 E') as signed numbers, when all of them carry one."""
    other = tokens.filter(pa.array(~numeric))
    shaped = _flags(pc.match_substring_regex(other, r"^(?:[NSEW]\s*[\d.]+°?|[\d.]+°?\s*[NSEW])$"))
    if not len(other) or shaped.mean() < 0.5 or numeric.any():
        return tokens, numeric
    size = pc.replace_substring_regex(tokens, r"[NSEW°\s]", "")
    negative = pc.match_substring_regex(tokens, r"[SW]")
    whole = pc.match_substring_regex(tokens, r"^(?:[NSEW]\s*[\d.]+°?|[\d.]+°?\s*[NSEW])$")
    signed = pc.if_else(negative, pc.binary_join_element_wise("-", size, ""), size)
    out = pc.if_else(whole, signed, tokens)
    return out, _flags(pc.match_substring_regex(out, _NUMBER))


def _strip_units(
    brought: pa.Array, plain: pa.Array, numeric: NDArray[np.bool_], mark: DecimalMark
) -> tuple[pa.Array, NDArray[np.bool_], str | None]:
    """Numbers that all carry the same known unit ('95 kt') without it; unchanged when they do not."""
    first = plain.filter(pa.array(~numeric))[0].as_py()
    found = pc.extract_regex(pa.array([first]), r"^(?P<number>[+-]?[\d.,]+)\s*(?P<unit>\S.*)$")[0].as_py()
    if not found or find_unit(found["unit"]) is None:
        return brought, numeric, None
    unit = found["unit"]
    bare = pc.utf8_rtrim_whitespace(pc.replace_substring_regex(plain, f"{_escape(unit)}$", ""))
    stripped, _, _ = _bring_to_point(bare, mark)
    now = _flags(pc.match_substring_regex(stripped, _NUMBER))
    carried = _flags(pc.ends_with(plain, unit))
    if (now & carried).sum() < 0.5 * len(plain):
        return brought, numeric, None
    return stripped, now, unit


def _escape(text: str) -> str:
    return "".join(c if c.isalnum() else rf"\x{{{ord(c):x}}}" for c in text)
