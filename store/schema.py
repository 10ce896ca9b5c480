"""The catalog's tables, and the numbered steps that bring an older catalog up to date.

A released step never changes: a new need is a new step. Every column carries a comment with its
unit; quantities are SI, times `*_s` are seconds since the sortie's start_utc.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import duckdb
import pyarrow as pa

from ..shared.errors import SchemaVersionError
from .pieces import MAIN_CHANNELS
from .quoting import quote_text
from .views import VIEWS, create_views


@dataclass(frozen=True, slots=True)
class TableColumn:
    """One column: its name, DuckDB type and a comment that says meaning and unit; since: the version that has it first."""

    name: str
    type: str
    comment: str
    since: int = 1


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the catalog, its comment and the columns that make a row unique; since: its first version."""

    name: str
    comment: str
    key: tuple[str, ...]
    columns: tuple[TableColumn, ...]
    since: int = 1

    def arrow_schema(self) -> pa.Schema:
        """The Arrow schema rows are handed over in (JSON and words as strings)."""
        return pa.schema([pa.field(column.name, _ARROW[column.type]) for column in self.columns])


_ARROW: dict[str, pa.DataType] = {
    "VARCHAR": pa.string(),
    "JSON": pa.string(),
    "DOUBLE": pa.float64(),
    "BIGINT": pa.int64(),
    "BOOLEAN": pa.bool_(),
    "TIMESTAMPTZ": pa.timestamp("us", tz="UTC"),
}


Cells = tuple[str, str, str] | tuple[str, str, str, int]


def _table(name: str, comment: str, key: str, *columns: Cells, since: int = 1) -> Table:
    return Table(name, comment, tuple(key.split()), tuple(TableColumn(*column) for column in columns), since)


_SORTIE = ("sortie", "VARCHAR", "sortie the row belongs to")
_NUMBER = ("number", "BIGINT", "counts from 1 within the sortie, in time order")
_START = ("start_s", "DOUBLE", "start, seconds since the sortie's start_utc")
_STOP = ("stop_s", "DOUBLE", "end (not included), seconds since the sortie's start_utc")
_STATES = (
    ("gear", "VARCHAR", "gear state: up, down, transit, fixed, unknown"),
    ("flap", "VARCHAR", "flap setting by name, or transit, unknown"),
    ("power", "VARCHAR", "power state: idle, part, full, off, unknown"),
    ("propulsion", "VARCHAR", "propulsion state: power, idle, governed, windmilling, stopped, unknown"),
)

