"""Runs of rows where a condition holds, out of the frame files; and their joining.

Filter first, then number the rows that are left: within a run the row number `i` less that
number stays the same. Cheap because it needs no sort, but it takes the rows in the order the
files hold them, which DuckDB keeps and does not promise: so every run is checked, and a result
that fails is computed again with the order stated.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from ..shared.vocabulary import meaning_of
from .condition import is_word_channel

_STREAMED = "()"
_ORDERED = "(PARTITION BY sortie ORDER BY i)"


@dataclass(frozen=True, slots=True)
class Scan:
    """What is read: a judged condition, frame files, channels to average.

    alike: every file has every channel; then DuckDB need not compare their columns first.
    """

    condition: str
    files: tuple[str, ...]
    channels: tuple[str, ...]
    alike: bool


def gather_islands(connection: duckdb.DuckDBPyConnection, scan: Scan) -> pd.DataFrame:
    """One line per run: sortie, gap, first, last (row numbers), rows, start_s, stop_s, and per channel the sums
    `join_islands` makes means of. No run crosses a data gap or a sortie."""
    if not scan.files:
        return _no_islands()
    islands = _run(connection, scan, _STREAMED)
    if (islands["last"] - islands["first"] + 1 != islands["rows"]).any():
        islands = _run(connection, scan, _ORDERED)
    return islands


def join_islands(islands: pd.DataFrame, join_s: float) -> pd.DataFrame:
    """Runs of one sortie and one gapless stretch that touch, or lie not more than join_s apart, made one.

    Columns: sortie, start_s, stop_s, rows, then a mean (or the words) per channel.
    """
    islands = islands.sort_values(["sortie", "gap", "first"], kind="stable", ignore_index=True)
    same = (islands["sortie"] == islands["sortie"].shift()) & (islands["gap"] == islands["gap"].shift())
    touching = islands["first"] == islands["last"].shift() + 1
    near = (islands["start_s"] - islands["stop_s"].shift() <= join_s + 1e-9) if join_s > 0 else touching
    group = (~(same & (touching | near))).cumsum()
    rules = {name: _how(name) for name in islands.columns if name not in ("gap", "first", "last")}
    joined = islands.groupby(group, sort=False).agg(rules)
    return _means(joined)


def _run(connection: duckdb.DuckDBPyConnection, scan: Scan, order: str) -> pd.DataFrame:
    sums = "".join(f", {part}" for channel in scan.channels for part in _sums(channel))
    columns = "".join(f', "{channel}"' for channel in scan.channels)
    source = "read_parquet(?)" if scan.alike else "read_parquet(?, union_by_name = true)"
    sql = f"""
    WITH held AS (
        SELECT sortie, gap, i, t, until{columns} FROM {source} WHERE ({scan.condition})
    ), numbered AS (
        SELECT *, i - row_number() OVER {order} AS island FROM held
    )
    SELECT sortie, gap, min(i) AS first, max(i) AS last, count(*) AS rows, min(t) AS start_s, max(until) AS stop_s{sums}
    FROM numbered GROUP BY sortie, gap, island
    """
    islands: pd.DataFrame = connection.execute(sql, [list(scan.files)]).df()
    return islands


def _is_circular(channel: str) -> bool:
    entry = meaning_of(channel)
    return entry is not None and entry.reduction == "circular"


def _turns(channel: str) -> str:
    """A circular channel in radians."""
    entry = meaning_of(channel)
    return f'radians("{channel}")' if entry is not None and entry.unit == "deg" else f'"{channel}"'


def _sums(channel: str) -> list[str]:
    if is_word_channel(channel):
        return [f'list(DISTINCT "{channel}") AS "words:{channel}"']
    if _is_circular(channel):
        angle = _turns(channel)
        return [f'sum(sin({angle})) AS "sine:{channel}"', f'sum(cos({angle})) AS "cosine:{channel}"']
    return [f'sum("{channel}") AS "sum:{channel}"', f'count("{channel}") AS "count:{channel}"']


def _how(name: str) -> str | Callable[[pd.Series[Any]], list[str]]:
    if name.startswith("words:"):
        return _unite
    return {"sortie": "first", "start_s": "min", "stop_s": "max"}.get(name, "sum")


def _unite(lists: pd.Series[Any]) -> list[str]:
    return sorted({word for words in lists for word in words if word})


def _means(joined: pd.DataFrame) -> pd.DataFrame:
    out = joined[["sortie", "start_s", "stop_s", "rows"]].copy()
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
            out[channel] = ["/".join(words) for words in joined[name]]
    return out


def _no_islands() -> pd.DataFrame:
    names = ("sortie", "gap", "first", "last", "rows", "start_s", "stop_s")
    return pd.DataFrame({name: pd.Series([], dtype="str" if name == "sortie" else "float64") for name in names})
