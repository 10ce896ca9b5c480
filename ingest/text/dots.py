"""Dots that may be thousands marks: '12.000' is twelve, or twelve thousand where people write a decimal comma.

A file tells when one of its numbers has another form ('0.125', '85.2', '1250.000': decimal points), when a number has
two dots, or when a column goes on below a thousand without a dot. Where nothing tells, nobody can.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from .plain import POINT, holds_byte

_GROUPS = r"^[+\-−]?[1-9]\d{0,2}(\.\d{3})+$"
_SEVERAL = r"^[+\-−]?[1-9]\d{0,2}(\.\d{3}){2,}$"
_NUMBER = r"^[+\-−]?[\d.]*\.[\d.]*(?:[eE][+\-]?\d+)?$"
_BARE = r"^[+\-−]?\d{1,3}$"
_ONE_GROUP = re.compile(_GROUPS)
_ONE_NUMBER = re.compile(_NUMBER)
SMOOTHER = 0.25  # steps where the dots begin and end, read as thousands, against the same steps read as decimals
LEAST_EDGES = 2
HEAD = 200


@dataclass(frozen=True, slots=True)
class Dots:
    """What the dots of a file are: thousands marks ('thousands'), points ('points'), or nobody can tell ('open').

    columns: the ones that show it, or that are open. because: the evidence in words.
    """

    meaning: str
    columns: tuple[int, ...] = ()
    because: str = ""


def may_group(tokens: Sequence[Sequence[str]]) -> bool:
    """True where every number with a dot among sampled fields could be read as thousands; the whole columns decide."""
    dotted = [token for column in tokens for token in column if "." in token and _ONE_NUMBER.match(token)]
    return bool(dotted) and all(map(_ONE_GROUP.match, dotted))


def weigh_dots(columns: Sequence[pa.Array | None]) -> Dots:
    """The dots of all columns of cleaned text (None: not a column to look at)."""
    grouped = []
    for place, column in enumerate(columns):
        if column is None or not holds_byte(column, POINT):
            continue
        if not all(map(_ONE_GROUP.match, _first_numbers(column))):
            return Dots("points")
        numbers = column.filter(pc.fill_null(pc.match_substring_regex(column, _NUMBER), False))
        if not len(numbers):
            continue
        if not pc.all(pc.match_substring_regex(numbers, _GROUPS)).as_py():
            return Dots("points")
        if pc.any(pc.match_substring_regex(numbers, _SEVERAL)).as_py():
            return Dots("thousands", (place,), "a number with several dots")
        grouped.append(place)
    if not grouped:
        return Dots("points")
    going_on = tuple(place for place in grouped if _goes_on_bare(columns[place]))
    if going_on:
        return Dots("thousands", going_on, "below a thousand the numbers go on without a dot")
    return Dots("open", tuple(grouped), "every number with a dot has three digits behind it")


def _first_numbers(column: pa.Array) -> list[str]:
    """The numbers with a dot in the first fields: mostly one of them tells already."""
    return [t for t in column.slice(0, HEAD).to_pylist() if t and "." in t and t.isascii() and _ONE_NUMBER.match(t)]


def _goes_on_bare(column: pa.Array) -> bool:
    """True where the column changes between numbers with a dot and bare ones below a thousand, and only thousands fit."""
    bare = _flags(pc.match_substring_regex(column, _BARE))
    dotted = _flags(pc.match_substring_regex(column, _GROUPS))
    rows = np.flatnonzero(bare | dotted)
    edges = np.flatnonzero(bare[rows][1:] != bare[rows][:-1])
    if len(edges) < LEAST_EDGES:
        return False
    some = pc.replace_substring(column.take(pa.array(rows)), "−", "-")
    decimal = pc.cast(some, pa.float64()).to_numpy(zero_copy_only=False)
    thousands = np.where(dotted[rows], np.round(decimal * 1000.0), decimal)
    steps = [np.abs(values[edges + 1] - values[edges]).sum() for values in (decimal, thousands)]
    return bool(steps[1] < SMOOTHER * steps[0])


def _flags(found: pa.Array) -> NDArray[np.bool_]:
    out: NDArray[np.bool_] = pc.fill_null(found, False).to_numpy(zero_copy_only=False).astype(np.bool_)
    return out