TABLES: tuple[Table, ...] = (
    _table(
        "sortie",
        "one row per sortie in the programme",
        "sortie",
        ("sortie", "VARCHAR", "the sortie's name, also its folder below sorties/"),
        ("start_utc", "TIMESTAMPTZ", "time zero of everything counted in seconds, UTC"),
        ("stop_utc", "TIMESTAMPTZ", "last sample of the main track, UTC"),
        ("aircraft", "VARCHAR", "aircraft, from the test card, else from settings.toml"),
        ("card", "JSON", "the test card, quantities SI"),
        ("main_track", "VARCHAR", "track whose clock and rate the frame follows"),
        ("content_hash", "VARCHAR", "sha256 over the names and hashes of all source files"),
        ("settings_hash", "VARCHAR", "digest of the settings everything was found with"),
        ("program", "VARCHAR", "version of the program that found it"),
        ("added_utc", "TIMESTAMPTZ", "when the sortie was added, UTC"),
        ("frame_rows", "BIGINT", "rows of frame.parquet"),
        ("gap_limit_s", "DOUBLE", "longest step between two rows that is not a gap, seconds"),
        ("state", "VARCHAR", "complete"),
        ("addition", "VARCHAR", "token of the add that wrote the row; the folder carries the same while unfinished"),
        ("reading_hash", "VARCHAR", "digest of the settings its files were read with; empty: not known", 2),
        ("frame_sha256", "VARCHAR", "hash of frame.parquet, hex; empty: written before hashes were kept", 3),
    ),
    _table(
        "source",
        "one row per file (and session) read, and what was decided while reading it",
        "sortie number",
        _SORTIE,
        _NUMBER,
        ("file", "VARCHAR", "path below the sortie's source folder"),
        ("sha256", "VARCHAR", "hash of the file's bytes, hex"),
        ("bytes", "BIGINT", "size of the file, bytes"),
        ("adapter", "VARCHAR", "adapter that read it"),
        ("adapter_version", "BIGINT", "version of that adapter"),
        ("instrument", "VARCHAR", "fingerprint of the recorder's layout"),
        ("tracks", "JSON", "names of the tracks it fed"),
        ("rows_in", "BIGINT", "rows in the file"),
        ("rows_out", "BIGINT", "rows kept"),
        ("rows_dropped", "BIGINT", "rows dropped, each a finding"),
        ("rows_repaired", "BIGINT", "rows repaired, each a finding"),
        ("clock_basis", "VARCHAR", "utc, gps, local, elapsed or time_of_day"),
        ("zone_s", "DOUBLE", "zone subtracted from the stamps, seconds"),
        ("offset_s", "DOUBLE", "clock offset, positive when the recorder runs ahead, seconds"),
        ("offset_uncertainty_s", "DOUBLE", "one standard deviation of the offset, seconds; empty: not resolved"),
        ("drift_ppm", "DOUBLE", "clock drift, parts per million"),
        ("drift_uncertainty_ppm", "DOUBLE", "one standard deviation of the drift, ppm; empty: not resolved"),
        ("clock_reference", "VARCHAR", "track the clock was compared with"),
        ("clock_channel", "VARCHAR", "channel the comparison used"),
        ("clock_evidence", "VARCHAR", "evidence in words"),
        ("ledger", "JSON", "rows reconciled and every decision with its evidence"),
    ),
    _table(
        "track",
        "one row per track: samples that share a clock, one Parquet file at native rate",
        "sortie track",
        _SORTIE,
        ("track", "VARCHAR", "name of the track"),
        ("file", "VARCHAR", "Parquet file below the sortie's folder"),
        ("samples", "BIGINT", "rows of the track"),
        ("median_step_s", "DOUBLE", "median time between rows, seconds"),
        _START,
        ("stop_s", "DOUBLE", "time of the last row, seconds since the sortie's start_utc"),
        ("sha256", "VARCHAR", "hash of the Parquet file, hex; empty: written before hashes were kept", 3),
    ),
    _table(
        "channel",
        "one row per channel of a track, and of the frame (track 'frame')",
        "sortie track channel",
        _SORTIE,
        ("track", "VARCHAR", "track that holds it; 'frame' for the common clock"),
        ("channel", "VARCHAR", "canonical name, or raw_ and the header"),
        ("unit", "VARCHAR", "SI unit of the samples and of low, high and step; empty for words"),
        ("header", "VARCHAR", "name as written in the file"),
        ("unit_as_written", "VARCHAR", "unit as written in the file"),
        ("samples", "BIGINT", "rows of the track"),
        ("valid", "BIGINT", "rows with a value"),
        ("low", "DOUBLE", "smallest value, in the channel's unit"),
        ("high", "DOUBLE", "largest value, in the channel's unit"),
        ("step", "DOUBLE", "the recorder's own resolution, in the channel's unit"),
        ("derived_from", "JSON", "channels it was computed from"),
    ),
    _table(
        "run",
        "states in run-length form: one row per stretch with one value",
        "sortie channel start_s",
        _SORTIE,
        ("channel", "VARCHAR", "gear, flap, power, propulsion or phase"),
        ("value", "VARCHAR", "the state's word"),
        _START,
        _STOP,
    ),
    _table(
        "event",
        "one row per event found",
        "sortie number",
        _SORTIE,
        _NUMBER,
        ("kind", "VARCHAR", "kind of event"),
        ("time_s", "DOUBLE", "start of the event, seconds since the sortie's start_utc"),
        ("stop_s", "DOUBLE", "end of the movement, seconds since the sortie's start_utc"),
        ("uncertainty_s", "DOUBLE", "one standard deviation of time_s, seconds"),
        ("channel", "VARCHAR", "channel it was found in"),
        ("before", "JSON", "value or word before, SI"),
        ("after", "JSON", "value or word after, SI"),
        ("confidence", "DOUBLE", "0 to 1; 1 only where a switch or position was recorded"),
        ("detector", "VARCHAR", "detector and its version"),
        ("facts", "JSON", "further facts, SI"),
    ),
    _table(
        "phase",
        "phases of flight",
        "sortie start_s",
        _SORTIE,
        _START,
        _STOP,
        ("kind", "VARCHAR", "ground, taxi, take_off, climb, cruise, descent, approach, a leg of the pattern, ..."),
    ),
    _table(
        "manoeuvre",
        "stretches flown for a purpose: turns, speed runs, oscillations, patterns, approaches to the stall",
        "sortie number",
        _SORTIE,
        _NUMBER,
        _START,
        _STOP,
        ("kind", "VARCHAR", "kind of manoeuvre"),
        ("channels", "JSON", "channels it was found in, the leading one first"),
        ("confidence", "DOUBLE", "0 to 1"),
        ("detector", "VARCHAR", "detector and its version"),
        ("facts", "JSON", "what was measured, SI"),
        since=2,
    ),
    _table(
        "point",
        "stabilised points, and refused candidates with their reasons",
        "sortie number",
        _SORTIE,
        ("number", "BIGINT", "counts from 1 within the sortie: accepted points first, each in time order"),
        _START,
        _STOP,
        ("kind", "VARCHAR", "glide, level, climb, descent or turn"),
        *_STATES,
        ("score", "DOUBLE", "0 to 1: one minus the largest share of a criterion's allowance used up"),
        ("detector", "VARCHAR", "detector and its version"),
        ("accepted", "BOOLEAN", "true for a point, false for a refused candidate"),
        ("reasons", "JSON", "one entry per criterion broken: criterion, measured, limit, unit (SI), text"),
    ),
    _table(
        "statistic",
        "every channel over every point and refused candidate",
        "sortie number channel",
        _SORTIE,
        ("number", "BIGINT", "number of the point"),
        ("channel", "VARCHAR", "canonical channel"),
        ("unit", "VARCHAR", "SI unit of mean, deviation, standard_error, low and high; slope is per second"),
        ("mean", "DOUBLE", "mean, in the channel's unit"),
        ("deviation", "DOUBLE", "standard deviation, in the channel's unit"),
        ("slope_per_s", "DOUBLE", "least-squares trend, the channel's unit per second"),
        ("standard_error", "DOUBLE", "of the mean, allowing for autocorrelation, in the channel's unit"),
        ("samples", "BIGINT", "samples used"),
        ("low", "DOUBLE", "smallest value, in the channel's unit"),
        ("high", "DOUBLE", "largest value, in the channel's unit"),
    ),
    _table(
        "finding",
        "what a careful reader would want to know",
        "sortie number",
        _SORTIE,
        ("number", "BIGINT", "counts from 1 within the sortie"),
        ("stage", "VARCHAR", "reading or detecting"),
        ("level", "VARCHAR", "note, doubt or fault"),
        ("code", "VARCHAR", "code of the closed list"),
        ("text", "VARCHAR", "the finding in words"),
        ("place", "VARCHAR", "file and line, or channel"),
        ("times", "BIGINT", "how often it occurred"),
        _START,
        _STOP,
        ("facts", "JSON", "further facts"),
    ),
    _table(
        "mark",
        "what people said about points: a copy of marks.jsonl, in which it lasts",
        "sortie id",
        _SORTIE,
        ("id", "VARCHAR", "identity of the mark"),
        ("action", "VARCHAR", "accept, reject, move, add or withdraw"),
        ("start_utc", "TIMESTAMPTZ", "start of the stretch judged, UTC"),
        ("stop_utc", "TIMESTAMPTZ", "end of the stretch judged (not included), UTC"),
        ("new_start_utc", "TIMESTAMPTZ", "start it was moved to, UTC; empty: not moved"),
        ("new_stop_utc", "TIMESTAMPTZ", "end it was moved to, UTC; empty: not moved"),
        ("reason", "VARCHAR", "why, in the person's words"),
        ("person", "VARCHAR", "who"),
        ("made_utc", "TIMESTAMPTZ", "when, UTC"),
        ("takes_back", "VARCHAR", "the mark a withdraw takes back alone; empty: all that was said of the stretch", 6),
        since=4,
    ),
    _table(
        "piece",
        "the frame cut wherever a state changes or a gap lies: what `find` asks of states is answered from here",
        "sortie number",
        _SORTIE,
        _NUMBER,
        ("gap", "BIGINT", "gaps before the piece, as in the frame"),
        ("first_row", "BIGINT", "its first row of the frame"),
        ("last_row", "BIGINT", "its last row of the frame"),
        _START,
        _STOP,
        *_STATES,
        ("phase", "VARCHAR", "phase of flight"),
        *(
            column
            for channel in MAIN_CHANNELS
            for column in (
                (f"{channel}_sum", "DOUBLE", "sum of its values in the piece, in the channel's unit"),
                (f"{channel}_rows", "BIGINT", "number of its values in the piece"),
            )
        ),
        since=5,
    ),
)

