"""The programme's questions: one function each, its SQL beside it, values only as bound parameters.

Frames carry their units in `attrs["units"]` (column -> SI unit).
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..shared.errors import ChannelError, ConditionError, StoreError
from ..shared.late import pandas as pd
from ..shared.late import parquet as pq
from ..shared.parquet import read_track
from ..shared.vocabulary import STATES, unit_of_channel
from .commit import check_sorties
from .connection import open_catalog
from .places import frame_file, sortie_folder, wait_for_file
from .schema import TABLE
from .statistics_table import spread_statistics

# means of these stand beside every point
POINT_CHANNELS: tuple[str, ...] = (
    "calibrated_airspeed",
    "true_airspeed",
    "pressure_altitude",
    "sink_rate",
    "geometric_climb_rate",
    "pitch",
    "bank",
    "engine_speed",
    "manifold_pressure",
    "static_air_temperature",
    "mass",
)
CONFIG_KEYS = ("gear", "flap", "power", "propulsion")

_SECONDS = {"start_s": "s", "stop_s": "s", "time_s": "s", "duration_s": "s", "uncertainty_s": "s", "t": "s"}


def _moment(seconds: str, name: str) -> str:
    """SQL for a time in seconds of sortie row `s`, as a UTC time."""
    return f"s.start_utc + to_microseconds(CAST(round({seconds} * 1e6) AS BIGINT)) AS {name}"


_SORTIES = """
SELECT s.sortie, s.start_utc, s.stop_utc, epoch(s.stop_utc - s.start_utc) AS duration_s, s.aircraft,
    (SELECT count(*) FROM track AS x WHERE x.sortie = s.sortie) AS tracks,
    (SELECT count(*) FROM point AS x WHERE x.sortie = s.sortie AND x.accepted) AS points,
    (SELECT count(*) FROM point AS x WHERE x.sortie = s.sortie AND NOT x.accepted) AS refused,
    (SELECT count(*) FROM event AS x WHERE x.sortie = s.sortie) AS events,
    (SELECT count(*) FROM finding AS x WHERE x.sortie = s.sortie AND x.level = 'doubt') AS doubts,
    (SELECT count(*) FROM finding AS x WHERE x.sortie = s.sortie AND x.level = 'fault') AS faults,
    s.added_utc, s.settings_hash, s.settings_hash = ? AS settings_current, s.program
FROM sortie AS s ORDER BY s.start_utc, s.sortie
"""


def list_sorties(programme: Path, settings_hash: str) -> pd.DataFrame:
    """One row per sortie, in order of time."""
    return _ask(programme, _SORTIES, [settings_hash])


_CHANNELS = """
SELECT sortie, track, channel, unit, header, unit_as_written, samples, valid, low, high, step, derived_from
FROM channel WHERE (? IS NULL OR sortie = ?) ORDER BY sortie, track, channel
"""


def list_channels(programme: Path, sortie: str | None) -> pd.DataFrame:
    """One row per channel and track; low, high and step in the row's `unit`."""
    return _ask(programme, _CHANNELS, [sortie, sortie], sortie=sortie, json_columns=("derived_from",))


_POINTS = f"""
SELECT p.sortie, p.number, {_moment("p.start_s", "start_utc")}, {_moment("p.stop_s", "stop_utc")}, p.start_s, p.stop_s,
    p.stop_s - p.start_s AS duration_s, p.kind, p.gear, p.flap, p.power, p.propulsion, p.score, p.accepted, p.reasons,
    p.detector
FROM point AS p JOIN sortie AS s USING (sortie)
WHERE (? IS NULL OR p.sortie = ?) AND (p.accepted OR ?) AND (? IS NULL OR p.kind = ?)
    AND (? IS NULL OR p.gear = ?) AND (? IS NULL OR p.flap = ?)
    AND (? IS NULL OR p.power = ?) AND (? IS NULL OR p.propulsion = ?)
ORDER BY s.start_utc, p.sortie, p.start_s, p.number
"""


def list_points(
    programme: Path, sortie: str | None, config: Mapping[str, str] | None, *, refused: bool, kind: str | None
) -> pd.DataFrame:
    """Points in time order, with mean and standard error of the main channels."""
    config = dict(config or {})
    for key in config:
        if key not in CONFIG_KEYS:
            raise ConditionError("unknown part of a configuration", found=repr(key), allowed=", ".join(CONFIG_KEYS))
    wanted = [value for key in CONFIG_KEYS for value in (config.get(key), config.get(key))]
    values = [sortie, sortie, refused, kind, kind, *wanted]
    points = _ask(programme, _POINTS, values, sortie=sortie, json_columns=("reasons",))
    means = spread_statistics(programme, points, {"mean": "", "standard_error": "_error"}, POINT_CHANNELS)
    return _with_units(points.join(means))


