"""Is this file delimited text with a table? Judged from its first 4 KiB, always with the reason."""

from __future__ import annotations

import re

from ..fixedwidth.columns import find_columns
from ..raw import HEAD_BYTES, Claim, LogFile
from .encoding import decode_head, looks_binary
from .layout import DELIMITERS, Layout, find_layout
from .tokens import kind_of, split_line

_IGC = re.compile(r"^A[A-Z0-9]{3}")
_IGC_FIX = re.compile(r"^B\d{6}\d{7}[NS]", re.M)
_WHOLE = re.compile(r"\$[A-Z]{2}[A-Z]{3},[^$\n]*\*[0-9A-Fa-f]{2}\s*$", re.M)  # behind another program's stamp or tag
_SENTENCE = re.compile(r"^[$!][A-Z]{4,6},", re.M)


def judge(file: LogFile) -> Claim:
    """Whether the first bytes show a consistent table of samples."""
    head = file.head
    whole = file.size <= len(head)
    if not head.strip(b" \t\r\n\0\xef\xbb\xbf\xfe\xff"):
        return Claim(False, "the file is empty" if whole else "the file begins with blanks")
    if looks_binary(head):
        return Claim(False, "the file is binary")
    text = decode_head(head)
    other = _other_format(text)
    if other:
        return Claim(False, other)
    layout = find_layout(text, whole=whole)
    if layout is None:
        return _wide_header(text, whole)
    if layout.delimiter == " " and find_columns(text.split("\n")[: None if whole else -1]) is not None:
        return Claim(False, "the rows differ in words and agree in places: fixed-width text")
    if layout.first_row is None:
        if whole or layout.fields >= 5:
            return Claim(True, f"a header of {layout.fields} names and no rows in the first {HEAD_BYTES} bytes")
        return Claim(False, "words between delimiters and no rows")
    return _judge_rows(layout)


def _other_format(text: str) -> str | None:
    start = text.lstrip()
    if start.startswith("<"):
        return "the file is marked up (XML or HTML)"
    if start.startswith(("{", "[{")):
        return "the file is JSON"
    lines = [line for line in text.split("\n") if line.strip()]
    if len(_SENTENCE.findall(text)) >= max(1, len(lines) // 3) or 2 * len(_WHOLE.findall(text)) > len(lines):
        return "the lines are '$' sentences"
    if _IGC.match(start) and (_IGC_FIX.search(text) or re.search(r"^H[FOP]", text, re.M)):
        return "the file has records that begin with a letter (IGC)"
    if _IGC_FIX.search(text):
        return "the file has fix records that begin with B (IGC)"
    return None


def _judge_rows(layout: Layout) -> Claim:
    rows = [row for row in layout.rows if len(row) >= 2]
    first = [kind_of(row[0]) for row in rows]
    if layout.fields == 2:
        solid = sum(kind in ("number", "stamp") for kind in first)
        filled = len(rows) - first.count("blank")  # a recorder without a fix leaves its stamps blank
        if solid < 0.8 * filled or solid < 2:
            return Claim(False, "two columns of names and values, no rows of samples")
    if len(rows) < 2 and not layout.names:
        return Claim(False, "a single line of numbers")
    kinds = [kind_of(token) for row in rows[:50] for token in row]
    solid = sum(kind in ("number", "stamp") for kind in kinds)
    if solid < 0.2 * len(kinds):
        return Claim(False, "a table of words, not of samples")
    mark = {"\t": "tab", " ": "blanks"}.get(layout.delimiter, repr(layout.delimiter))
    return Claim(
        True, f"a table of {layout.fields} columns delimited by {mark}, first row in line {(layout.first_row or 0) + 1}"
    )


def _wide_header(text: str, whole: bool) -> Claim:
    """A header longer than the first 4 KiB: many short words with one delimiter on the last line seen."""
    last = text.rsplit("\n", 1)[-1]
    for delimiter in DELIMITERS:
        fields = split_line(last, delimiter)[:-1]
        if not whole and len(fields) >= 20 and all(len(f) < 60 for f in fields):
            return Claim(True, f"one line of at least {len(fields)} short fields")
    return Claim(False, "no consistent table of rows and columns")
