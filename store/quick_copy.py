"""The channels asked most, copied from the frames into one DuckDB file beside the catalog: a condition on them runs
several times faster over many sorties than over as many Parquet files.

A copy and nothing more: it may be deleted at any time, is made by itself once a programme is large enough, and a
sortie of it counts only while it carries the token of the addition that the catalog knows; all others are read from
their frames. It is never waited for: whoever finds it busy reads the frames.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from pathlib import Path

import duckdb

from ..shared.errors import LockedError
from ..shared.vocabulary import STATES
from .connection import lock_programme, open_beside, open_catalog
from .pieces import MAIN_CHANNELS
from .places import QUICK_COPY, frame_file
from .quoting import quote_name, quote_text

FROM_SORTIES = 100  # below, the frames answer within a quarter of a second
COPIED_CHANNELS: tuple[str, ...] = (
    *MAIN_CHANNELS,
    "indicated_airspeed",
    "vertical_speed",
    "manifold_pressure",
    "normal_load_factor",
    "flap_angle",
)
_CLOCK = {"gap": "INTEGER", "i": "INTEGER", "t": "DOUBLE", "until": "DOUBLE"}
_LAYOUT = 1
_AT_ONCE = 20  # sorties in one transaction


def refresh_copy(programme: Path, *, from_sorties: int = FROM_SORTIES) -> int:
    """Bring the copy up to date with the catalog; gives how many sorties were copied anew.

    Nothing happens in a programme with fewer sorties, and nothing is raised when the copy cannot be written: it is
    then as good as not there.
    """
    there = _additions(programme)
    path = programme / QUICK_COPY
    if len(there) < from_sorties and not path.exists():
        return 0
    try:
        return _refresh(programme, path, there)
    except LockedError:
        return 0  # somebody reads or writes it; the next one to add brings it up to date
    except (duckdb.Error, OSError):
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)
        return 0


def attach_copy(connection: duckdb.DuckDBPyConnection, programme: Path, additions: Mapping[str, str]) -> dict[str, int]:
    """Attach the copy as `quick`, and give sortie -> its number in it, of those whose addition is the catalog's."""
    path = programme / QUICK_COPY
    if not path.exists():
        return {}
    try:
        connection.execute(f"ATTACH {quote_text(str(path))} AS quick (READ_ONLY)")
        layout = connection.execute("SELECT max(layout) FROM quick.layout").fetchall()[0][0]
        held = connection.execute("SELECT sortie, number, addition FROM quick.copied").fetchall()
    except duckdb.Error:
        return {}
    if layout != _LAYOUT:
        return {}
    return {sortie: number for sortie, number, addition in held if additions.get(sortie) == addition}


def copied_numbers(connection: duckdb.DuckDBPyConnection) -> int:
    """How many sorties the attached copy holds, stale ones included."""
    return int(connection.execute("SELECT count(*) FROM quick.copied").fetchall()[0][0])


def _additions(programme: Path) -> dict[str, str]:
    """Token of the addition -> sortie, in time order."""
    with open_catalog(programme) as connection:
        rows = connection.execute("SELECT addition, sortie FROM sortie ORDER BY start_utc, sortie").fetchall()
    return {str(addition): str(sortie) for addition, sortie in rows}


def _refresh(programme: Path, path: Path, there: Mapping[str, str]) -> int:
    connection = open_beside(path)
    try:
        _make_tables(connection)
        held = dict(connection.execute("SELECT addition, number FROM copied").fetchall())
        stale = [number for addition, number in held.items() if addition not in there]
        if stale:
            connection.execute("BEGIN")
            connection.execute("DELETE FROM copied WHERE list_contains(?, number)", [stale])
            connection.execute("DELETE FROM sample WHERE list_contains(?, number)", [stale])
            connection.execute("COMMIT")
        new = [(addition, sortie) for addition, sortie in there.items() if addition not in held]
        for first in range(0, len(new), _AT_ONCE):
            with lock_programme(programme):  # no sortie is replaced meanwhile: token and frame belong together
                current = _additions(programme)
                batch = [one for one in new[first : first + _AT_ONCE] if one[0] in current]
                _copy(connection, programme, [one for one in batch if frame_file(programme, one[1]).is_file()])
        if new:
            connection.execute("CHECKPOINT")
    finally:
        connection.close()
    return len(new)


def _make_tables(connection: duckdb.DuckDBPyConnection) -> None:
    """The tables, made anew when they were made by another program."""
    try:
        layout = connection.execute("SELECT max(layout) FROM layout").fetchall()[0][0]
    except duckdb.CatalogException:
        layout = None
    if layout == _LAYOUT:
        return
    columns = {**_CLOCK, **dict.fromkeys(STATES, "VARCHAR"), **dict.fromkeys(COPIED_CHANNELS, "DOUBLE")}
    listed = ", ".join(f"{quote_name(name)} {kind}" for name, kind in columns.items())
    connection.execute("BEGIN")
    connection.execute("CREATE OR REPLACE TABLE layout AS SELECT CAST(? AS BIGINT) AS layout", [_LAYOUT])
    connection.execute("CREATE OR REPLACE TABLE copied (number INTEGER, sortie VARCHAR, addition VARCHAR)")
    connection.execute(f"CREATE OR REPLACE TABLE sample (number INTEGER, {listed})")
    connection.execute("COMMIT")


def _copy(connection: duckdb.DuckDBPyConnection, programme: Path, new: list[tuple[str, str]]) -> None:
    """Copy some sorties, whole or not at all."""
    connection.execute("BEGIN")
    for addition, sortie in new:
        file = str(frame_file(programme, sortie))
        number = connection.execute("SELECT coalesce(max(number), 0) + 1 FROM copied").fetchall()[0][0]
        found = connection.execute("SELECT * FROM read_parquet(?) LIMIT 0", [[file]]).description
        held = {column[0] for column in found}
        names = [name for name in (*_CLOCK, *STATES, *COPIED_CHANNELS) if name in held]
        listed = ", ".join(quote_name(name) for name in names)
        connection.execute(
            f"INSERT INTO sample (number, {listed}) SELECT ?, {listed} FROM read_parquet(?) WHERE sortie = ? ORDER BY i",
            [number, [file], sortie],
        )
        connection.execute("INSERT INTO copied VALUES (?, ?, ?)", [number, sortie, addition])
    connection.execute("COMMIT")