_STATISTICS = """
SELECT t.sortie, t.number, p.accepted, t.channel, t.unit, t.mean, t.deviation, t.slope_per_s, t.standard_error,
    t.samples, t.low, t.high
FROM statistic AS t JOIN point AS p USING (sortie, number)
WHERE (? IS NULL OR t.sortie = ?) AND (? IS NULL OR t.number = ?) ORDER BY t.sortie, t.number, t.channel
"""


def list_statistics(programme: Path, sortie: str | None, number: int | None) -> pd.DataFrame:
    """Every channel over every point, in the row's `unit`."""
    return _ask(programme, _STATISTICS, [sortie, sortie, number, number], sortie=sortie)


_EVENTS = f"""
SELECT e.sortie, e.number, e.kind, {_moment("e.time_s", "time_utc")}, {_moment("e.stop_s", "stop_utc")},
    e.time_s, e.stop_s, e.uncertainty_s, e.channel, e.before, e.after, e.confidence, e.detector, e.facts
FROM event AS e JOIN sortie AS s USING (sortie)
WHERE (? IS NULL OR e.sortie = ?) AND (? IS NULL OR e.kind = ? OR starts_with(e.kind, ? || '_')) ORDER BY s.start_utc, e.sortie, e.time_s, e.number
"""


def list_events(programme: Path, sortie: str | None, kind: str | None) -> pd.DataFrame:
    """Events in time order, of one kind or of a family of kinds: 'gear' is gear_up and gear_down."""
    parsed = ("before", "after", "facts")
    return _ask(programme, _EVENTS, [sortie, sortie, kind, kind, kind], sortie=sortie, json_columns=parsed)


_MANOEUVRES = f"""
SELECT m.sortie, m.number, m.kind, {_moment("m.start_s", "start_utc")}, {_moment("m.stop_s", "stop_utc")},
    m.start_s, m.stop_s, m.stop_s - m.start_s AS duration_s, m.channels, m.confidence, m.detector, m.facts
FROM manoeuvre AS m JOIN sortie AS s USING (sortie)
WHERE (? IS NULL OR m.sortie = ?) AND (? IS NULL OR m.kind = ? OR starts_with(m.kind, ? || '_'))
ORDER BY s.start_utc, m.sortie, m.start_s, m.number
"""


def list_manoeuvres(programme: Path, sortie: str | None, kind: str | None) -> pd.DataFrame:
    """Manoeuvres in time order, of one kind or of a family of kinds: 'level' is level_acceleration and _deceleration."""
    parsed = ("channels", "facts")
    return _ask(programme, _MANOEUVRES, [sortie, sortie, kind, kind, kind], sortie=sortie, json_columns=parsed)


_FINDINGS = """
SELECT sortie, level, code, text, place, times, stage, start_s, stop_s, facts FROM finding
WHERE (? IS NULL OR sortie = ?)
ORDER BY CASE level WHEN 'fault' THEN 0 WHEN 'doubt' THEN 1 ELSE 2 END, sortie, number
"""


def list_findings(programme: Path, sortie: str | None) -> pd.DataFrame:
    """Findings, faults first, then doubts, then notes."""
    return _ask(programme, _FINDINGS, [sortie, sortie], sortie=sortie, json_columns=("facts",))


_STATES = f"""
SELECT r.sortie, r.channel, r.value, {_moment("r.start_s", "start_utc")}, {_moment("r.stop_s", "stop_utc")},
    r.start_s, r.stop_s, r.stop_s - r.start_s AS duration_s
FROM run AS r JOIN sortie AS s USING (sortie)
WHERE (? IS NULL OR r.sortie = ?) AND (? IS NULL OR r.channel = ?)
ORDER BY s.start_utc, r.sortie, r.channel, r.start_s
"""


def list_states(programme: Path, sortie: str | None, channel: str | None) -> pd.DataFrame:
    """States in run-length form. Raises ChannelError for a channel that is no state."""
    if channel is not None and channel not in STATES:
        raise ChannelError("not a state", found=repr(channel), allowed=", ".join(STATES))
    return _ask(programme, _STATES, [sortie, sortie, channel, channel], sortie=sortie)


_PHASES = f"""
SELECT p.sortie, p.kind, {_moment("p.start_s", "start_utc")}, {_moment("p.stop_s", "stop_utc")},
    p.start_s, p.stop_s, p.stop_s - p.start_s AS duration_s
FROM phase AS p JOIN sortie AS s USING (sortie)
WHERE (? IS NULL OR p.sortie = ?) ORDER BY s.start_utc, p.sortie, p.start_s
"""


def list_phases(programme: Path, sortie: str | None) -> pd.DataFrame:
    """Phases of flight in time order."""
    return _ask(programme, _PHASES, [sortie, sortie], sortie=sortie)


def list_sources(programme: Path, sortie: str | None) -> pd.DataFrame:
    """One row per source file with clock and ledger."""
    columns = ", ".join(column.name for column in TABLE["source"].columns)
    sql = f"SELECT {columns} FROM source WHERE (? IS NULL OR sortie = ?) ORDER BY sortie, number"
    frame = _ask(programme, sql, [sortie, sortie], sortie=sortie, json_columns=("tracks", "ledger"))
    seconds = {"zone_s": "s", "offset_s": "s", "offset_uncertainty_s": "s"}
    frame.attrs["units"] = {**seconds, "drift_ppm": "ppm", "drift_uncertainty_ppm": "ppm", "bytes": "byte"}
    return frame


