"""Objects of a JSON file one after the other, each with its line; what cannot be read is told with its number."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from json import JSONDecodeError
from typing import Any

_DEEPEST = 8
LONGEST_LIST = 64
_PLAIN = frozenset({type(None), bool, int, float, str})


@dataclass
class Records:
    """Flat objects with their line numbers, bad lines, and the members around them ('units', 'start' ...)."""

    objects: list[dict[str, Any]] = field(default_factory=list)
    line: list[int] = field(default_factory=list)
    bad: list[tuple[int, str, str]] = field(default_factory=list)  # (line, why, text)
    cut: tuple[int, str] | None = None  # the last, incomplete piece
    blank: int = 0
    around: dict[str, Any] = field(default_factory=dict)


def read_records(text: str) -> Records:
    """Samples of JSON lines, of an array of objects, or of an object that holds such an array or arrays of numbers."""
    out = Records()
    start = text.lstrip("\ufeff \t\r\n")
    whole = _as_one(start)
    if isinstance(whole, dict) and not _is_line(text):
        _read_document(whole, out)
    elif start.startswith("["):
        _read_array(text, out)
    else:
        _read_lines(text, out)
    return out


def _is_line(text: str) -> bool:
    """True for one object that is a sample by itself: its members are plain."""
    loaded = _as_one(text.lstrip("\ufeff \t\r\n"))
    return isinstance(loaded, dict) and not any(isinstance(v, list) for v in loaded.values())


def _as_one(text: str) -> Any:
    if not text.startswith("{") or text.find("\n{") > 0:
        return None
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return None


def _read_lines(text: str, out: Records) -> None:
    lines = text.split("\n")
    whole = lines.pop() == ""
    if not whole:
        lines = text.split("\n")
    for number, line in enumerate(lines, 1):
        stripped = line.strip("\ufeff \t\r\0")
        if not stripped:
            out.blank += 1
            continue
        value, why = _loads(stripped)
        if why is None and isinstance(value, dict):
            out.objects.append(flatten(value))
            out.line.append(number)
        elif number == len(lines) and not whole:
            out.cut = (number, stripped)
        else:
            out.bad.append((number, why or "not an object", stripped))


def _loads(text: str) -> tuple[Any, str | None]:
    try:
        return json.loads(text), None
    except JSONDecodeError as error:
        return None, f"{error.msg} at character {error.pos + 1}"
    except RecursionError:
        return None, "nested too deeply"
    except ValueError:  # Python reads no integer of more than 4300 digits
        return None, "a number of thousands of digits"


def _read_array(text: str, out: Records) -> None:
    """Elements one by one, so that a broken one costs itself and what follows it alone."""
    decoder = json.JSONDecoder()
    at, line, seen = text.index("[") + 1, 1, 0
    while True:
        at = _skip(text, at, ", \t\r\n")
        line += text.count("\n", seen, at)
        seen = at
        if at >= len(text):
            out.cut = out.cut or (line, "")
            return
        if text[at] == "]":
            return
        try:
            value, stop = decoder.raw_decode(text, at)
        except (ValueError, RecursionError):
            out.cut = (line, text[at : at + 200])
            return
        if isinstance(value, dict):
            out.objects.append(flatten(value))
            out.line.append(line)
        else:
            out.bad.append((line, "not an object", text[at:stop]))
        at = stop


def _skip(text: str, at: int, characters: str) -> int:
    while at < len(text) and text[at] in characters:
        at += 1
    return at


def _read_document(document: dict[str, Any], out: Records) -> None:
    """An object around the samples: its longest array of objects, or its arrays of one length."""
    lists = {key: value for key, value in document.items() if isinstance(value, list)}
    rows = {key: value for key, value in lists.items() if value and all(isinstance(v, dict) for v in value)}
    if rows:
        key = max(rows, key=lambda k: len(rows[k]))
        out.objects = [flatten(row) for row in rows[key]]
        out.around = {k: v for k, v in document.items() if k != key}
    else:
        columns = {key: value for key, value in lists.items() if not any(isinstance(v, dict | list) for v in value)}
        length = max((len(value) for value in columns.values()), default=0)
        same = {key: value for key, value in columns.items() if len(value) == length}
        out.objects = [dict(zip(same, row, strict=True)) for row in zip(*same.values(), strict=True)]
        out.around = {k: v for k, v in document.items() if k not in same}
    out.line = list(range(1, len(out.objects) + 1))


def flatten(value: dict[str, Any]) -> dict[str, Any]:
    """Nested members under 'outer.inner', short arrays under 'name[0]', 'name[1]' ..."""
    if _PLAIN.issuperset(map(type, value.values())):
        return value
    return dict(_flat(value, "", 0))


def _flat(value: Any, prefix: str, depth: int) -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict) and depth < _DEEPEST:
        for key, inner in value.items():
            yield from _flat(inner, f"{prefix}.{key}" if prefix else str(key), depth + 1)
    elif isinstance(value, list) and len(value) <= LONGEST_LIST and depth < _DEEPEST:
        for k, inner in enumerate(value):
            yield from _flat(inner, f"{prefix}[{k}]", depth + 1)
    elif value is None or isinstance(value, bool | int | float | str):
        yield prefix or "value", value
    else:
        yield prefix or "value", json.dumps(value)[:200]
