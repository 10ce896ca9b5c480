"""Planned points on a test card: 'point 3, glide 80 kt clean' or a TOML table each.

What is known is taken (kind, airspeed, configuration as written, number); a speed without a unit
stays as written, and all else is kept beside it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from ...shared.units import Unit, find_unit, to_si
from .quantities import read_number, split_key

_SPEED_WORDS = {
    "kias": "indicated",
    "ias": "indicated",
    "kcas": "calibrated",
    "cas": "calibrated",
    "keas": "equivalent",
    "eas": "equivalent",
    "ktas": "true",
    "tas": "true",
    "airspeed": None,
    "speed": None,
    "target": None,
}
_SPEED_IN_TEXT = re.compile(r"(?P<number>\d+(?:[.,]\d+)?)\s*(?P<unit>[A-Za-z/]+)?")
_KINDS = frozenset({"kind", "type", "manoeuvre", "maneuver"})
_CONFIGURATIONS = frozenset({"config", "configuration", "setup"})
_NUMBERS = frozenset({"number", "no", "id", "point"})


@dataclass(slots=True)
class PlannedPoint:
    """One planned point in the making; `unitless` when its speed has no unit."""

    facts: dict[str, Any] = field(default_factory=dict)
    unitless: bool = False


def read_point_text(text: str, number: int | None, usual: Unit | None = None) -> PlannedPoint:
    """'glide 100.0 clean_low_rpm': a word, a speed, the rest is the configuration. usual: of a speed that names no unit."""
    point = PlannedPoint()
    if number is not None:
        point.facts["number"] = number
    rest = text.strip()
    kind = re.match(r"[A-Za-z]\w*(?=\s|$)", rest)
    if kind:
        point.facts["kind"] = kind[0].lower()
        rest = rest[kind.end() :].strip()
    speed = _SPEED_IN_TEXT.match(rest)
    if speed:
        rest = _take_speed(point, speed, rest, usual)
    if rest:
        point.facts["configuration"] = rest
    point.facts["text"] = text.strip()
    return point


def _take_speed(point: PlannedPoint, speed: re.Match[str], rest: str, usual: Unit | None) -> str:
    number = float(speed["number"].replace(",", "."))
    word = speed["unit"] or ""
    unit = find_unit(word)
    if unit is not None and unit.kind == "speed":
        _keep_speed(point, number, unit, _SPEED_WORDS.get(word.lower()))
        return rest[speed.end() :].strip(" ,;")
    if unit is not None:
        return rest  # an altitude, say: not a speed
    _keep_bare(point, number, usual)
    return rest[speed.end("number") :].strip(" ,;")


def _keep_bare(point: PlannedPoint, number: float, usual: Unit | None) -> None:
    """A speed without a unit: in the one the user stated, else as written."""
    if usual is not None:
        _keep_speed(point, number, usual, None)
        return
    point.facts["airspeed_as_written"] = number
    point.unitless = True


def _keep_speed(point: PlannedPoint, number: float, unit: Unit, reference: str | None) -> None:
    point.facts["airspeed_m_s"] = to_si(number, unit.symbol)
    if reference:
        point.facts["airspeed_reference"] = reference


def read_point_table(table: Mapping[str, Any], number: int, usual: Unit | None = None) -> PlannedPoint:
    """A TOML table: kind, config, a speed whose key or value names its unit; the rest as written."""
    point = PlannedPoint({"number": number})
    for name, value in table.items():
        key = split_key(name)
        word = " ".join(key.words)
        if word in _KINDS:
            point.facts["kind"] = str(value).lower()
        elif word in _CONFIGURATIONS:
            point.facts["configuration"] = str(value)
        elif word in _NUMBERS and isinstance(value, int):
            point.facts["number"] = value
        elif set(key.words) & set(_SPEED_WORDS):
            _take_speed_entry(point, name, (key.words, key.unit), value, usual)
        else:
            point.facts[name] = value
    point.facts["text"] = ", ".join(f"{name} {value}" for name, value in table.items())
    return point


def _take_speed_entry(
    point: PlannedPoint, name: str, key: tuple[tuple[str, ...], Unit | None], value: Any, usual: Unit | None
) -> None:
    words, unit = key
    number, beside = read_number(value, decimal_comma=False)
    unit = beside or unit
    if number is None:
        point.facts[name] = value
    elif unit is None or unit.kind != "speed":
        _keep_bare(point, number, usual if unit is None else None)
    else:
        reference = next((_SPEED_WORDS[w] for w in words if _SPEED_WORDS.get(w)), None)
        _keep_speed(point, number, unit, reference or _SPEED_WORDS.get(name.lower().rpartition("_")[2]))