TABLE: dict[str, Table] = {table.name: table for table in TABLES}


def _add_version(connection: duckdb.DuckDBPyConnection, version: int) -> None:
    """The tables that this version has first, and its new columns of older tables."""
    for table in TABLES:
        if table.since == version:
            columns = [column for column in table.columns if column.since <= version]
            listed = ", ".join(f"{column.name} {column.type}" for column in columns)
            connection.execute(f"CREATE TABLE {table.name} ({listed}, PRIMARY KEY ({', '.join(table.key)}))")
            connection.execute(f"COMMENT ON TABLE {table.name} IS {quote_text(table.comment)}")
        else:
            columns = [column for column in table.columns if column.since == version > table.since]
            for column in columns:
                connection.execute(f"ALTER TABLE {table.name} ADD COLUMN {column.name} {column.type}")
        for column in columns:
            comment = quote_text(column.comment)
            connection.execute(f"COMMENT ON COLUMN {table.name}.{column.name} IS {comment}")


# STEPS[k] brings a catalog of version k to version k + 1.
STEPS: tuple[Callable[[duckdb.DuckDBPyConnection], None], ...] = (
    lambda connection: _add_version(connection, 1),
    lambda connection: _add_version(connection, 2),  # manoeuvres; what the files were read with
    lambda connection: _add_version(connection, 3),  # hashes of tracks and frames; the views
    lambda connection: _add_version(connection, 4),  # a person's marks
    lambda connection: _add_version(connection, 5),  # pieces
    lambda connection: _add_version(connection, 6),  # which judgement was taken back
)


