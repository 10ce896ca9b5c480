"""The ways to an answer, quickest first; all give the same islands.

pieces: a condition on states alone, out of the catalog; frames: any, out of the sorties' Parquet files. Sorties whose states or extents leave the condition no chance are not read at all.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import duckdb
import numpy as np
import pyarrow as pa

from ..shared.errors import ConditionError, StoreError
from ..shared.vocabulary import STATES
from .columns import Columns, append_tables, arrow_table, row_count, take_rows
from .condition import CLOCK_NAMES, Condition
from .connection import connect_memory
from .guarded import check_files, limit_time, shut_in
from .holdings import Holdings, can_match
from .islands import (
    Measures,
    Scan,
    gather_from_pieces,
    gather_islands,
    measure_islands,
    no_islands,
)
from .narrowing import Fences
from .pieces import MAIN_CHANNELS
from .places import frame_file

ROUTES = ("pieces", "frames")
RULED_OUT = "ruled out"
TIME_LIMIT_S = 600.0
_FEWEST_FILES = 8  # fewer are not worth a part of their own


@dataclass(frozen=True, slots=True, eq=False)
class Search:
    """What is looked for and where: a judged condition, the sorties that can be asked and those left out, what is
    measured, the fences, the catalog's holdings and pieces, and the routes that may be taken."""

    programme: Path
    asked: Condition
    sorties: tuple[str, ...]
    left_out: Mapping[str, str]
    measures: Measures
    fences: Fences
    holdings: Holdings
    pieces: pa.Table | None
    routes: tuple[str, ...] = ROUTES


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """islands: `measured` tells whether a line has its sums; taken: route -> how many sorties went it."""

    islands: Columns
    taken: Mapping[str, int]


def search(connection: duckdb.DuckDBPyConnection, wanted: Search) -> Found:
    """The islands of every sortie, each by its quickest route. The connection has judged the condition; from here on it
    sees the files it needs and no other. Raises ConditionError, StoreError."""
    if wanted.pieces is not None:
        connection.register("piece", wanted.pieces)
    shares = _share(connection, wanted)
    files = [frame_file(wanted.programme, one) for one in shares["frames"]]
    check_files(files)
    shut_in(connection, files)
    with _guard(connection):
        found = [
            _from_pieces(connection, wanted, shares["pieces"]),
            _from_frames(connection, wanted, shares["frames"], files),
        ]
    found = [one for one in found if row_count(one)] or [_told(no_islands(), measured=True)]
    return Found(append_tables(found), {name: len(some) for name, some in shares.items() if some})


def measure(wanted: Search, islands: Columns) -> Columns:
    """Islands with the sums of those that were found without, read from the frames of their sorties."""
    bare = np.flatnonzero(~islands["measured"].astype(bool))
    if not len(bare):
        return islands
    lines = {name: islands[name][bare] for name in ("sortie", "first", "last")}
    sorties = list(dict.fromkeys(lines["sortie"].tolist()))
    known = _held(wanted, sorties)
    measures = replace(wanted.measures, channels=tuple(c for c in wanted.measures.channels if c in known))
    connection = connect_memory()
    try:
        connection.register("island", arrow_table({**lines, "number": bare}))
        files = [frame_file(wanted.programme, one) for one in sorties]
        check_files(files)
        shut_in(connection, files)
        with _guard(connection):
            source = _parquet(wanted, sorties, measures.channels)
            measured = measure_islands(connection, source, [[str(file) for file in files]], measures)
    finally:
        connection.close()
    return _filled_in(islands, measured)


def _filled_in(islands: Columns, measured: Columns) -> Columns:
    """The sums in the rows they were measured for (`number`), beside those that were there."""
    sums = append_tables([islands, {name: column for name, column in measured.items() if name != "number"}])
    rows = np.arange(row_count(islands))
    rows[measured["number"]] = len(rows) + np.arange(row_count(measured))
    return {name: column[rows] if ":" in name else islands[name] for name, column in sums.items()}


def _told(islands: Columns, *, measured: bool) -> Columns:
    """Islands with the word whether they have their sums."""
    return {**islands, "measured": np.full(row_count(islands), measured)}


def _share(connection: duckdb.DuckDBPyConnection, wanted: Search) -> dict[str, list[str]]:
    """Route -> its sorties, each in one."""
    alive = _alive(connection, wanted)
    by_pieces = "pieces" in wanted.routes and wanted.asked.asks_states_alone and not wanted.fences.spans
    shares: dict[str, list[str]] = {name: [] for name in (*ROUTES, RULED_OUT)}
    for sortie in wanted.sorties:
        if by_pieces and sortie in wanted.holdings.cut:
            shares["pieces"].append(sortie)
        elif sortie not in alive:
            shares[RULED_OUT].append(sortie)
        else:
            shares["frames"].append(sortie)
    return shares


