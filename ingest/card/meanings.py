"""What a test card's keys mean: told by their words, whatever their order and spelling.

A key means a field when it holds one of the field's leading words and nothing but words that go
with it: 'fuel' and 'take-off fuel on board' are the fuel at take-off, 'fuel used' is not.
"""

from __future__ import annotations

import re
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Meaning:
    """A field: its name in TestCard (or a name under `other`), its kind of quantity (None: text).

    needs: the key must hold all words of at least one of these sets; may: other words allowed.
    """

    field: str
    kind: str | None
    needs: tuple[frozenset[str], ...]
    may: frozenset[str]


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


def _any_of(*groups: str) -> tuple[frozenset[str], ...]:
    return tuple(_words(group) for group in groups)


_START = _words("takeoff start initial total")

MEANINGS: tuple[Meaning, ...] = (
    Meaning(
        "take_off_fuel_kg",
        "mass",
        _any_of("fuel", "fob"),
        _START | _words("on board quantity qty weight mass load"),
    ),
    Meaning(
        "take_off_mass_kg",
        "mass",
        _any_of("takeoff weight", "takeoff mass", "gross weight", "gross mass", "tow", "tom", "auw", "all up weight"),
        _START | _words("gross weight mass aircraft actual"),
    ),
    Meaning("cg_m", "length", _any_of("cg"), _START | _words("position arm location aft datum from")),
    Meaning(
        "altimeter_setting_pa",
        "pressure",
        _any_of("qnh", "altimeter setting", "baro setting"),
        _words("altimeter setting baro pressure local"),
    ),
    Meaning(
        "field_elevation_m",
        "length",
        _any_of("elevation", "elev"),
        _words("field airfield aerodrome airport runway elevation elev"),
    ),
    Meaning(
        "outside_air_temperature",
        "temperature",
        _any_of("oat", "outside air temperature", "air temperature"),
        _words("outside air temperature temp ground surface"),
    ),
    Meaning(
        "aircraft",
        None,
        _any_of("aircraft", "airplane", "aeroplane", "registration", "tail"),
        _words("aircraft type name number registration reg id"),
    ),
    Meaning("purpose", None, _any_of("purpose", "objective", "aim"), _words("test flight sortie of")),
    Meaning("notes", None, _any_of("note", "notes", "remark", "remarks", "comment", "comments"), frozenset()),
    Meaning(
        "sortie",
        None,
        _any_of("sortie", "flight", "flight number", "flight no"),
        _words("number no id name"),
    ),
    Meaning("date", None, _any_of("date"), _words("flight sortie test")),
    Meaning("crew", None, _any_of("pilot", "crew", "observer", "engineer"), _words("test flight names")),
)

_POINT = re.compile(r"(?:test[ _-]?)?(?:points?|pts?|tps?)[ _#.-]*(\d+)?", re.IGNORECASE)


def find_meaning(words: tuple[str, ...]) -> Meaning | None:
    """The field a key's words mean, None when they mean none."""
    held = set(words)
    for meaning in MEANINGS:
        for needed in meaning.needs:
            if needed <= held and held - needed <= meaning.may:
                return meaning
    return None


_MOST_DIGITS = 6


def point_number(key: str) -> tuple[bool, int | None]:
    """(whether the key announces planned points, the number it gives)."""
    match = _POINT.fullmatch(key.rpartition(".")[2].strip())
    if not match:
        return False, None
    return True, int(match[1]) if match[1] and len(match[1]) <= _MOST_DIGITS else None
