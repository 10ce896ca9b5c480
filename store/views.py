"""The catalog's views: what people ask with SQL, in plain words, times as UTC beside the seconds.

They lie in the catalog, so any client that opens the DuckDB file has them, with a comment on every
column. Samples lie in Parquet files whose place a catalog cannot know: `samples_in('FOLDER')` reads
them in any client that is told the programme's folder; `trimshot sql` has them as a view `samples`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import duckdb

from .places import FRAME, SORTIES
from .quoting import quote_text


@dataclass(frozen=True, slots=True)
class View:
    """One view: its name, comment, SELECT, the tables its columns' comments come from (the first that has the name),
    and comments of columns that stand in none of them."""

    name: str
    comment: str
    sql: str
    tables: tuple[str, ...]
    comments: Mapping[str, str]


def _moment(seconds: str, name: str) -> str:
    return f"s.start_utc + to_microseconds(CAST(round({seconds} * 1e6) AS BIGINT)) AS {name}"


_SPAN = f"{_moment('x.start_s', 'start_utc')}, {_moment('x.stop_s', 'stop_utc')}, x.start_s, x.stop_s, x.stop_s - x.start_s AS duration_s"
_SPAN_COMMENTS = {
    "start_utc": "start, UTC",
    "stop_utc": "end (not included), UTC",
    "duration_s": "length, seconds",
}
_JOINED = "AS x JOIN sortie AS s USING (sortie)"

VIEWS: tuple[View, ...] = (
    View(
        "sorties",
        "one row per sortie, with counts of what was found",
        """SELECT s.sortie, s.start_utc, s.stop_utc, epoch(s.stop_utc - s.start_utc) AS duration_s, s.aircraft, s.main_track,
    (SELECT count(*) FROM point AS x WHERE x.sortie = s.sortie AND x.accepted) AS points,
    (SELECT count(*) FROM point AS x WHERE x.sortie = s.sortie AND NOT x.accepted) AS refused,
    (SELECT count(*) FROM event AS x WHERE x.sortie = s.sortie) AS events,
    (SELECT count(*) FROM manoeuvre AS x WHERE x.sortie = s.sortie) AS manoeuvres,
    (SELECT count(*) FROM finding AS x WHERE x.sortie = s.sortie AND x.level <> 'note') AS doubts,
    s.frame_rows, s.added_utc, s.program, s.settings_hash FROM sortie AS s""",
        ("sortie",),
        {
            "duration_s": "length, seconds",
            "points": "stabilised points",
            "refused": "refused candidates",
            "events": "events",
            "manoeuvres": "manoeuvres",
            "doubts": "findings that are a doubt or a fault",
        },
    ),
    View(
        "points",
        "stabilised points (accepted) and refused candidates",
        f"""SELECT x.sortie, x.number, x.accepted, x.kind, x.gear, x.flap, x.power, x.propulsion, {_SPAN},
    x.score, x.reasons, x.detector FROM point {_JOINED}""",
        ("point",),
        _SPAN_COMMENTS,
    ),
    View(
        "point_statistics",
        "every channel over every point and refused candidate, values in `unit`",
        """SELECT x.sortie, x.number, p.accepted, p.kind, p.gear, p.flap, p.power, p.propulsion, x.channel, x.unit,
    x.mean, x.deviation, x.slope_per_s, x.standard_error, x.samples, x.low, x.high
    FROM statistic AS x JOIN point AS p USING (sortie, number)""",
        ("statistic", "point"),
        {},
    ),
    View(
        "events",
        "gear, flap, rpm, power and ground events",
        f"""SELECT x.sortie, x.number, x.kind, {_moment("x.time_s", "time_utc")}, {_moment("x.stop_s", "stop_utc")},
    x.time_s, x.stop_s, x.stop_s - x.time_s AS duration_s, x.uncertainty_s, x.channel,
    json_extract_string(x.before, '$') AS before, json_extract_string(x.after, '$') AS after,
    x.confidence, x.detector, x.facts FROM event {_JOINED}""",
        ("event",),
        {
            "time_utc": "start of the event, UTC",
            "stop_utc": "end of the movement, UTC",
            "duration_s": "length of the movement, seconds",
        },
    ),
    View(
        "phases",
        "phases of flight",
        f"SELECT x.sortie, x.kind, {_SPAN} FROM phase {_JOINED}",
        ("phase",),
        _SPAN_COMMENTS,
    ),
    View(
        "manoeuvres",
        "turns, speed runs, oscillations, patterns, approaches to the stall",
        f"""SELECT x.sortie, x.number, x.kind, {_SPAN}, x.channels, x.confidence, x.detector, x.facts
    FROM manoeuvre {_JOINED}""",
        ("manoeuvre",),
        _SPAN_COMMENTS,
    ),
    View(
        "states",
        "gear, flap, power, propulsion and phase in run-length form",
        f"SELECT x.sortie, x.channel, x.value, {_SPAN} FROM run {_JOINED}",
        ("run",),
        _SPAN_COMMENTS,
    ),
    View(
        "channels",
        "every channel of every track, and of the common clock (track 'frame')",
        """SELECT x.sortie, x.track, x.channel, x.unit, x.header, x.unit_as_written, x.samples, x.valid, x.low, x.high,
    x.step, x.derived_from FROM channel AS x""",
        ("channel",),
        {},
    ),
    View(
        "findings",
        "what a careful reader would want to know",
        """SELECT x.sortie, x.number, x.level, x.code, x.text, x.place, x.times, x.stage, x.start_s, x.stop_s, x.facts
    FROM finding AS x""",
        ("finding",),
        {},
    ),
    View(
        "sources",
        "every file read, its hash, its rows and its clock",
        """SELECT x.sortie, x.number, x.file, x.sha256, x.bytes, x.adapter, x.adapter_version, x.instrument, x.tracks,
    x.rows_in, x.rows_out, x.rows_dropped, x.rows_repaired, x.clock_basis, x.zone_s, x.offset_s, x.offset_uncertainty_s,
    x.drift_ppm, x.drift_uncertainty_ppm, x.clock_reference, x.clock_channel, x.clock_evidence FROM source AS x""",
        ("source",),
        {},
    ),
)

SAMPLES = "samples"
SAMPLES_COMMENT = "every channel and state on the common clock of its sortie, one row per moment, SI"
_SAMPLES_IN = (
    f"CREATE OR REPLACE MACRO samples_in(folder) AS TABLE "
    f"SELECT * FROM read_parquet(folder || '/{SORTIES}/*/{FRAME}', union_by_name = true)"
)


def create_views(connection: duckdb.DuckDBPyConnection) -> None:
    """Make (again) every view and the macro `samples_in` in a catalog whose tables are up to date."""
    for view in VIEWS:
        connection.execute(f"CREATE OR REPLACE VIEW {view.name} AS {view.sql}")
        connection.execute(f"COMMENT ON VIEW {view.name} IS {quote_text(view.comment)}")
    told = _comments_of_tables(connection)
    for view in VIEWS:
        for column, *_ in connection.execute(f"DESCRIBE {view.name}").fetchall():
            comment = view.comments.get(column) or next(
                told[table, column] for table in view.tables if (table, column) in told
            )
            connection.execute(f"COMMENT ON COLUMN {view.name}.{column} IS {quote_text(comment)}")
    connection.execute(_SAMPLES_IN)
    comment = f"{SAMPLES_COMMENT}; folder: the programme's"
    connection.execute(f"COMMENT ON MACRO TABLE samples_in IS {quote_text(comment)}")


def _comments_of_tables(connection: duckdb.DuckDBPyConnection) -> dict[tuple[str, str], str]:
    rows = connection.execute(
        "SELECT table_name, column_name, comment FROM duckdb_columns() WHERE NOT internal AND comment IS NOT NULL"
    ).fetchall()
    return {(table, column): comment for table, column, comment in rows}
