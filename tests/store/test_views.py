"""The catalog's views: there for any client, told column by column, and the same rows as the tables."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pyarrow.parquet as pq
import pytest

from trimshot.store.programme import Programme
from trimshot.store.schema import TABLES
from trimshot.store.views import VIEWS

TABLE_OF = {
    "sorties": "sortie",
    "points": "point",
    "point_statistics": "statistic",
    "events": "event",
    "phases": "phase",
    "manoeuvres": "manoeuvre",
    "states": "run",
    "channels": "channel",
    "findings": "finding",
    "sources": "source",
}


@pytest.fixture(scope="module")
def client(demo_programme: Programme, tmp_path_factory: pytest.TempPathFactory) -> duckdb.DuckDBPyConnection:
    """A client that knows nothing of the program: a copy of the DuckDB file, opened as it is."""
    copy = tmp_path_factory.mktemp("client") / "copied.duckdb"
    copy.write_bytes((demo_programme.folder / "programme.duckdb").read_bytes())
    return duckdb.connect(str(copy), read_only=True)


def test_there_is_a_view_for_every_question() -> None:
    assert {view.name for view in VIEWS} == set(TABLE_OF)
    assert set(TABLE_OF.values()) <= {table.name for table in TABLES}


@pytest.mark.parametrize("view", TABLE_OF)
def test_a_view_has_the_rows_of_its_table(client: duckdb.DuckDBPyConnection, view: str) -> None:
    counts = [client.execute(f"SELECT count(*) FROM {name}").fetchall()[0][0] for name in (view, TABLE_OF[view])]
    assert counts[0] == counts[1]
    assert counts[0] > 0


def test_every_column_of_every_view_says_what_it_holds(client: duckdb.DuckDBPyConnection) -> None:
    rows = client.execute("SELECT table_name, column_name, data_type, comment FROM duckdb_columns()").fetchall()
    told = {(view, column): (kind, comment) for view, column, kind, comment in rows if view in TABLE_OF}
    assert {view for view, _ in told} == set(TABLE_OF)
    for (view, column), (kind, comment) in told.items():
        assert comment, f"{view}.{column}"
        if column.endswith("_s"):
            assert "second" in comment, f"{view}.{column}"
        if kind == "TIMESTAMP WITH TIME ZONE":
            assert "UTC" in comment, f"{view}.{column}"


def test_times_are_the_seconds_counted_from_the_start(client: duckdb.DuckDBPyConnection) -> None:
    client.execute("SET TimeZone = 'UTC'")
    off = client.execute(
        "SELECT max(abs(epoch(p.start_utc) - epoch(s.start_utc) - p.start_s)) FROM points AS p JOIN sorties AS s USING (sortie)"
    ).fetchall()
    assert off[0][0] < 1e-6


def test_any_client_reads_the_samples_when_told_the_folder(
    client: duckdb.DuckDBPyConnection, demo_programme: Programme
) -> None:
    frames = sorted(demo_programme.folder.glob("sorties/*/frame.parquet"))
    rows = sum(pq.read_metadata(frame).num_rows for frame in frames)
    counted = client.execute("SELECT count(*), count(DISTINCT sortie) FROM samples_in(?)", [str(demo_programme.folder)])
    assert counted.fetchall() == [(rows, len(frames))]


def test_no_path_lies_in_the_catalog(client: duckdb.DuckDBPyConnection, demo_programme: Programme) -> None:
    texts = client.execute("SELECT sql FROM duckdb_views() WHERE NOT internal").fetchall()
    assert texts
    assert not any(str(Path(demo_programme.folder)) in str(text) for (text,) in texts)
