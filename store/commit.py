"""The short half of an add: one writer, one rename, one transaction.

Whatever moment the process dies, `staging.clear_leftovers` finishes or undoes the rest.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import duckdb
import pyarrow as pa

from ..shared.durable import flush_folder
from ..shared.errors import StoreError, UnknownSortieError
from .connection import write_catalog
from .places import MARK, REMOVED, REPLACED, SORTIES, sortie_folder
from .prepare import Prepared
from .schema import TABLES
from .staging import clear_leftovers, discard


def find_content(connection: duckdb.DuckDBPyConnection, content_hash: str) -> str | None:
    """The sortie that holds this very content, if any."""
    rows = connection.execute("SELECT sortie FROM sortie WHERE content_hash = ?", [content_hash]).fetchall()
    return str(rows[0][0]) if rows else None


def list_contents(connection: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """Content hash -> sortie, of every sortie in the programme."""
    return dict(connection.execute("SELECT content_hash, sortie FROM sortie").fetchall())


@contextmanager
def open_store(programme: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """The catalog for writing, the remains of killed runs cleared first."""
    with write_catalog(programme) as connection:
        clear_leftovers(programme, connection)
        yield connection


def commit(programme: Path, prepared: Prepared) -> str | None:
    """Add a prepared sortie. Gives the name of a sortie with the same content, then nothing is added.

    Raises StoreError when the name is taken by other content.
    """
    with open_store(programme) as connection:
        same = find_content(connection, prepared.content_hash)
        if same is not None:
            return same
        if _has_row(connection, prepared.sortie):
            raise StoreError(
                "a sortie of this name with other files is already in the programme",
                where=prepared.sortie,
                do="rename the folder, or replace the sortie by adding it anew with `--replace`",
            )
        _move_in(programme, prepared)
        _insert(connection, prepared.rows)
        _finish(programme, prepared.sortie)
    return None


def commit_replacing(programme: Path, prepared: Prepared) -> bool:
    """Add a prepared sortie in place of one of the same name. Gives whether there was one."""
    with open_store(programme) as connection:
        there = _has_row(connection, prepared.sortie)
        present = sortie_folder(programme, prepared.sortie)
        former = programme / SORTIES / (REPLACED + prepared.sortie)
        if present.exists():
            there = True
            present.rename(former)
        _move_in(programme, prepared)
        _insert(connection, prepared.rows, replacing=prepared.sortie)
        _finish(programme, prepared.sortie)
        if former.exists():
            discard(programme, former)
    return there


def remove(programme: Path, sortie: str) -> None:
    """Take a sortie out, its folder included. Raises UnknownSortieError."""
    with open_store(programme) as connection:
        check_sorties(connection, [sortie])
        present = sortie_folder(programme, sortie)
        former = programme / SORTIES / (REMOVED + sortie)
        if present.exists():
            present.rename(former)
        _insert(connection, {}, replacing=sortie)
        if former.exists():
            discard(programme, former)


def check_sorties(connection: duckdb.DuckDBPyConnection, wanted: list[str]) -> None:
    """Raise UnknownSortieError, listing what there is, for a name the catalog does not have."""
    known = [str(row[0]) for row in connection.execute("SELECT sortie FROM sortie ORDER BY sortie").fetchall()]
    for name in wanted:
        if name not in known:
            shown = ", ".join(known[:20]) + (" ..." if len(known) > 20 else "")
            raise UnknownSortieError(
                "no such sortie", found=repr(name), allowed=shown or "none: the programme is empty"
            )


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
    for table in TABLES:
        if replacing is not None:
            connection.execute(f"DELETE FROM {table.name} WHERE sortie = ?", [replacing])
        incoming = rows.get(table.name)
        if incoming is not None and incoming.num_rows:
            connection.register("incoming", incoming)
            connection.execute(f"INSERT INTO {table.name} BY NAME SELECT * FROM incoming")
            connection.unregister("incoming")
    connection.execute("COMMIT")


def _finish(programme: Path, sortie: str) -> None:
    folder = sortie_folder(programme, sortie)
    (folder / MARK).unlink()
    flush_folder(folder)
