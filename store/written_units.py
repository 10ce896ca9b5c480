"""Numbers of a condition as people write them: `95 kt` is read as `kt(95)`; a number without a unit is told of.

What stands in quotes is left alone, and so is a word that is no unit, or one of SQL's own.
"""

from __future__ import annotations

import re
from typing import TypeAlias

from ..shared.units import factors, find_unit
from ..shared.vocabulary import meaning_of
from .units import UNIT_FUNCTIONS

_QUOTED = re.compile(r"'(?:[^']|'')*'|\"[^\"]*\"")
_NUMBER = re.compile(r"(?<![\w.])(\d+(?:\.\d*)?(?:[eE][+-]?\d+)?|\.\d+)[ \t]*([A-Za-z°%][\w°/%²]*)(?!\w*[ \t]*\()")
# a minus before the number is its own sign after these, else a difference
_SIGN = re.compile(r"(?:^|[=<>(,+*/-]|\b(?:AND|OR|NOT|BETWEEN|WHEN|THEN|ELSE|IN))\s*([+-])\s*$", re.IGNORECASE)
_SQL_WORDS = frozenset({"and", "or", "not", "between", "in", "is", "as", "case", "when", "then", "else", "end", "like"})
# a piece of the rewritten condition, where it stood in the one written, whether it was copied as it is
_Piece: TypeAlias = tuple[str, int, bool]
_FUNCTION_OF = {symbol: name for name, symbol in UNIT_FUNCTIONS.items()}


def spell_units(text: str) -> str:
    """The condition with every number that has a unit behind it inside that unit's function."""
    return "".join(piece for piece, _, _ in _pieces(text))


def written_place(text: str, position: int) -> int:
    """Where in the condition as people wrote it character `position` of `spell_units` of it stands."""
    for piece, start, is_copied in _pieces(text):
        if position < len(piece):
            return start + (position if is_copied else 0)
        position -= len(piece)
    return len(text)


def _pieces(text: str) -> list[_Piece]:
    out: list[_Piece] = []
    at = 0
    for quoted in _QUOTED.finditer(text):
        out += [*_spell(text[at : quoted.start()], at), (quoted[0], quoted.start(), True)]
        at = quoted.end()
    return [*out, *_spell(text[at:], at)]


def bare_number_note(channel: str, number: str) -> str | None:
    """What is said of a number without a unit beside a channel that people see in another unit than it is kept in."""
    entry = meaning_of(channel)
    if entry is None or entry.unit in (None, "1") or entry.display in (None, entry.unit):
        return None
    if float(number) == 0 and factors(entry.display)[1] == 0:  # nought is nought in every unit that begins there
        return None
    return f"{number} was taken in {entry.unit}, as {channel} is kept; another unit is written beside it: {number} {entry.display}"


def _spell(text: str, begin: int) -> list[_Piece]:
    """The pieces of text without quotes that begins at character `begin` of the condition."""
    out: list[_Piece] = []
    at = 0
    for found in _NUMBER.finditer(text):
        function, rest = _function_of(found[2])
        if function is None:
            continue
        sign = _SIGN.search(text[at : found.start()])
        start = found.start() if sign is None else at + sign.start(1)
        call = f"{function}({sign[1] if sign else ''}{found[1]})"
        out += [(text[at:start], begin + at, True), (call, begin + start, False)]
        at = found.end() - len(rest)
    return [*out, (text[at:], begin + at, True)]


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
