"""Numbers and units on a test card: in the key ('fuel_lb'), or beside the number ('296 lb').

A unit is what the closed table of units knows. Without one a number stays a number.
"""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass
from typing import Any

from ...shared.units import Unit, find_unit

_NUMBER = re.compile(r"([-+\u2212]?\d[\d., ]*?)\s*([^\d\s.,].*)?")
_THOUSANDS = re.compile(r"[-+]?\d{1,3}(?:,\d{3})+(?:\.\d+)?")
_LONGEST = 200  # characters; the pattern is slow on more, and no quantity is longer
_FILLERS = frozenset({"in", "at", "the", "of", "is"})


@dataclass(frozen=True, slots=True)
class Key:
    """A key as words of lower case, without the unit it ends in."""

    words: tuple[str, ...]
    unit: Unit | None


def split_key(key: str) -> Key:
    """'takeoff_weight_lb', 'Take-off mass [kg]' -> words and unit. A key that is only a unit keeps it as word too."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z][a-z])", " ", key)
    parts = [p for p in re.split(r"[\s_.,\-\[\]():]+", spaced) if p]
    for length in (3, 2, 1):
        unit = find_unit("".join(parts[-length:])) if len(parts) > length else None
        if unit is not None:
            return Key(_words(parts[:-length]), unit)
    return Key(_words(parts), find_unit(parts[0]) if len(parts) == 1 else None)


def _words(parts: list[str]) -> tuple[str, ...]:
    text = " ".join(part.lower() for part in parts)
    text = re.sub(r"\btake ?off\b|\bt/ ?o\b|\bt o\b", "takeoff", text)
    text = re.sub(r"\bc/? ?g\b|\bcent(?:re|er) of gravity\b", "cg", text)
    return tuple(word for word in text.split() if word not in _FILLERS)


def read_number(value: Any, *, decimal_comma: bool) -> tuple[float | None, Unit | None]:
    """(number, unit beside it) of a value; (None, None) when it is no number with at most a unit."""
    if isinstance(value, bool):
        return None, None
    if isinstance(value, int | float):
        return (float(value), None) if abs(value) <= sys.float_info.max else (None, None)
    text = str(value).strip()
    match = _NUMBER.fullmatch(text) if len(text) <= _LONGEST else None
    if not match:
        return None, None
    number = _parse(match[1].strip().replace("\u2212", "-").replace(" ", ""), decimal_comma)
    if number is None or match[2] is None:
        return number, None
    unit = find_unit(match[2])
    return (number, unit) if unit is not None else (None, None)


def _parse(text: str, decimal_comma: bool) -> float | None:
    if decimal_comma and "," in text:
        text = text.replace(".", "").replace(",", ".")  # 1.124,5
    elif not decimal_comma and _THOUSANDS.fullmatch(text):
        text = text.replace(",", "")
    elif text.count(",") == 1 and "." not in text:
        text = text.replace(",", ".")
    try:
        number = float(text)
    except ValueError:
        return None
    return number if abs(number) <= sys.float_info.max else None
