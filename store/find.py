"""Any condition over the samples of all sorties: the stretches where it holds.

    find "flap >= deg(20) AND gear = 'down' AND vertical_speed < fpm(-500)"

Names are the channels (numbers, SI: write values with unit functions, `kt(95)`) and the states
gear, flap, power, propulsion, phase (words: `'down'`). `flap` compared with a number means the
flap angle. A missing sample makes a comparison neither true nor false: the row is not held.

A stretch is a run of rows of one sortie where the condition holds; it ends one step after its
last row. Stretches not more than `join_s` apart become one (never across a data gap), then those
shorter than `at_least_s` are left out, then those not near the events asked for. Sorties that
cannot be asked are listed with the reason.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import duckdb
import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from ..shared.errors import ChannelError, ConditionError
from ..shared.late import pandas as pd
from ..shared.vocabulary import STATES, meaning_of, unit_of_channel
from .columns import Columns, sorted_order, take_rows
from .condition import CLOCK_NAMES, Condition, is_word_channel, parse_condition
from .connection import connect_memory, open_catalog
from .holdings import Holdings, leave_out, read_holdings
from .islands import Measures, group_islands, is_circular, span_stretches, sum_up
from .narrowing import Narrowing, event_columns, near_events, read_fences
from .pieces import MAIN_CHANNELS
from .routes import ROUTES, Search, measure, search
from .written_units import bare_number_note

ALL = Narrowing()
TIMES = ("start_utc", "stop_utc")


@dataclass(frozen=True, eq=False)
class FindResult:
    """The answer to a condition.

    columns: one row per stretch in time order: sortie, start_utc, stop_utc, start_s, stop_s,
    duration_s, rows (those where the condition holds), `after_<kind>_s` and `before_<kind>_s` when asked near
    events, then per main (or chosen) and named channel the mean over those rows, SI
    (`units`), for words all that occurred, 'full/half'; of chosen channels also `<channel>__low`,
    `__high` (not of headings and other angles that start anew), `__first` and `__last`.
    considered: sorties that were examined, in time order; left_out: sortie -> why it was not.
    condition_sql: the condition as it was understood. notes: what may make the answer surprising.
    routes: how many of the sorties considered were answered from pieces (states alone), from
    frames, and how many were ruled out by what the catalog says of them.
    """

    columns: Columns
    units: Mapping[str, str]
    considered: tuple[str, ...]
    left_out: Mapping[str, str]
    condition_sql: str
    notes: tuple[str, ...] = ()
    routes: Mapping[str, int] = field(default_factory=dict)

    @cached_property
    def frame(self) -> pd.DataFrame:
        """The columns as a frame, times aware (UTC), with `attrs["units"]`."""
        cells = {name: pd.Series(column) for name, column in self.columns.items()}
        for name in TIMES:
            cells[name] = cells[name].dt.tz_localize("UTC")
        frame = pd.DataFrame(cells).astype({"sortie": "str"})
        frame.attrs["units"] = dict(self.units)
        return frame


def find(
    programme: Path,
    condition: str,
    at_least_s: float = 0.0,
    *,
    join_s: float = 0.0,
    sortie: str | Sequence[str] | None = None,
    narrowed: Narrowing = ALL,
    channels: Sequence[str] = (),
    routes: tuple[str, ...] = ROUTES,
) -> FindResult:
    """Stretches where the condition holds, over all sorties, one or several.

    narrowed: only inside what was found, only near events. channels: measured in place of the main ones. routes: the
    ways that may be taken; the answer does not depend on them. Raises ConditionError, ChannelError, StoreError.
    """
    _check_lengths(at_least_s, join_s)
    connection = connect_memory()
    try:
        asked = parse_condition(connection, condition)
        measures = _measures(asked, channels)
        wanted = _look_up(programme, asked, measures, sortie=sortie, narrowed=narrowed, routes=routes)
        _check_channels(wanted)
        found = search(connection, wanted)
    finally:
        connection.close()
    islands = group_islands(found.islands, join_s)
    stretches = span_stretches(islands)
    stretches = take_rows(stretches, stretches["stop_s"] - stretches["start_s"] >= at_least_s - 1e-6)
    stretches = near_events(stretches, wanted.fences)
    islands = measure(wanted, take_rows(islands, np.isin(islands["stretch"], stretches["stretch"])))
    columns, units = _finish({**stretches, **sum_up(islands)}, wanted)
    notes = (*_notes(asked, wanted.holdings), *wanted.fences.notes)
    return FindResult(columns, units, wanted.sorties, wanted.left_out, asked.sql, notes, found.taken)


def _check_lengths(at_least_s: float, join_s: float) -> None:
    for name, value in (("the shortest stretch", at_least_s), ("the joined gap", join_s)):
        if not 0 <= value < 1e9:
            raise ConditionError(f"{name} is not a length of time", found=str(value), allowed="0 s or more")


def _measures(asked: Condition, channels: Sequence[str]) -> Measures:
    chosen = [name.strip().lower() for name in channels]
    for name in chosen:
        if meaning_of(name) is None:
            raise ChannelError("unknown channel", found=repr(name), do="see `trimshot channels`")
    named = [channel for channel in asked.channels if channel not in CLOCK_NAMES]
    return Measures(tuple(dict.fromkeys((*(chosen or MAIN_CHANNELS), *named))), frozenset(chosen))


def _look_up(
    programme: Path,
    asked: Condition,
    measures: Measures,
    *,
    sortie: str | Sequence[str] | None,
    narrowed: Narrowing,
    routes: tuple[str, ...],
) -> Search:
    """Everything the catalog says, from one opening of it."""
    sorties = [sortie] if isinstance(sortie, str) else list(dict.fromkeys(sortie or ()))
    with open_catalog(programme) as connection:
        holdings = read_holdings(connection, sorties, [*measures.channels, *asked.channels])
        fences = read_fences(connection, narrowed)
        pieces = _read_pieces(connection, asked, sorties, whole="pieces" in routes)
    left_out = leave_out(programme, asked, holdings)
    considered = tuple(one for one in holdings.starts if one not in left_out)
    return Search(programme, asked, considered, left_out, measures, fences, holdings, pieces, routes)


def _read_pieces(
    connection: duckdb.DuckDBPyConnection, asked: Condition, sorties: Sequence[str], *, whole: bool
) -> pa.Table | None:
    """The pieces, where they are of use: all that an answer from them needs, or the words that rule sorties out."""
    states = [name for name in asked.channels if name in STATES]
    columns = ["sortie", *states]
    if whole and asked.asks_states_alone:
        sums = [f"{channel}_{part}" for channel in MAIN_CHANNELS for part in ("sum", "rows")]
        columns += ["number", "gap", "first_row", "last_row", "start_s", "stop_s", *sums]
    elif asked.state_sql is None:
        return None
    distinct = "" if "number" in columns else "DISTINCT "
    wanted = list(sorties) or None
    sql = f"SELECT {distinct}{', '.join(columns)} FROM piece WHERE (? IS NULL OR list_contains(?, sortie))"
    return connection.sql(sql, params=[wanted, wanted]).to_arrow_table()


def _check_channels(wanted: Search) -> None:
    """Raise ChannelError for a chosen channel that no sortie has."""
    held = {channel for some in wanted.holdings.channels.values() for channel in some}
    for name in sorted(wanted.measures.chosen - held):
        if wanted.holdings.starts:
            near = difflib.get_close_matches(name, sorted(held), n=4, cutoff=0.5)
            raise ChannelError(
                "no sortie has such a channel on the common clock",
                found=repr(name),
                allowed=", ".join(near) or None,
                do="see `trimshot channels`",
            )


def _finish(stretches: Columns, wanted: Search) -> tuple[Columns, dict[str, str]]:
    """The answer's columns in their order, its rows in order of time, and the columns' units."""
    starts = wanted.holdings.starts
    start = np.array([starts[name] for name in stretches["sortie"].tolist()], dtype="datetime64[us]")
    events = event_columns(wanted.fences.narrowing)
    columns: Columns = {
        "sortie": stretches["sortie"],
        "start_utc": start + _microseconds(stretches["start_s"]),
        "stop_utc": start + _microseconds(stretches["stop_s"]),
        "start_s": stretches["start_s"],
        "stop_s": stretches["stop_s"],
        "duration_s": stretches["stop_s"] - stretches["start_s"],
        "rows": stretches["rows"].astype(np.int64),
        **{name: stretches[name] for name in events},
    }
    units = dict.fromkeys(("start_s", "stop_s", "duration_s", *events), "s")
    for column in _columns(wanted.measures):
        channel = column.partition("__")[0]
        absent = np.full(len(start), None) if is_word_channel(channel) else np.full(len(start), np.nan)
        columns[column] = stretches.get(column, absent)
        unit = unit_of_channel(channel)
        units |= {column: unit} if unit else {}
    return take_rows(columns, sorted_order(columns, ("start_utc", "sortie"))), units


def _microseconds(seconds: NDArray[np.float64]) -> NDArray[np.timedelta64]:
    return np.round(seconds * 1e6).astype(np.int64).astype("timedelta64[us]")


def _columns(measures: Measures) -> list[str]:
    """The columns of what was measured, in order."""
    columns = []
    for channel in measures.channels:
        columns.append(channel)
        if channel in measures.chosen:
            ordered = not is_word_channel(channel) and not is_circular(channel)
            parts = ("low", "high", "first", "last") if ordered else ("first", "last")
            columns += [f"{channel}__{part}" for part in parts]
    return columns


def _notes(asked: Condition, holdings: Holdings) -> tuple[str, ...]:
    """A word no sortie ever has is most likely misspelled, a number without a unit most likely meant in another; an
    empty answer would hide it."""
    notes = [note for bare in asked.bare if (note := bare_number_note(*bare))]
    for channel, words in asked.words.items():
        there = holdings.words.get(channel, frozenset())
        for word in sorted(words - there - {"unknown"}):
            found = ", ".join(sorted(there)) or "none"
            notes.append(f"no sortie has {channel} {word!r}; found: {found}")
    return tuple(notes)
