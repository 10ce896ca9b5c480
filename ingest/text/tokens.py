"""What one field of text looks like: number, stamp, blank, mark for 'no value', word; and splitting a line."""

from __future__ import annotations

import csv
import re
from functools import lru_cache
from typing import Literal

Kind = Literal["number", "stamp", "blank", "mark", "word"]

_NUMBER = re.compile(r"[+\-−–]?(?:\d[\d.,'\u00a0\u2007\u2009\u202f  ]*|[.,]\d+)(?:[eE][+\-]?\d+)?$")
_DATE = r"(?:\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{2,4}|\d{1,2}[- ][A-Za-z]{3,9}[- ,]+\d{2,4}|\d{8})"
_TIME = r"(?:\d{1,2}:\d{2}(?::\d{2})?(?:[.,:]\d+)?(?:\s*[AaPp]\.?[Mm]\.?)?)"
_ZONE = r"(?:\s*(?:Z|z|UTC|GMT|[+\-]\d{2}:?\d{2}|[+\-]\d{2}))?"
_STAMP = re.compile(rf"(?:{_DATE}|{_DATE}[T _,]+(?:{_TIME}|\d{{6}}(?:[.,]\d+)?){_ZONE}|{_TIME}{_ZONE})$")
_PLAIN_DIGITS = re.compile(r"\d+$")
_PUNCTUATION = re.compile(r"[-–—_.*?#xX/+]+$")
_MARK_WORDS = frozenset(
    [
        "nan",
        "n/a",
        "n.a.",
        "na",
        "null",
        "none",
        "nil",
        "inf",
        "+inf",
        "-inf",
        "infinity",
        "#ref!",
        "#n/a",
        "#na",
        "#value!",
        "#div/0!",
        "#num!",
        "#name?",
        "#null!",
        "err",
        "error",
        "invalid",
        "void",
        "fail",
        "failed",
        "inop",
        "unavail",
        "unavailable",
        "missing",
        "nodata",
        "<null>",
        "(null)",
        "undef",
        "overflow",
        "ovf",
        "ofl",
        "ol",
        "overrange",
    ]
)
MARK_PATTERN = (
    r"(?i)^(?:[-–—_.*?#x/+]+|nan|n/a|n\.a\.|na|null|none|nil|[+-]?inf|infinity|#(?:ref!|n/a|na|value!|div/0!|num!|name\?|null!)|"
    r"err|error|invalid|void|fail|failed|inop|unavail|unavailable|missing|nodata|<null>|\(null\)|undef|overflow|ovf|ofl|ol|overrange)$"
)


@lru_cache(maxsize=8192)  # a file's first rows are looked at several times over
def kind_of(token: str) -> Kind:
    """The kind of one field, by its looks alone."""
    text = token.strip().strip('"').strip()
    if not text:
        return "blank"
    if _STAMP.match(text) and not _PLAIN_DIGITS.match(text):
        return "stamp"
    if _NUMBER.match(text):
        return "number"
    if is_mark(text):
        return "mark"
    return "word"


def is_mark(text: str) -> bool:
    """True for a word or punctuation that stands for 'no value' ('---', 'NaN', '#REF!' ...)."""
    return bool(_PUNCTUATION.match(text)) or text.lower() in _MARK_WORDS


def split_line(line: str, delimiter: str) -> list[str]:
    """Fields of one line, outer quotes removed; a quote that does not close is an ordinary character."""
    if delimiter == " ":
        return line.split()
    if '"' in line and line.count('"') % 2 == 0:
        try:
            return next(csv.reader([line], delimiter=delimiter), [""])
        except csv.Error:  # a quoted field of more than 131072 characters
            return line.split(delimiter)
    return line.split(delimiter)


def is_data_like(fields: list[str]) -> bool:
    """True when a row of fields looks like samples: numbers and stamps, not only words."""
    if len(fields) < 2:
        return False
    kinds = [kind_of(field) for field in fields]
    solid = sum(kind in ("number", "stamp") for kind in kinds)
    words = sum(kind == "word" for kind in kinds)
    if solid == 0:
        return False
    return solid >= words or kinds[0] in ("number", "stamp")


def is_comment(line: str) -> bool:
    """True for a line that a comment mark starts."""
    return line.lstrip().startswith(("#", "%", "//"))
