"""Catalogs of every earlier version, made by running the steps as they were, brought up to date."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pytest

from trimshot.store.check import check_programme
from trimshot.store.connection import open_catalog, write_catalog
from trimshot.store.programme import Programme, create_programme, open_programme
from trimshot.store.schema import STEPS, TABLES

VERSIONS = range(1, len(STEPS))

DESCRIPTION = """
SELECT table_name, column_name, data_type, comment FROM duckdb_columns() WHERE NOT internal ORDER BY ALL
"""
KEYS = "SELECT table_name, constraint_type, constraint_column_names FROM duckdb_constraints() ORDER BY ALL"


def catalog_of(path: Path, version: int) -> None:
    """An empty catalog as the program of that version left it: its steps, no later one, no views."""
    with duckdb.connect(str(path)) as connection:
        connection.execute("CREATE TABLE store_version (version BIGINT, since_utc TIMESTAMPTZ)")
        connection.execute("COMMENT ON TABLE store_version IS 'steps of the schema done, the last one is the version'")
        for number in range(version):
            STEPS[number](connection)
            connection.execute("INSERT INTO store_version VALUES (?, now())", [number + 1])


def make_older(store: Programme, version: int) -> None:
    """Put in place of a programme's catalog one of an earlier version with the same rows."""
    catalog = store.folder / "programme.duckdb"
    current = store.folder / "current.duckdb"
    catalog.rename(current)
    catalog_of(catalog, version)
    with duckdb.connect(str(catalog)) as connection:
        connection.execute("SET TimeZone = 'UTC'")
        connection.execute(f"ATTACH '{current}' AS current (READ_ONLY)")
        for table in TABLES:
            if table.since <= version:
                columns = ", ".join(column.name for column in table.columns if column.since <= version)
                connection.execute(f"INSERT INTO {table.name} BY NAME SELECT {columns} FROM current.{table.name}")
    current.unlink()


@pytest.fixture
def store(two: Programme, made_up: Any) -> Programme:
    """Two made-up sorties; whatever is read here is made up."""
    return two


@pytest.mark.parametrize("version", VERSIONS)
def test_an_earlier_catalog_becomes_what_a_new_one_is(tmp_path: Path, version: int) -> None:
    fresh = create_programme(tmp_path / "fresh")
    older = create_programme(tmp_path / "older")
    (older.folder / "programme.duckdb").unlink()
    catalog_of(older.folder / "programme.duckdb", version)
    with open_catalog(fresh.folder) as one, open_catalog(older.folder) as other:
        assert other.execute("SELECT list(version ORDER BY version) FROM store_version").fetchall() == [
            (list(range(1, len(STEPS) + 1)),)
        ]
        for question in (DESCRIPTION, KEYS):
            assert one.execute(question).fetchall() == other.execute(question).fetchall()


@pytest.mark.parametrize("version", VERSIONS)
def test_an_earlier_catalog_keeps_its_rows_and_takes_new_ones(
    store: Programme, tmp_path: Path, made_up: Any, version: int
) -> None:
    before = {name: getattr(store, name)() for name in ("points", "events", "statistics", "states", "findings")}
    found = store.find("flap = 'full'").frame
    make_older(store, version)
    opened = open_programme(store.folder)
    for name, frame in before.items():
        assert getattr(opened, name)().equals(frame), name
    # by whatever way it is found: sums taken in another order may differ in their last bits
    pd.testing.assert_frame_equal(opened.find("flap = 'full'").frame, found, check_exact=False, rtol=1e-12)
    assert opened.add([made_up(tmp_path / "logs" / "C", seed=3)]).count("added") == 1
    assert check_programme(store.folder).faults == ()
    assert opened.rebuild().count("replaced") == 3
    assert opened.points(refused=True, sortie="A").equals(store.points(refused=True, sortie="A"))
    assert check_programme(store.folder).notes == ()  # the rebuild kept every hash


def test_a_column_and_a_table_of_a_later_program_do_no_harm(store: Programme, tmp_path: Path, made_up: Any) -> None:
    points = store.points()
    with write_catalog(store.folder) as connection:
        for table in TABLES:
            connection.execute(f"ALTER TABLE {table.name} ADD COLUMN later VARCHAR")
        connection.execute("CREATE TABLE weather (sortie VARCHAR, wind_direction DOUBLE)")
    assert store.points().equals(points)
    assert len(store.ledger()) == 2
    assert len(store.sql("SELECT * FROM channels")) == len(store.channels())
    assert "later" not in store.sql("SELECT * FROM sorties").columns
    assert store.add([made_up(tmp_path / "logs" / "C", seed=3)]).count("added") == 1
    assert store.redetect().count("replaced") == 3
    assert check_programme(store.folder).faults == ()
