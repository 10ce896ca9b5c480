"""Names and units of a matrix's columns that stand beside it: a list of words as long as the matrix is wide."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from .array_types import NamedArray, word_of

_NAMES = re.compile(r"(?i)^(?:col(?:umn)?s?|col(?:umn)?[ _]?names?|(?:channel|signal|var(?:iable)?|field)?[ _]?(?:names?|labels?)|"
                    r"fields|channels|signals|headers?|legend|items|channel[ _]?list|varnames|colheaders|axis0)$")  # fmt: skip
_UNITS = re.compile(r"(?i)^(?:(?:col(?:umn)?|channel|signal)?[ _]?units?|uoms?)$")
_LAST_WORD = re.compile(r"[ _]?[A-Za-z]+$")


def name_matrices(arrays: Sequence[NamedArray]) -> list[NamedArray]:
    """The arrays, matrices with the names and units listed beside or above them, without the lists that were used.

    A list that shares the first part of the matrix's name ('block0_items' of 'block0_values') is its own; else one in
    the same group, else above, that is called a list of names; else the only list of the right length in the group.
    """
    lists = [a for a in arrays if a.values.ndim == 1 and a.values.dtype.kind in "SUO"]
    used: set[int] = set()
    out: list[NamedArray] = []
    for array in arrays:
        width = array.values.shape[1] if array.values.ndim == 2 else 1
        if array.values.dtype.kind not in "biuf" or array.names:
            out.append(array)
            continue
        near = [x for x in lists if _is_near(x, array)]
        names = _list_of(array, [x for x in near if not _UNITS.match(x.name)], width)
        units = next((x for x in near if _UNITS.match(x.name) and len(x.values) == width), None)
        if (
            names is None
            and len(array.values) in {len(x.values) for x in near}
            and width not in {len(x.values) for x in near}
        ):
            names = _list_of(array, [x for x in near if _NAMES.match(x.name)], len(array.values))
            array = array if names is None else replace(array, values=array.values.T)
        used |= {id(x) for x in (names, units) if x is not None and names is not None}
        out.append(_named(array, names, units))
    return [array for array in out if id(array) not in used]


def _is_near(words: NamedArray, array: NamedArray) -> bool:
    return not words.group or words.group == array.group or array.group.startswith(words.group + "/")


def _list_of(array: NamedArray, lists: Sequence[NamedArray], width: int) -> NamedArray | None:
    fitting = [x for x in lists if len(x.values) == width]
    stem = _LAST_WORD.sub("", array.name)
    own = [x for x in fitting if stem and x.group == array.group and _LAST_WORD.sub("", x.name) == stem]
    called = sorted((x for x in fitting if _NAMES.match(x.name)), key=lambda x: -len(x.group))
    alone = [x for x in fitting if x.group == array.group]
    if width == 1:
        return own[0] if own else None
    found = own or called or (alone if len(alone) == 1 and width != len(array.values) else [])
    return found[0] if found else None


def _named(array: NamedArray, names: NamedArray | None, units: NamedArray | None) -> NamedArray:
    if names is None:
        return array
    if array.values.ndim == 1:
        return replace(array, name=word_of(names.values[0]) or array.name)
    stated = tuple(word_of(v) or "" for v in units.values.tolist()) if units is not None else array.units
    return replace(array, names=tuple(word_of(v) or "" for v in names.values.tolist()), units=stated)