def read_card(programme: Path, sortie: str) -> Mapping[str, object]:
    """The sortie's test card."""
    with open_catalog(programme) as connection:
        check_sorties(connection, [sortie])
        rows = connection.execute("SELECT card FROM sortie WHERE sortie = ?", [sortie]).fetchall()
    card: dict[str, object] = json.loads(rows[0][0])
    return card


def read_samples(
    programme: Path,
    sortie: str,
    channels: Sequence[str] | None,
    *,
    start: float | dt.datetime | None,
    stop: float | dt.datetime | None,
) -> pd.DataFrame:
    """The frame's rows with start <= time < stop."""
    start_utc = _start_utc(programme, sortie)
    file = _existing(frame_file(programme, sortie))
    with pq.ParquetFile(file) as opened:
        held = [name for name in opened.schema_arrow.names if name not in ("sortie", "i", "t", "until", "gap")]
        wanted = held if channels is None else list(dict.fromkeys(channels))
        for name in wanted:
            if name not in held:
                raise ChannelError(
                    "the sortie has no such channel", where=sortie, found=repr(name), allowed=", ".join(held)
                )
        columns = ["t", "gap", *wanted]
        # a filter would start a scanner, four times as long as reading a flight's columns
        table = opened.read(columns=columns, use_threads=False).select(columns)
    times = table["t"].to_numpy()  # rising
    first = 0 if start is None else int(np.count_nonzero(~(times >= _seconds(start, start_utc))))
    last = len(times) if stop is None else int(np.count_nonzero(times < _seconds(stop, start_utc)))
    frame = table.slice(first, max(last - first, 0)).to_pandas()
    frame.insert(0, "time_utc", _times(frame["t"], start_utc))
    return _with_units(frame)


def read_track_frame(programme: Path, sortie: str, track: str) -> pd.DataFrame:
    """One track at its native rate."""
    start_utc = _start_utc(programme, sortie)
    rows = _ask(programme, "SELECT track, file FROM track WHERE sortie = ?", [sortie])
    files = dict(zip(rows["track"], rows["file"], strict=True))
    if track not in files:
        raise ChannelError("the sortie has no such track", where=sortie, found=repr(track), allowed=", ".join(files))
    read, _ = read_track(_existing(sortie_folder(programme, sortie) / files[track]))
    columns = {name: column.values for name, column in read.columns.items()}
    frame = pd.DataFrame({"time_s": read.time_s, "row": read.row, "source": read.source_index, **columns})
    frame.insert(0, "time_utc", _times(frame["time_s"], start_utc))
    units = {name: column.unit for name, column in read.columns.items() if column.unit}
    frame.attrs["units"] = {"time_s": "s", **units}
    return frame


def _ask(
    programme: Path,
    sql: str,
    values: Sequence[object],
    *,
    sortie: str | None = None,
    json_columns: Sequence[str] = (),
) -> pd.DataFrame:
    with open_catalog(programme) as connection:
        if sortie is not None:
            check_sorties(connection, [sortie])
        frame: pd.DataFrame = connection.execute(sql, list(values)).df()
    for name in json_columns:
        frame[name] = [json.loads(text) if isinstance(text, str) else None for text in frame[name]]
    return _with_units(frame)


def _with_units(frame: pd.DataFrame) -> pd.DataFrame:
    units: dict[str, Any] = {}
    for name in frame.columns:
        unit = _SECONDS.get(name) or unit_of_channel(str(name).removesuffix("_error"))
        if unit:
            units[name] = unit
    frame.attrs["units"] = units
    return frame


def _start_utc(programme: Path, sortie: str) -> dt.datetime:
    with open_catalog(programme) as connection:
        check_sorties(connection, [sortie])
        rows = connection.execute("SELECT epoch_us(start_utc) FROM sortie WHERE sortie = ?", [sortie]).fetchall()
    return dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(microseconds=int(rows[0][0]))


def _times(seconds: pd.Series[float], start_utc: dt.datetime) -> pd.Series[Any]:
    return pd.Timestamp(start_utc) + pd.to_timedelta((seconds * 1e6).round().astype("int64"), unit="us")


def _seconds(moment: float | dt.datetime, start_utc: dt.datetime) -> float:
    if not isinstance(moment, dt.datetime):
        return float(moment)
    if moment.tzinfo is None:
        raise ConditionError("a time needs its zone", found=moment.isoformat(), do="give it as UTC")
    return (moment - start_utc).total_seconds()


def _existing(path: Path) -> Path:
    if not wait_for_file(path):
        raise StoreError("a file of the sortie is missing", where=str(path), do="run `trimshot rebuild`")
    return path
