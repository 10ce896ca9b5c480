"""The samples of many stretches at once: rows with a margin, or a summary of each, out of the sorties' frames.

Whatever the number of stretches, it is one DuckDB query over the frames of the sorties they lie in,
and only the columns asked for are read.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pyarrow as pa

from ..shared.errors import ChannelError, ConditionError, StoreError
from ..shared.late import pandas as pd
from ..shared.vocabulary import meaning_of, unit_of_channel
from .condition import is_word_channel
from .connection import connect_memory, open_catalog
from .guarded import check_files, limit_time, shut_in
from .places import frame_file
from .quoting import quote_name

MOST_VALUES = 200_000_000  # rows times channels in memory at once
TIME_LIMIT_S = 600.0
_CLOCK = ("stretch", "sortie", "time_utc", "t", "gap", "inside")


@dataclass(frozen=True, slots=True, eq=False)
class FetchResult:
    """Samples of stretches.

    frame: rows in order of stretch and time: stretch (its number), sortie, time_utc, t (seconds since
    the sortie's start), gap (counts the data gaps before the row), inside (false in the margin), then
    the channels, SI (`frame.attrs["units"]`). stretches: number, sortie, start_utc, stop_utc,
    start_s, stop_s, duration_s of each. missing: channel -> sorties concerned that do not have it.
    considered, left_out: as in FindResult; empty for points and stretches named by the caller.
    """

    frame: pd.DataFrame
    stretches: pd.DataFrame
    missing: Mapping[str, tuple[str, ...]]
    considered: tuple[str, ...] = ()
    left_out: Mapping[str, str] | None = None


@dataclass(frozen=True, slots=True)
class _Plan:
    """What is read: stretches with their margins, files of the sorties concerned, channels each holds."""

    stretches: pd.DataFrame
    files: tuple[Path, ...]
    channels: tuple[str, ...]
    alike: bool
    missing: Mapping[str, tuple[str, ...]]


def fetch_rows(
    programme: Path, stretches: pd.DataFrame, channels: Sequence[str], *, margin_s: float = 0.0
) -> FetchResult:
    """The rows of every stretch (columns sortie, start_s, stop_s), and of `margin_s` before and after it.

    Raises ChannelError for a channel no sortie concerned has, ConditionError when it would be too much.
    """
    if not 0 <= margin_s < 1e9:
        raise ConditionError("the margin is not a length of time", found=str(margin_s), allowed="0 s or more")
    plan = _plan(programme, stretches, channels, margin_s)
    values = "".join(f", f.{quote_name(name)}" for name in plan.channels)
    sql = f"""
    SELECT s.stretch, s.sortie, s.zero_us + CAST(round(f.t * 1e6) AS BIGINT) AS time_utc, f.t, f.gap,
        f.t >= s.start_s AND f.t < s.stop_s AS inside{values}
    FROM {_source(plan)} AS f JOIN stretch AS s ON f.sortie = s.sortie AND f.t >= s.low_s AND f.t < s.high_s
    WHERE f.t >= ? AND f.t < ? ORDER BY s.stretch, f.i
    """
    frame = _run(plan, sql, _CLOCK)
    frame["time_utc"] = pd.to_datetime(frame["time_utc"], unit="us", utc=True).astype("datetime64[us, UTC]")
    for name in channels:
        if name not in frame.columns:
            frame[name] = None if is_word_channel(name) else float("nan")
    frame = frame[[*_CLOCK, *dict.fromkeys(channels)]]
    frame.attrs["units"] = {"t": "s", **_units(channels)}
    return FetchResult(frame, _told(plan), plan.missing)


def summarise(programme: Path, stretches: pd.DataFrame, channels: Sequence[str]) -> FetchResult:
    """One row per stretch: number, sortie, times, rows, then per channel mean, deviation (standard), low, high, first
    and last value as `<channel>__mean` and so on, SI; of words the most frequent, first and last.

    A circular channel has a circular mean and no low, high, deviation.
    """
    plan = _plan(programme, stretches, channels, 0.0)
    values = "".join(f", {part}" for name in plan.channels for part in _summary(name))
    sql = f"""
    SELECT s.stretch, count(*) AS rows{values}
    FROM {_source(plan)} AS f JOIN stretch AS s ON f.sortie = s.sortie AND f.t >= s.low_s AND f.t < s.high_s
    WHERE f.t >= ? AND f.t < ? GROUP BY s.stretch ORDER BY s.stretch
    """
    found = _run(plan, sql, ("stretch", "rows"))
    told = _told(plan)
    frame = told.merge(found, how="left", on="stretch")
    frame["rows"] = frame["rows"].fillna(0).astype("int64")
    units = _units(channels)
    frame.attrs["units"] = dict.fromkeys(("start_s", "stop_s", "duration_s"), "s") | {
        column: units[column.split("__")[0]] for column in found.columns if column.split("__")[0] in units
    }
    return FetchResult(frame, told, plan.missing)


def channels_of(found: pd.DataFrame) -> tuple[str, ...]:
    """The channels a frame of stretches gives the means of, those without any value left out."""
    names = [str(name) for name in found.columns if meaning_of(str(name)) is not None]
    return tuple(name for name in names if found[name].notna().any())


def _summary(channel: str) -> list[str]:
    column = f"f.{quote_name(channel)}"
    entry = meaning_of(channel)
    if is_word_channel(channel):
        parts = {"mode": f"mode({column})"}
    elif entry is not None and entry.reduction == "circular":
        turns = f"radians({column})" if entry.unit == "deg" else column
        mean = f"atan2(sum(sin({turns})), sum(cos({turns})))"
        parts = {"mean": f"degrees({mean})" if entry.unit == "deg" else f"({mean} + 2 * pi()) % (2 * pi())"}
    else:
        parts = {
            "mean": f"avg({column})",
            "deviation": f"stddev_samp({column})",
            "low": f"min({column})",
            "high": f"max({column})",
        }
    # rows without a value are not the first or last that was recorded
    parts["first"] = f"arg_min({column}, f.i)"
    parts["last"] = f"arg_max({column}, f.i)"
    return [f"{sql} AS {quote_name(f'{channel}__{name}')}" for name, sql in parts.items()]


def _plan(programme: Path, stretches: pd.DataFrame, channels: Sequence[str], margin_s: float) -> _Plan:
    if not channels and len(stretches):
        raise ChannelError("no channel is named", do="name some: --channels calibrated_airspeed,pitch")
    sorties = list(dict.fromkeys(str(name) for name in stretches["sortie"]))
    with open_catalog(programme) as connection:
        starts, rate = _starts(connection, sorties)
        held = _held(connection, sorties, channels)
        _check_known(connection, [name for name in channels if not held[name]])
    known = [name for name in held if held[name]]
    missing = {
        name: tuple(one for one in sorties if one not in held[name]) for name in held if len(held[name]) < len(sorties)
    }
    numbered = _number(stretches, starts, margin_s)
    rows = sum((one.high_s - one.low_s) * rate.get(one.sortie, 0.0) for one in numbered.itertuples())
    if rows * (len(known) + 3) > MOST_VALUES:
        raise ConditionError(
            "that is too much to hold at once",
            found=f"about {rows:,.0f} rows of {len(known)} channels",
            do="ask for fewer sorties or channels, or a summary of each stretch",
        )
    files = tuple(frame_file(programme, one) for one in sorties)
    alike = all(len(held[name]) == len(sorties) for name in known)
    return _Plan(numbered, files, tuple(known), alike, missing)


def _starts(connection: duckdb.DuckDBPyConnection, sorties: list[str]) -> tuple[dict[str, int], dict[str, float]]:
    """Start of each sortie, microseconds since 1970, and rows of its frame per second."""
    found = connection.execute(
        "SELECT sortie, epoch_us(start_utc), frame_rows / greatest(epoch(stop_utc - start_utc), 1) FROM sortie "
        "WHERE list_contains(?, sortie)",
        [sorties],
    ).fetchall()
    starts = {str(name): int(zero) for name, zero, _ in found}
    gone = [name for name in sorties if name not in starts]
    if gone:
        raise StoreError("a sortie of these stretches is not in the programme", found=repr(gone[0]))
    return starts, {str(name): float(rate or 0.0) for name, _, rate in found}


def _held(
    connection: duckdb.DuckDBPyConnection, sorties: list[str], channels: Sequence[str]
) -> dict[str, frozenset[str]]:
    """Channel -> those of the sorties whose frame has it."""
    found = connection.execute(
        "SELECT channel, sortie FROM channel WHERE track = 'frame' AND list_contains(?, channel) AND list_contains(?, sortie)",
        [list(channels), sorties],
    ).fetchall()
    return {name: frozenset(str(sortie) for channel, sortie in found if channel == name) for name in channels}


def _check_known(connection: duckdb.DuckDBPyConnection, channels: Sequence[str]) -> None:
    """Raise ChannelError for the first channel that no frame of the programme has."""
    if not channels:
        return
    rows = connection.execute("SELECT DISTINCT channel FROM channel WHERE track = 'frame' ORDER BY 1").fetchall()
    known = [str(row[0]) for row in rows]
    for name in channels:
        if name not in known:
            near = difflib.get_close_matches(name, known, n=4, cutoff=0.5)
            raise ChannelError(
                "no sortie has such a channel on the common clock",
                found=repr(name),
                allowed=", ".join(near or known) or "none: the programme is empty",
            )


def _number(stretches: pd.DataFrame, starts: Mapping[str, int], margin_s: float) -> pd.DataFrame:
    start, stop = stretches["start_s"].astype("float64"), stretches["stop_s"].astype("float64")
    sorties = stretches["sortie"].astype("str")
    return pd.DataFrame(
        {
            "stretch": range(1, len(stretches) + 1),
            "sortie": sorties.to_numpy(),
            "start_s": start.to_numpy(),
            "stop_s": stop.to_numpy(),
            "low_s": start.to_numpy() - margin_s,
            "high_s": stop.to_numpy() + margin_s,
            "zero_us": [starts[name] for name in sorties],
        }
    )


def _source(plan: _Plan) -> str:
    return "read_parquet(?)" if plan.alike else "read_parquet(?, union_by_name = true)"


_STRETCH = pa.schema(
    [
        ("stretch", pa.int64()),
        ("sortie", pa.string()),
        ("start_s", pa.float64()),
        ("stop_s", pa.float64()),
        ("low_s", pa.float64()),
        ("high_s", pa.float64()),
        ("zero_us", pa.int64()),
    ]
)


def _run(plan: _Plan, sql: str, columns: Sequence[str]) -> pd.DataFrame:
    files = [str(file) for file in plan.files]
    if not files:
        return pd.DataFrame({name: pd.Series([], dtype="int64") for name in columns})
    low, high = float(plan.stretches["low_s"].min()), float(plan.stretches["high_s"].max())
    connection = connect_memory()
    try:
        table = pa.Table.from_pandas(plan.stretches, schema=_STRETCH, preserve_index=False)
        connection.register("stretch", table)
        check_files(plan.files)
        shut_in(connection, plan.files)
        with limit_time(connection, TIME_LIMIT_S):
            # the outermost limits are constants: with one stretch they let DuckDB skip what lies outside
            frame: pd.DataFrame = connection.execute(sql, [files, low, high]).df()
        return frame
    except duckdb.Error as error:
        raise StoreError(
            "the sorties' frames cannot be read", found=str(error).splitlines()[0], do="run `trimshot rebuild`"
        ) from error
    finally:
        connection.close()


def _told(plan: _Plan) -> pd.DataFrame:
    some = plan.stretches
    frame = some[["stretch", "sortie", "start_s", "stop_s"]].copy()
    for place, name in enumerate(("start_s", "stop_s"), 2):
        microseconds = some["zero_us"] + (some[name] * 1e6).round().astype("int64")
        moments = pd.to_datetime(microseconds, unit="us", utc=True).astype("datetime64[us, UTC]")
        frame.insert(place, name.replace("_s", "_utc"), moments)
    frame["duration_s"] = some["stop_s"] - some["start_s"]
    frame.attrs["units"] = {"start_s": "s", "stop_s": "s", "duration_s": "s"}
    return frame


def _units(channels: Sequence[str]) -> dict[str, str]:
    return {name: unit for name in channels if (unit := unit_of_channel(name))}
