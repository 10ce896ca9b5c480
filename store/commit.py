"""The short half of an add: one writer, one rename, one transaction.

Whatever moment the process dies, `staging.clear_leftovers` finishes or undoes the rest.
"""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import pyarrow as pa

from ..shared.durable import flush_folder
from ..shared.errors import StoreError, unknown_sortie
from .connection import write_catalog
from .instance import reading_variables
from .marks import marks_table, read_marks
from .places import MARK, REMOVED, REPLACED, SORTIES, sortie_folder
from .report import SortieReport
from .schema import TABLES
from .staging import clear_leftovers, discard, has_moved, settle_sortie

if TYPE_CHECKING:
    from .prepare import Prepared


@dataclass(frozen=True, slots=True)
class Content:
    """A sortie the programme holds: its name, and what it was found with."""

    sortie: str
    settings_hash: str
    program: str


def list_contents(connection: duckdb.DuckDBPyConnection) -> dict[str, Content]:
    """Content hash -> the sortie that has it, of every sortie in the programme."""
    rows = connection.execute("SELECT content_hash, sortie, settings_hash, program FROM sortie").fetchall()
    return {content_hash: Content(*rest) for content_hash, *rest in rows}


@contextmanager
def open_store(programme: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """The catalog for writing, the remains of killed runs cleared first."""
    with write_catalog(programme) as connection:
        clear_leftovers(programme, connection)
        yield connection


def recover(programme: Path) -> None:
    """Bring back at once what a run that was killed had moved aside, so that readers find it; writers do it anyway."""
    if has_moved(programme):
        with contextlib.suppress(StoreError, OSError), open_store(programme):
            pass


def commit(programme: Path, prepared: Prepared) -> SortieReport | Content:
    """Add a prepared sortie. Gives its report, or the sortie with the same content: then nothing is added.

    Raises StoreError when the name is taken by other content, or the disk is full.
    """
    with _open_for(programme, prepared.sortie) as connection:
        same = _find_content(connection, prepared.content_hash)
        if same is not None:
            return same
        if _has_row(connection, prepared.sortie):
            raise StoreError(
                "a sortie of this name with other files is already in the programme",
                where=prepared.sortie,
                do="rename the folder, or replace the sortie by adding it anew with `--replace`",
            )
        compared = _compare_units(connection, prepared)
        rows = _with_marks(programme, compared)
        _move_in(programme, compared)
        _insert(connection, rows)
        _finish(programme, prepared.sortie)
    return compared.report


def commit_replacing(programme: Path, prepared: Prepared) -> SortieReport:
    """Add a prepared sortie in place of one of the same name, if there is one. Gives its report."""
    with _open_for(programme, prepared.sortie) as connection:
        return _replace(programme, connection, _compare_units(connection, prepared))


def commit_detected(programme: Path, prepared: Prepared) -> SortieReport:
    """The same for a sortie detected anew: its findings of reading, units compared, are those of before."""
    with _open_for(programme, prepared.sortie) as connection:
        return _replace(programme, connection, prepared)


def _compare_units(connection: duckdb.DuckDBPyConnection, prepared: Prepared) -> Prepared:
    from .unit_changes import with_unit_changes  # sensor checks: readers of the catalog, who come by here, need none

    return with_unit_changes(connection, prepared)


def _replace(programme: Path, connection: duckdb.DuckDBPyConnection, prepared: Prepared) -> SortieReport:
    there = _has_row(connection, prepared.sortie)
    rows = _with_marks(programme, prepared)
    present = sortie_folder(programme, prepared.sortie)
    former = programme / SORTIES / (REPLACED + prepared.sortie)
    if present.exists():
        there = True
        present.rename(former)
    _move_in(programme, prepared)
    _insert(connection, rows, replacing=prepared.sortie)
    _finish(programme, prepared.sortie)
    return dataclasses.replace(prepared.report, status="replaced" if there else "added")


@contextmanager
def _open_for(programme: Path, sortie: str) -> Iterator[duckdb.DuckDBPyConnection]:
    """The catalog for writing one sortie, its own remains of a killed run cleared first."""
    with write_catalog(programme) as connection:
        settle_sortie(programme, connection, sortie)
        yield connection


def _find_content(connection: duckdb.DuckDBPyConnection, content_hash: str) -> Content | None:
    sql = "SELECT sortie, settings_hash, program FROM sortie WHERE content_hash = ?"
    rows = connection.execute(sql, [content_hash]).fetchall()
    return Content(*rows[0]) if rows else None


def remove(programme: Path, sortie: str) -> None:
    """Take a sortie out, its folder included. Raises UnknownSortieError."""
    with open_store(programme) as connection:
        check_sorties(connection, [sortie])
        present = sortie_folder(programme, sortie)
        former = programme / SORTIES / (REMOVED + sortie)
        if present.exists():
            present.rename(former)
            flush_folder(former.parent)
        _insert(connection, {}, replacing=sortie)
        if former.exists():
            discard(programme, former)


def check_sorties(connection: duckdb.DuckDBPyConnection, wanted: list[str]) -> None:
    """Raise UnknownSortieError, listing what there is, for a name the catalog does not have."""
    known = [str(row[0]) for row in connection.execute("SELECT sortie FROM sortie ORDER BY sortie").fetchall()]
    for name in wanted:
        if name not in known:
            raise unknown_sortie(name, known)


def _has_row(connection: duckdb.DuckDBPyConnection, sortie: str) -> bool:
    return bool(connection.execute("SELECT 1 FROM sortie WHERE sortie = ?", [sortie]).fetchall())


def _move_in(programme: Path, prepared: Prepared) -> None:
    target = sortie_folder(programme, prepared.sortie)
    if target.exists():
        raise StoreError(
            "a folder of this name lies in sorties/ and the catalog does not know it",
            where=str(target),
            do="run `trimshot rebuild` to take it in, or move it away",
        )
    prepared.place.rename(target)
    flush_folder(target.parent)


def _insert(
    connection: duckdb.DuckDBPyConnection, rows: Mapping[str, pa.Table], *, replacing: str | None = None
) -> None:
    """One transaction; from Arrow tables, because row by row costs a thousand times as much."""
    connection.execute("BEGIN")
    if replacing is not None:
        for table in TABLES:
            connection.execute(f"DELETE FROM {table.name} WHERE sortie = ?", [replacing])
    with reading_variables(connection):
        for table in TABLES:
            incoming = rows.get(table.name)
            if incoming is not None and incoming.num_rows:
                connection.execute(f"INSERT INTO {table.name} BY NAME SELECT * FROM incoming")
    connection.execute("COMMIT")


def _with_marks(programme: Path, prepared: Prepared) -> dict[str, pa.Table]:
    """The sortie's rows with the marks people made on it, which outlast what was found."""
    return {**prepared.rows, "mark": marks_table(read_marks(programme, prepared.sortie))}


def _finish(programme: Path, sortie: str) -> None:
    """The mark and what was replaced go. The sortie is committed: what cannot be removed now goes with a later write."""
    folder = sortie_folder(programme, sortie)
    former = programme / SORTIES / (REPLACED + sortie)
    with contextlib.suppress(OSError):
        (folder / MARK).unlink()
        flush_folder(folder)
        if former.exists():
            discard(programme, former)