def create_schema(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the tables in an empty catalog, in one transaction."""
    connection.execute("BEGIN")
    connection.execute("CREATE TABLE store_version (version BIGINT, since_utc TIMESTAMPTZ)")
    connection.execute("COMMENT ON TABLE store_version IS 'steps of the schema done, the last one is the version'")
    _run_steps(connection, 0)
    connection.execute("COMMIT")


def view_table() -> tuple[tuple[str, str, tuple[tuple[str, str], ...]], ...]:
    """(view, comment, (column, comment) ...) of every view, as documentation prints it."""
    with duckdb.connect(":memory:") as connection:
        create_schema(connection)
        columns = connection.execute(
            "SELECT table_name, column_name, comment FROM duckdb_columns() WHERE NOT internal ORDER BY column_index"
        ).fetchall()
    told: dict[str, list[tuple[str, str]]] = {}
    for view, column, comment in columns:
        told.setdefault(view, []).append((column, comment))
    return tuple((view.name, view.comment, tuple(told[view.name])) for view in VIEWS)


def read_version(connection: duckdb.DuckDBPyConnection) -> int:
    """The catalog's schema version; 0 for a file without our tables.

    Raises SchemaVersionError when it is newer than this program.
    """
    try:
        rows = connection.execute("SELECT max(version) FROM store_version").fetchall()
    except duckdb.CatalogException:  # asking for the list of tables first costs several milliseconds an open
        return 0
    version = int(rows[0][0] or 0)
    if version > len(STEPS):
        raise SchemaVersionError(
            "the store was written by a newer program",
            found=f"schema {version}",
            allowed=f"up to schema {len(STEPS)}",
            do="update trimshot, then open the programme again",
        )
    return version


def upgrade_schema(connection: duckdb.DuckDBPyConnection) -> None:
    """Bring an older catalog up to date, in one transaction; nothing happens to a current one."""
    version = read_version(connection)
    if version == len(STEPS):
        return
    connection.execute("BEGIN")
    _run_steps(connection, version)
    connection.execute("COMMIT")


def _run_steps(connection: duckdb.DuckDBPyConnection, version: int) -> None:
    for number in range(version, len(STEPS)):
        STEPS[number](connection)
        connection.execute("INSERT INTO store_version VALUES (?, now())", [number + 1])
    create_views(connection)  # not in a step of their own: they are made anew whenever the tables change
