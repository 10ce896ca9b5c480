"""Any condition over the samples of all sorties: the stretches where it holds.

    find "flap >= deg(20) AND gear = 'down' AND vertical_speed < fpm(-500)"

Names are the channels (numbers, SI: write values with unit functions, `kt(95)`) and the states
gear, flap, power, propulsion, phase (words: `'down'`). `flap` compared with a number means the
flap angle. A missing sample makes a comparison neither true nor false: the row is not held.

A stretch is a run of rows of one sortie where the condition holds; it ends one step after its
last row. Stretches not more than `join_s` apart become one (never across a data gap), then those
shorter than `at_least_s` are left out. Sorties that cannot be asked are listed with the reason.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pandas as pd

from ..shared.errors import ConditionError, StoreError
from ..shared.settings import load_settings
from ..shared.vocabulary import STATES, meaning_of, unit_of_channel
from .commit import check_sorties
from .condition import CLOCK_NAMES, Condition, is_word_channel, parse_condition
from .connection import connect_memory, open_catalog
from .islands import Scan, gather_islands, join_islands
from .places import SETTINGS, frame_file, wait_for_file

# means of these are given for every stretch, besides those of the channels the condition names
MAIN_CHANNELS: tuple[str, ...] = (
    "calibrated_airspeed",
    "pressure_altitude",
    "pressure_altitude_rate",
    "engine_speed",
)
TIME_LIMIT_S = 600.0


@dataclass(frozen=True, slots=True, eq=False)
class FindResult:
    """The answer to a condition.

    frame: one row per stretch in time order: sortie, start_utc, stop_utc, start_s, stop_s,
    duration_s, rows (those where the condition holds), then per main or named channel the mean
    over those rows, SI (`frame.attrs["units"]`); for words all that occurred, 'full/half'.
    considered: sorties whose samples were examined, in time order; left_out: sortie -> why it was not.
    condition_sql: the condition as it was understood. notes: what may make the answer surprising.
    """

    frame: pd.DataFrame
    considered: tuple[str, ...]
    left_out: Mapping[str, str]
    condition_sql: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Holdings:
    """What the catalog knows of the frames: sortie -> start, sortie -> {channel: valid rows}, state words."""

    starts: Mapping[str, pd.Timestamp]
    valid: Mapping[str, Mapping[str, int]]
    words: Mapping[str, frozenset[str]]


def find(
    programme: Path, condition: str, at_least_s: float = 0.0, *, join_s: float = 0.0, sortie: str | None = None
) -> FindResult:
    """Stretches where the condition holds, over all sorties or one. Raises ConditionError, StoreError."""
    for name, value in (("the shortest stretch", at_least_s), ("the joined gap", join_s)):
        if not 0 <= value < 1e9:
            raise ConditionError(f"{name} is not a length of time", found=str(value), allowed="0 s or more")
    connection = connect_memory()
    try:
        asked = parse_condition(connection, condition)
        holdings = _read_holdings(programme, sortie, [*MAIN_CHANNELS, *asked.channels])
        left_out = _leave_out(programme, asked, holdings)
        considered = [one for one in holdings.starts if one not in left_out]
        islands = _search(connection, _plan_scan(programme, asked, considered, holdings))
    finally:
        connection.close()
    stretches = join_islands(islands, join_s)
    stretches = stretches[stretches["stop_s"] - stretches["start_s"] >= at_least_s - 1e-6]
    frame = _finish(stretches, holdings, asked)
    return FindResult(frame, tuple(considered), left_out, asked.sql, _notes(asked, holdings))


def _read_holdings(programme: Path, sortie: str | None, channels: list[str]) -> _Holdings:
    with open_catalog(programme) as connection:
        if sortie is not None:
            check_sorties(connection, [sortie])
        starts = connection.execute(
            "SELECT sortie, start_utc FROM sortie WHERE (? IS NULL OR sortie = ?) ORDER BY start_utc, sortie",
            [sortie, sortie],
        ).df()
        held = connection.execute(
            "SELECT sortie, channel, valid FROM channel "
            "WHERE track = 'frame' AND list_contains(?, channel) AND (? IS NULL OR sortie = ?)",
            [channels, sortie, sortie],
        ).fetchall()
        words = connection.execute("SELECT DISTINCT channel, value FROM run").fetchall()
    valid: dict[str, dict[str, int]] = {name: {} for name in starts["sortie"]}
    for name, channel, count in held:
        valid[name][channel] = count
    by_state = {state: frozenset(value for channel, value in words if channel == state) for state in STATES}
    return _Holdings(dict(zip(starts["sortie"], starts["start_utc"], strict=True)), valid, by_state)


def _leave_out(programme: Path, asked: Condition, holdings: _Holdings) -> dict[str, str]:
    left_out = {}
    flap = _no_flap_angle(programme) if "flap_angle" in asked.channels else ""
    for sortie in holdings.starts:
        valid = holdings.valid[sortie]
        named = [channel for channel in asked.channels if channel not in CLOCK_NAMES]
        reasons = [_reason(channel, valid, asked, flap) for channel in named if not valid.get(channel)]
        reasons = [reason for reason in reasons if reason]
        if reasons:
            left_out[sortie] = "; ".join(reasons)
    return left_out


def _no_flap_angle(programme: Path) -> str:
    if any(one.angle is not None for one in load_settings(programme / SETTINGS).aircraft.flap_settings):
        return "the flap angle is not known (no flap was recorded, or the angles were named after the add: rebuild)"
    return "flap angles are not named in settings.toml (name them under flap_settings, then rebuild)"


def _reason(channel: str, valid: Mapping[str, int], asked: Condition, flap: str) -> str:
    if channel == "flap_angle":
        return flap
    if channel in STATES:
        return "" if "unknown" in asked.words.get(channel, ()) else f"{channel} is unknown throughout"
    return f"{channel} has no value" if channel in valid else f"{channel} is not recorded"


def _plan_scan(programme: Path, asked: Condition, considered: list[str], holdings: _Holdings) -> Scan:
    held = {channel for one in considered for channel in holdings.valid[one]}
    named = [channel for channel in asked.channels if channel not in CLOCK_NAMES]
    channels = [channel for channel in dict.fromkeys((*MAIN_CHANNELS, *named)) if channel in held]
    return Scan(
        condition=asked.sql,
        files=tuple(str(frame_file(programme, one)) for one in considered),
        channels=tuple(channels),
        alike=all(channel in holdings.valid[one] for one in considered for channel in channels),
    )


def _search(connection: duckdb.DuckDBPyConnection, scan: Scan) -> pd.DataFrame:
    """Runs of rows, one line each, not yet joined. The connection sees these files and nothing else."""
    missing = [file for file in scan.files if not wait_for_file(Path(file))]
    if missing:
        raise StoreError("a sortie's frame is missing", where=missing[0], do="run `trimshot rebuild`")
    connection.execute("SET temp_directory = ''")
    connection.execute("SET allowed_paths = ?", [list(scan.files)])
    connection.execute("SET enable_external_access = false")
    connection.execute("SET lock_configuration = true")
    timer = threading.Timer(TIME_LIMIT_S, connection.interrupt)
    timer.start()
    try:
        return gather_islands(connection, scan)
    except duckdb.InterruptException:
        raise ConditionError(f"the question took more than {TIME_LIMIT_S:g} s and was ended") from None
    except (duckdb.ConversionException, duckdb.OutOfRangeException) as error:
        raise ConditionError("the condition cannot be evaluated", found=str(error).splitlines()[0]) from None
    except duckdb.OutOfMemoryException:
        raise ConditionError("the question needs too much memory", do="ask for one sortie at a time") from None
    except duckdb.Error as error:
        raise StoreError(
            "the sorties' frames cannot be read",
            found=str(error).splitlines()[0],
            do="run `trimshot rebuild`",
        ) from error
    finally:
        timer.cancel()


def _finish(stretches: pd.DataFrame, holdings: _Holdings, asked: Condition) -> pd.DataFrame:
    named = [channel for channel in asked.channels if channel not in CLOCK_NAMES]
    channels = list(dict.fromkeys((*MAIN_CHANNELS, *named)))
    start = pd.to_datetime(stretches["sortie"].map(holdings.starts), utc=True).astype("datetime64[us, UTC]")
    microseconds = {name: (stretches[name] * 1e6).round().astype("int64") for name in ("start_s", "stop_s")}
    frame = pd.DataFrame(
        {
            "sortie": stretches["sortie"].astype("str"),
            "start_utc": start + pd.to_timedelta(microseconds["start_s"], unit="us"),
            "stop_utc": start + pd.to_timedelta(microseconds["stop_s"], unit="us"),
            "start_s": stretches["start_s"],
            "stop_s": stretches["stop_s"],
            "duration_s": stretches["stop_s"] - stretches["start_s"],
            "rows": stretches["rows"].astype("int64"),
        }
    )
    for channel in channels:
        absent: object = None if is_word_channel(channel) else float("nan")
        frame[channel] = stretches.get(channel, absent)
    frame = frame.sort_values(["start_utc", "sortie"], kind="stable", ignore_index=True)
    units = {channel: unit_of_channel(channel) for channel in channels if meaning_of(channel)}
    seconds = {"start_s": "s", "stop_s": "s", "duration_s": "s"}
    frame.attrs["units"] = {**seconds, **{channel: unit for channel, unit in units.items() if unit}}
    return frame


def _notes(asked: Condition, holdings: _Holdings) -> tuple[str, ...]:
    """A word no sortie ever has is most likely misspelled; an empty answer would hide it."""
    notes = []
    for channel, words in asked.words.items():
        there = holdings.words.get(channel, frozenset())
        for word in sorted(words - there - {"unknown"}):
            found = ", ".join(sorted(there)) or "none"
            notes.append(f"no sortie has {channel} {word!r}; found: {found}")
    return tuple(notes)
