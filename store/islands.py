"""Runs of rows where a condition holds, and their joining to stretches.

Filter first, then number the rows that are left: within a run the row number `i` less that
number stays the same. Cheap because it needs no sort, but it takes the rows in the order the
source holds them, which DuckDB keeps and does not promise: so every run is checked, and a result
that fails is computed again with the order stated.

An island is a run of rows without a break: sortie, gap, first, last (row numbers), rows, start_s,
stop_s, and per channel the sums that means are made of. No island crosses a data gap or a sortie.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from ..shared.vocabulary import meaning_of
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


def gather_islands(connection: duckdb.DuckDBPyConnection, scan: Scan) -> pd.DataFrame:
    """The islands of a condition over samples."""
    islands = _run(connection, scan, _STREAMED)
    if (islands["last"] - islands["first"] + 1 != islands["rows"]).any():
        islands = _run(connection, scan, _ORDERED)
    known = scan.measures.words
    if any((islands[name] & 1).any() for name in islands.columns if str(name).startswith("bits:")):
        return gather_islands(connection, replace(scan, measures=replace(scan.measures, words={})))
    return _spell_out(islands, known)


def _spell_out(islands: pd.DataFrame, known: Mapping[str, tuple[str, ...]]) -> pd.DataFrame:
    """`bits:<channel>` as lists of words, `words:<channel>`."""
    for channel in [str(name).removeprefix("bits:") for name in islands.columns if str(name).startswith("bits:")]:
        bits = islands[f"bits:{channel}"]
        spelt = {
            number: [word for place, word in enumerate(known[channel], 1) if number >> place & 1]
            for number in bits.unique().tolist()
        }
        islands[f"bits:{channel}"] = pd.Series([spelt[number] for number in bits.tolist()], dtype=object)
        islands = islands.rename(columns={f"bits:{channel}": f"words:{channel}"})
    return islands


def gather_from_pieces(
    connection: duckdb.DuckDBPyConnection, condition: str, words: Sequence[str], means: Sequence[str]
) -> pd.DataFrame:
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
    islands: pd.DataFrame = connection.execute(sql).df()
    return islands


def measure_islands(
    connection: duckdb.DuckDBPyConnection, source: str, values: Sequence[object], measures: Measures
) -> pd.DataFrame:
    """The sums of islands that are known already, one line for each row of the table `island` (number, sortie, first,
    last), in the order of `number`."""
    sums = "".join(f", {part}" for part in _sums(measures))
    sql = f"""
    SELECT island.number AS number{sums} FROM {source} AS f
    JOIN island ON f.sortie = island.sortie AND f.i >= island.first AND f.i <= island.last
    GROUP BY island.number ORDER BY island.number
    """
    measured: pd.DataFrame = connection.execute(sql, list(values)).df()
    return measured


def group_islands(islands: pd.DataFrame, join_s: float) -> pd.DataFrame:
    """The islands in order with `stretch`, a number: those of one sortie and one gapless run that touch, or lie not
    more than join_s apart, have the same."""
    islands = islands.sort_values(["sortie", "gap", "first"], kind="stable", ignore_index=True)
    same = (islands["sortie"] == islands["sortie"].shift()) & (islands["gap"] == islands["gap"].shift())
    touching = islands["first"] == islands["last"].shift() + 1
    near = (islands["start_s"] - islands["stop_s"].shift() <= join_s + 1e-9) if join_s > 0 else touching
    return islands.assign(stretch=(~(same & (touching | near))).cumsum())


def span_stretches(islands: pd.DataFrame) -> pd.DataFrame:
    """sortie, start_s, stop_s, rows of the stretches of grouped islands, indexed by `stretch`."""
    rules = {"sortie": "first", "start_s": "min", "stop_s": "max", "rows": "sum"}
    return islands.groupby("stretch", sort=False).agg(rules)


def sum_up(islands: pd.DataFrame) -> pd.DataFrame:
    """Per stretch of grouped islands (indexed by `stretch`) the mean of every channel, or its words joined by '/', and
    `<channel>__low`, `__high`, `__first`, `__last` where they were measured."""
    names = [name for name in islands.columns if ":" in str(name)]
    if islands["stretch"].is_unique:  # nothing was joined
        return _means(islands.set_index("stretch")[names])
    return _means(islands.groupby("stretch", sort=False).agg({name: _how(str(name)) for name in names}))


def no_islands() -> pd.DataFrame:
    """An empty table of islands."""
    return pd.DataFrame({name: pd.Series([], dtype="str" if name == "sortie" else "float64") for name in _KEYS})


def _run(connection: duckdb.DuckDBPyConnection, scan: Scan, order: str) -> pd.DataFrame:
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
    islands: pd.DataFrame = connection.execute(" UNION ALL ".join([sql] * len(scan.values)), list(scan.values)).df()
    return islands


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


def _how(name: str) -> str | Callable[[pd.Series[Any]], list[str]]:
    kind = name.partition(":")[0]
    if kind == "words":
        return _unite
    return {"low": "min", "high": "max", "first": "first", "last": "last"}.get(kind, "sum")


def _unite(lists: pd.Series[Any]) -> list[str]:
    return [word for words in lists for word in words if word]


def _means(joined: pd.DataFrame) -> pd.DataFrame:
    out = {}
    for name in joined.columns:
        kind, _, channel = str(name).partition(":")
        if kind == "sum":
            counts = joined[f"count:{channel}"].to_numpy(dtype=np.float64)
            sums = joined[name].to_numpy(dtype=np.float64)
            out[channel] = np.divide(sums, counts, out=np.full(len(sums), np.nan), where=counts > 0)
        elif kind == "sine":
            angle = np.arctan2(joined[name].astype(float), joined[f"cosine:{channel}"].astype(float))
            entry = meaning_of(channel)
            in_degrees = entry is not None and entry.unit == "deg"
            out[channel] = np.degrees(angle) if in_degrees else angle % (2 * np.pi)
        elif kind == "words":
            out[channel] = ["/".join(sorted({word for word in words if word})) for words in joined[name]]
        elif kind in ("low", "high", "first", "last"):
            out[f"{channel}__{kind}"] = joined[name]
    return pd.DataFrame(out, index=joined.index)
