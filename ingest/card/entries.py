"""A test card's text as entries: TOML, or lines of a key and a value."""

from __future__ import annotations

import csv
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

_DELIMITERS = ("\t", ";", ",", "=", ":")
_MOST_DOTS = 1000
_KEY = re.compile(r"[^\W\d][^\n]{0,59}")
_HEADERS = frozenset({"item", "key", "name", "field", "entry", "parameter"})
_VALUES = frozenset({"value", "values", "entry", "content"})


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry: its line from 1, its key as written ('loading.fuel_lb' inside a table), its value.

    value: whatever TOML holds, or text. decimal_comma: the card's commas are decimal marks.
    """

    line: int
    key: str
    value: Any
    decimal_comma: bool = False


def decode(content: bytes) -> str | None:
    """A card's text; None when it is not text at all."""
    for encoding in ("utf-8-sig", "cp1252"):
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            continue
        return None if any(ord(c) < 32 and c not in "\t\r\n" for c in text) else re.sub(r"\r\n?", "\n", text)
    return None


def read_toml(text: str) -> list[Entry] | None:
    """Entries of a TOML card, tables within named with a dot; None when it is no TOML."""
    if any(line.count(".") > _MOST_DOTS for line in text.split("\n")):
        return None  # a key of thousands of parts, which takes minutes
    try:
        entries = _flat(tomllib.loads(text), "")
    except (ValueError, RecursionError):  # no TOML, an integer of 5000 digits, or tables nested a thousand deep
        return None
    lines = text.split("\n")
    return [Entry(_line_of(key, lines), key, value) for key, value in entries]


def _flat(tree: Mapping[str, Any], prefix: str) -> list[tuple[str, Any]]:
    out: list[tuple[str, Any]] = []
    for key, value in tree.items():
        if isinstance(value, dict):
            out += _flat(value, f"{prefix}{key}.")
        else:
            out.append((prefix + key, value))
    return out


def _line_of(key: str, lines: Sequence[str]) -> int:
    last = re.escape(key.rpartition(".")[2])
    pattern = re.compile(rf"\s*(?:\[\[\s*)?[\"']?{last}[\"']?\s*(?:=|\]\])")
    return next((number for number, line in enumerate(lines, start=1) if pattern.match(line)), 1)


def read_lines(text: str) -> list[Entry] | None:
    """Entries of a card of 'key,value' lines in any delimiter; None when it is no such list.

    Comment lines (#) and blank ones are left out, and so is a first line of column titles. A third
    field that stands for the unit joins the value.
    """
    lines = [(n, line) for n, line in enumerate(text.split("\n"), start=1) if is_entry(line)]
    delimiter = _delimiter([line for _, line in lines])
    if delimiter is None:
        return None
    out = []
    for number, line in lines:
        key, value = _split(line, delimiter)
        if not _KEY.fullmatch(key):
            return None
        out.append(Entry(number, key, value, decimal_comma=delimiter == ";"))
    return out[1:] if out and _is_title(out[0]) else out


def is_entry(line: str) -> bool:
    """True for a line that is neither blank nor a comment."""
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _delimiter(lines: Sequence[str]) -> str | None:
    """The first delimiter that every line holds."""
    return next((d for d in _DELIMITERS if lines and all(d in line for line in lines)), None)


def _split(line: str, delimiter: str) -> tuple[str, str]:
    if delimiter in "=:":
        key, _, value = line.partition(delimiter)
        return key.strip().strip('"'), value.strip().strip('"')
    trimmed = line.rstrip(f"{delimiter} ")
    try:
        fields = [f.strip() for f in next(csv.reader([trimmed], delimiter=delimiter), [])] or [""]
    except csv.Error:  # a field longer than any card's
        fields = trimmed.split(delimiter)
    joint = " " if len(fields) == 3 and delimiter != "," else f"{delimiter} "
    return fields[0], _join(fields[1:], joint)


def _join(fields: list[str], joint: str) -> str:
    if len(fields) == 2 and re.fullmatch(r"[-+\d.,]+", fields[0]) and not fields[1][:1].isdigit():
        return " ".join(fields)  # value and unit in columns of their own
    if all(re.fullmatch(r"\d+", f) for f in fields):
        return ",".join(fields)  # a number with thousands marks in a comma-delimited card
    return joint.join(fields)


def _is_title(entry: Entry) -> bool:
    first = str(entry.value).split(" ")[0].strip(",;").lower()
    return entry.key.lower() in _HEADERS and first in _VALUES
