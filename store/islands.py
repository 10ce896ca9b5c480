"""Runs of rows where a condition holds, and their joining to stretches.

Filter first, then number the rows that are left: within a run the row number `i` less that
number stays the same. Cheap because it needs no sort, but it takes the rows in the order the
source holds them, which DuckDB keeps and does not promise: so every run is checked, and a result
that fails is computed again with the order stated.

An island is a run of rows without a break: sortie, gap, first, last (row numbers), rows, start_s,
stop_s, and per channel the sums that means are made of. No island crosses a data gap or a sortie. A table of them is
plain columns (store/columns.py).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import duckdb
import numpy as np
from numpy.typing import NDArray

from ..shared.vocabulary import meaning_of
from .columns import Column, Columns, fetch_columns, object_column, row_count, sorted_order, take_rows
from .condition import is_word_channel
from .quoting import quote_text

_STREAMED = "()"
_ORDERED = "(PARTITION BY sortie ORDER BY i)"
_MOST_WORDS = 60  # a bit of a whole number each
_KEYS = ("sortie", "gap", "first", "last", "rows", "start_s", "stop_s")


@dataclass(frozen=True, slots=True)
class Measures:
    """channels: those a mean is taken of (of words, all that occurred); chosen: of these, the ones whose low, high,
    first and last value are wanted too; words: of a channel of words those that may occur, as far as is known."""

    channels: tuple[str, ...]
    chosen: frozenset[str] = frozenset()
    words: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Scan:
    """Rows to look through: a FROM clause with columns sortie, i, t, until, gap and channels, and the values of its one
    parameter, each of other sorties, that are looked through side by side; the judged condition; tables of spans
    (sortie, start_s, stop_s; disjoint) every row must lie in, one of each."""

    source: str
    values: tuple[object, ...]
    condition: str
    measures: Measures
    spans: tuple[str, ...] = ()


def gather_islands(connection: duckdb.DuckDBPyConnection, scan: Scan) -> Columns:
    """The islands of a condition over samples."""
    islands = _run(connection, scan, _STREAMED)
    if (islands["last"] - islands["first"] + 1 != islands["rows"]).any():
        islands = _run(connection, scan, _ORDERED)
    known = scan.measures.words
    if any((column & 1).any() for name, column in islands.items() if name.startswith("bits:")):
        return gather_islands(connection, replace(scan, measures=replace(scan.measures, words={})))
    return _spell_out(islands, known)


def _spell_out(islands: Columns, known: Mapping[str, tuple[str, ...]]) -> Columns:
    """`bits:<channel>`, or lists of words, as sets of words: `words:<channel>`."""
    out = {}
    for name, column in islands.items():
        if name.startswith("words:"):
            out[name] = object_column(frozenset(word for word in words if word) for words in column)
            continue
        if not name.startswith("bits:"):
            out[name] = column
            continue
        channel = name.removeprefix("bits:")
        numbers, places = np.unique(column, return_inverse=True)
        told = tuple(enumerate(known[channel], 1))
        spelt = (frozenset(word for at, word in told if number >> at & 1) for number in numbers.tolist())
        out[f"words:{channel}"] = object_column(spelt)[places]
    return out


def gather_from_pieces(
    connection: duckdb.DuckDBPyConnection, condition: str, words: Sequence[str], means: Sequence[str]
) -> Columns:
    """The islands of a condition over states alone, out of the table `piece`: the same as from the samples."""
    sums = "".join(f', list(DISTINCT "{state}") AS "words:{state}"' for state in words)
    for channel in means:
        sums += f', sum("{channel}_sum") AS "sum:{channel}", sum("{channel}_rows")::BIGINT AS "count:{channel}"'
    sql = f"""
    WITH held AS (
        SELECT *, last_row - first_row + 1 AS rows FROM piece WHERE ({condition})
    ), numbered AS (
        SELECT *, first_row - sum(rows) OVER (ORDER BY sortie, number ROWS UNBOUNDED PRECEDING) + rows AS island FROM held
    )
    SELECT sortie, gap, min(first_row) AS first, max(last_row) AS last, sum(rows)::BIGINT AS rows,
        min(start_s) AS start_s, max(stop_s) AS stop_s{sums}
    FROM numbered GROUP BY sortie, gap, island
    """
    return _spell_out(fetch_columns(connection, sql), {})


def measure_islands(
    connection: duckdb.DuckDBPyConnection, source: str, values: Sequence[object], measures: Measures
) -> Columns:
    """The sums of islands that are known already, one line for each row of the table `island` (number, sortie, first,
    last), in the order of `number`."""
    sums = "".join(f", {part}" for part in _sums(measures))
    sql = f"""
    SELECT island.number AS number{sums} FROM {source} AS f
    JOIN island ON f.sortie = island.sortie AND f.i >= island.first AND f.i <= island.last
    GROUP BY island.number ORDER BY island.number
    """
    return _spell_out(fetch_columns(connection, sql, values), {})


def group_islands(islands: Columns, join_s: float) -> Columns:
    """The islands in order with `stretch`, a rising number: those of one sortie and one gapless run that touch, or lie
    not more than join_s apart, have the same."""
    islands = take_rows(islands, sorted_order(islands, ("sortie", "gap", "first")))
    same = _like_the_last(islands["sortie"]) & _like_the_last(islands["gap"])
    if join_s > 0:
        near = islands["start_s"][1:] - islands["stop_s"][:-1] <= join_s + 1e-9
    else:
        near = islands["first"][1:] == islands["last"][:-1] + 1
    same[1:] &= near
    return {**islands, "stretch": np.cumsum(~same)}


def _like_the_last(column: Column) -> NDArray[np.bool_]:
    same = np.zeros(len(column), dtype=bool)
    same[1:] = column[1:] == column[:-1]
    return same


def span_stretches(islands: Columns) -> Columns:
    """stretch, sortie, start_s, stop_s, rows of the stretches of grouped islands."""
    begin = _begin(islands)
    if not len(begin):
        return {name: islands[name] for name in ("stretch", "sortie", "start_s", "stop_s", "rows")}
    return {
        "stretch": islands["stretch"][begin],
        "sortie": islands["sortie"][begin],
        "start_s": np.minimum.reduceat(islands["start_s"], begin),
        "stop_s": np.maximum.reduceat(islands["stop_s"], begin),
        "rows": np.add.reduceat(islands["rows"], begin),
    }


def sum_up(islands: Columns) -> Columns:
    """Per stretch of grouped islands, in their order, the mean of every channel, or its words joined by '/', and
    `<channel>__low`, `__high`, `__first`, `__last` where they were measured."""
    begin = _begin(islands)
    names = [name for name in islands if ":" in name]
    if len(begin) == row_count(islands):  # nothing was joined
        return _means({name: islands[name] for name in names})
    return _means({name: _join(name.partition(":")[0], islands[name], begin) for name in names})


def no_islands() -> Columns:
    """An empty table of islands."""
    return {name: np.empty(0, dtype=object if name == "sortie" else np.float64) for name in _KEYS}


def _begin(islands: Columns) -> NDArray[np.int64]:
    """Where in the rows of grouped islands each stretch begins."""
    return np.flatnonzero(~_like_the_last(islands["stretch"]))


def _join(kind: str, column: Column, begin: NDArray[np.int64]) -> Column:
    """What was measured over the islands of each stretch, put together."""
    if kind == "words":
        return object_column(frozenset().union(*group) for group in np.split(column, begin[1:]))
    if kind in ("low", "high"):
        return np.asarray((np.fmin if kind == "low" else np.fmax).reduceat(column, begin))
    if kind in ("first", "last"):
        return object_column(_outermost(group, kind) for group in np.split(column, begin[1:])).astype(column.dtype)
    return np.asarray(np.add.reduceat(np.nan_to_num(column), begin))


def _outermost(values: Column, kind: str) -> object:
    """The first or last value that is not missing; one that is, when all are."""
    known = [value for value in values.tolist() if value is not None and value == value]
    return (known or [values[0]])[0 if kind == "first" else -1]


def _run(connection: duckdb.DuckDBPyConnection, scan: Scan, order: str) -> Columns:
    sums = "".join(f", {part}" for part in _sums(scan.measures))
    columns = "".join(f', "{channel}"' for channel in scan.measures.channels)
    inside, last = "", "held"
    for number, spans in enumerate(scan.spans):
        inside += f"""inside_{number} AS (
        SELECT {last}.* FROM {last} JOIN {spans} AS s ON {last}.sortie = s.sortie AND {last}.t >= s.start_s AND {last}.t < s.stop_s
    ), """
        last = f"inside_{number}"
    # numbering rows in their order takes one thread, so each part of the sorties is numbered by itself
    sql = f"""(
    WITH held AS (
        SELECT sortie, gap, i, t, until{columns} FROM {scan.source} WHERE ({scan.condition})
    ), {inside}numbered AS (
        SELECT *, i - row_number() OVER {order} AS island FROM {last}
    )
    SELECT sortie, gap, min(i) AS first, max(i) AS last, count(*) AS rows, min(t) AS start_s, max(until) AS stop_s{sums}
    FROM numbered GROUP BY sortie, gap, island
    )"""
    return fetch_columns(connection, " UNION ALL ".join([sql] * len(scan.values)), scan.values)


def is_circular(channel: str) -> bool:
    """Whether a channel is an angle that starts anew after a full turn: it has no low and no high."""
    entry = meaning_of(channel)
    return entry is not None and entry.reduction == "circular"


def _turns(channel: str) -> str:
    """A circular channel in radians."""
    entry = meaning_of(channel)
    return f'radians("{channel}")' if entry is not None and entry.unit == "deg" else f'"{channel}"'


def _sums(measures: Measures) -> list[str]:
    parts = []
    for channel in measures.channels:
        if 0 < len(measures.words.get(channel, ())) < _MOST_WORDS:
            parts.append(f'bit_or({_bit(channel, measures.words[channel])}) AS "bits:{channel}"')
        elif is_word_channel(channel):
            parts.append(f'list(DISTINCT "{channel}") AS "words:{channel}"')
        elif is_circular(channel):
            angle = _turns(channel)
            parts += [f'sum(sin({angle})) AS "sine:{channel}"', f'sum(cos({angle})) AS "cosine:{channel}"']
        else:
            parts += [f'sum("{channel}") AS "sum:{channel}"', f'count("{channel}") AS "count:{channel}"']
            if channel in measures.chosen:
                parts += [f'min("{channel}") AS "low:{channel}"', f'max("{channel}") AS "high:{channel}"']
        if channel in measures.chosen:
            # a row without a value is not the first or last that was recorded
            parts += [f'arg_min("{channel}", i) AS "first:{channel}"', f'arg_max("{channel}", i) AS "last:{channel}"']
    return parts


def _bit(channel: str, words: Sequence[str]) -> str:
    """A bit for each known word, the lowest for any other: a quarter of a second cheaper than a list over a thousand sorties."""
    cases = "".join(f' WHEN "{channel}" = {quote_text(word)} THEN {1 << place}' for place, word in enumerate(words, 1))
    return f'CASE WHEN "{channel}" IS NULL THEN 0{cases} ELSE 1 END::BIGINT'


def _means(joined: Columns) -> Columns:
    out: Columns = {}
    for name, column in joined.items():
        kind, _, channel = name.partition(":")
        if kind == "sum":
            counts = np.nan_to_num(joined[f"count:{channel}"]).astype(np.float64)
            sums = column.astype(np.float64)
            out[channel] = np.divide(sums, counts, out=np.full(len(sums), np.nan), where=counts > 0)
        elif kind == "sine":
            angle = np.arctan2(column, joined[f"cosine:{channel}"])
            entry = meaning_of(channel)
            in_degrees = entry is not None and entry.unit == "deg"
            out[channel] = np.degrees(angle) if in_degrees else angle % (2 * np.pi)
        elif kind == "words":
            texts = {words: "/".join(sorted(words)) for words in set(column.tolist())}
            out[channel] = object_column(texts[words] for words in column.tolist())
        elif kind in ("low", "high", "first", "last"):
            out[f"{channel}__{kind}"] = column
    return out
