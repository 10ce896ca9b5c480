"""Numbers of a condition as people write them: `95 kt` is read as `kt(95)`; a number without a unit is told of.

What stands in quotes is left alone, and so is a word that is no unit, or one of SQL's own.
"""

from __future__ import annotations

import re

from ..shared.units import factors, find_unit
from ..shared.vocabulary import meaning_of
from .units import UNIT_FUNCTIONS

_QUOTED = re.compile(r"'(?:[^']|'')*'|\"[^\"]*\"")
_NUMBER = re.compile(r"(?<![\w.])(\d+(?:\.\d*)?(?:[eE][+-]?\d+)?|\.\d+)[ \t]*([A-Za-z°%][\w°/%²]*)(?!\w*[ \t]*\()")
# a minus before the number is its own sign after these, else a difference
_SIGN = re.compile(r"(?:^|[=<>(,+*/-]|\b(?:AND|OR|NOT|BETWEEN|WHEN|THEN|ELSE|IN))\s*([+-])\s*$", re.IGNORECASE)
_SQL_WORDS = frozenset({"and", "or", "not", "between", "in", "is", "as", "case", "when", "then", "else", "end", "like"})
_FUNCTION_OF = {symbol: name for name, symbol in UNIT_FUNCTIONS.items()}


def spell_units(text: str) -> str:
    """The condition with every number that has a unit behind it inside that unit's function."""
    out, at = [], 0
    for quoted in _QUOTED.finditer(text):
        out += [_spell(text[at : quoted.start()]), quoted[0]]
        at = quoted.end()
    return "".join((*out, _spell(text[at:])))


def bare_number_note(channel: str, number: str) -> str | None:
    """What is said of a number without a unit beside a channel that people see in another unit than it is kept in."""
    entry = meaning_of(channel)
    if entry is None or entry.unit in (None, "1") or entry.display in (None, entry.unit):
        return None
    if float(number) == 0 and factors(entry.display)[1] == 0:  # nought is nought in every unit that begins there
        return None
    return f"{number} was taken in {entry.unit}, as {channel} is kept; another unit is written beside it: {number} {entry.display}"


def _spell(text: str) -> str:
    out, at = [], 0
    for found in _NUMBER.finditer(text):
        function, rest = _function_of(found[2])
        if function is None:
            continue
        before = text[at : found.start()]
        sign = _SIGN.search(before)
        if sign is not None:
            before = before[: sign.start(1)]
        out += [before, f"{function}({sign[1] if sign else ''}{found[1]})", rest]
        at = found.end()
    return "".join((*out, text[at:]))


def _function_of(word: str) -> tuple[str | None, str]:
    """(unit function of the longest beginning of the word that is a unit, what follows it)."""
    for end in (len(word), *(i for i in range(len(word) - 1, 0, -1) if word[i] == "/")):
        part = word[:end]
        if part.lower() in _SQL_WORDS:
            return None, word
        unit = None if part.lower() in UNIT_FUNCTIONS else find_unit(part)
        function = part.lower() if part.lower() in UNIT_FUNCTIONS else _FUNCTION_OF.get(unit.symbol) if unit else None
        if function is not None:
            return function, word[end:]
    return None, word
