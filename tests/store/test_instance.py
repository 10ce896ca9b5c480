"""The instance kept for writing: nothing of one writing is left in the next."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from trimshot.store.instance import attach, kept
from trimshot.store.programme import create_programme


def catalog(folder: Path) -> Path:
    create_programme(folder)
    return folder / "programme.duckdb"


def test_what_was_committed_lies_in_the_file_that_was_let_go(tmp_path: Path) -> None:
    path = catalog(tmp_path / "p")
    connection = attach(path)
    with kept(connection):
        connection.execute("CREATE TABLE kept_row AS SELECT 7 AS value")
    with duckdb.connect(str(path), read_only=True) as reader:  # an instance of its own: the file is free
        assert reader.execute("SELECT value FROM kept_row").fetchall() == [(7,)]


def test_a_writing_that_fails_is_undone_and_its_instance_not_used_again(tmp_path: Path) -> None:
    path = catalog(tmp_path / "p")
    failed = attach(path)
    with pytest.raises(ValueError, match="in the middle"), kept(failed):
        failed.execute("BEGIN")
        failed.execute("CREATE TABLE half AS SELECT 1 AS value")
        raise ValueError("in the middle")
    with pytest.raises(duckdb.ConnectionException):
        failed.execute("SELECT 1")
    following = attach(path)
    with kept(following), pytest.raises(duckdb.CatalogException):
        following.execute("SELECT * FROM half")


def test_two_programmes_are_written_side_by_side(tmp_path: Path) -> None:
    one, other = attach(catalog(tmp_path / "one")), attach(catalog(tmp_path / "other"))
    with kept(one), kept(other):
        one.execute("CREATE TABLE mine AS SELECT 1 AS value")
        with pytest.raises(duckdb.CatalogException):
            other.execute("SELECT * FROM mine")