def _alive(connection: duckdb.DuckDBPyConnection, wanted: Search) -> set[str]:
    """The sorties in which the condition has a chance."""
    alive = {one for one in wanted.sorties if can_match(wanted.asked, wanted.holdings.channels[one])}
    if wanted.fences.holders is not None:
        alive &= wanted.fences.holders
    if wanted.asked.state_sql is not None and wanted.pieces is not None:
        rows = connection.execute(f"SELECT DISTINCT sortie FROM piece WHERE {wanted.asked.state_sql}").fetchall()
        alive &= {str(row[0]) for row in rows} | (alive - wanted.holdings.cut)
    return alive


def _from_pieces(connection: duckdb.DuckDBPyConnection, wanted: Search, sorties: list[str]) -> Columns:
    if not sorties:
        return no_islands()
    words = [name for name in wanted.measures.channels if name in STATES]
    numbers = [name for name in wanted.measures.channels if name not in STATES]
    measured = not wanted.measures.chosen and set(numbers) <= set(MAIN_CHANNELS)
    islands = gather_from_pieces(connection, wanted.asked.sql, words if measured else (), numbers if measured else ())
    wanted_here = set(sorties)
    if len(wanted_here) < len(wanted.holdings.starts):
        islands = take_rows(islands, np.array([one in wanted_here for one in islands["sortie"].tolist()], dtype=bool))
    return _told(islands, measured=measured)


def _from_frames(
    connection: duckdb.DuckDBPyConnection, wanted: Search, sorties: list[str], files: Sequence[Path]
) -> Columns:
    if not sorties:
        return no_islands()
    known = _held(wanted, sorties)
    channels = tuple(name for name in wanted.measures.channels if name in known)
    scan = Scan(
        source=_parquet(wanted, sorties, (*_asked_columns(wanted), *channels)),
        values=_parts(connection, [str(file) for file in files]),
        condition=wanted.asked.sql,
        measures=replace(wanted.measures, channels=channels, words=_words(wanted)),
        spans=_register_spans(connection, wanted),
    )
    return _told(gather_islands(connection, scan), measured=True)


def _words(wanted: Search) -> dict[str, tuple[str, ...]]:
    return {state: tuple(sorted(words)) for state, words in wanted.holdings.words.items()}


def _parts(connection: duckdb.DuckDBPyConnection, files: list[str]) -> tuple[list[str], ...]:
    """The files in one part for every thread; few files stay together."""
    threads = int(connection.execute("SELECT current_setting('threads')").fetchall()[0][0])
    size = max(-(-len(files) // threads), _FEWEST_FILES)
    return tuple(files[start : start + size] for start in range(0, len(files), size))


def _register_spans(connection: duckdb.DuckDBPyConnection, wanted: Search) -> tuple[str, ...]:
    """Tables of the spans rows must lie in."""
    tables = tuple(f"spans_{number}" for number in range(len(wanted.fences.spans)))
    for table, spans in zip(tables, wanted.fences.spans, strict=True):
        connection.register(table, arrow_table(spans))
    return tables


def _asked_columns(wanted: Search) -> tuple[str, ...]:
    return tuple(name for name in wanted.asked.channels if name not in CLOCK_NAMES)


def _held(wanted: Search, sorties: Iterable[str]) -> set[str]:
    return {channel for one in sorties for channel in wanted.holdings.channels[one]}


def _parquet(wanted: Search, sorties: Sequence[str], channels: Sequence[str]) -> str:
    """The frames as a FROM clause; DuckDB compares their columns first only where they differ."""
    alike = all(channel in wanted.holdings.channels[one] for one in sorties for channel in channels)
    return "read_parquet(?)" if alike else "read_parquet(?, union_by_name = true)"


@contextmanager
def _guard(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Time and memory within limits; what goes wrong is said in the terms of the question."""
    try:
        with limit_time(connection, TIME_LIMIT_S):
            yield
    except (duckdb.ConversionException, duckdb.OutOfRangeException) as error:
        raise ConditionError("the condition cannot be evaluated", found=str(error).splitlines()[0]) from None
    except duckdb.Error as error:
        raise StoreError(
            "the sorties' frames cannot be read",
            found=str(error).splitlines()[0],
            do="run `trimshot rebuild`",
        ) from error
