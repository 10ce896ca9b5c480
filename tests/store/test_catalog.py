"""The catalog: its schema and comments, its versions, its doors, and the way back when it is lost."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import duckdb
import pytest
from filelock import FileLock

from trimshot.shared.errors import LockedError, SchemaVersionError, StoreError
from trimshot.store import connection as connection_module
from trimshot.store import schema as schema_module
from trimshot.store.connection import open_catalog, write_catalog
from trimshot.store.programme import Programme, create_programme, find_programme, open_programme
from trimshot.store.schema import STEPS, TABLES


@pytest.fixture
def store(tmp_path: Path) -> Programme:
    return create_programme(tmp_path / "p")


def catalog(store: Programme) -> Path:
    return store.folder / "programme.duckdb"


def test_every_table_and_column_says_what_it_holds(store: Programme) -> None:
    with open_catalog(store.folder) as connection:
        tables = dict(connection.execute("SELECT table_name, comment FROM duckdb_tables()").fetchall())
        columns = connection.execute(
            "SELECT table_name, column_name, data_type, comment FROM duckdb_columns() WHERE NOT internal"
        ).fetchall()
    assert set(tables) == {table.name for table in TABLES} | {"store_version"}
    assert all(tables.values())
    for table, column, kind, comment in columns:
        if table == "store_version":
            continue
        assert comment, f"{table}.{column}"
        if column.endswith("_s"):
            assert "second" in comment, f"{table}.{column}"
        if kind == "DOUBLE":
            units = ("second", "unit", "0 to 1", "ppm", "per million")
            assert any(word in comment for word in units), f"{table}.{column}"


def test_every_connection_is_shut_in(store: Programme) -> None:
    with open_catalog(store.folder) as reader:
        found = dict(reader.execute("SELECT name, value FROM duckdb_settings()").fetchall())
    for name in (
        "autoinstall_known_extensions",
        "autoload_known_extensions",
        "enable_progress_bar",
        "python_enable_replacements",
    ):
        assert str(found[name]).lower() == "false", name
    assert found["TimeZone"] == "UTC"


def test_a_sortie_alone_takes_few_of_the_small_blocks(store: Programme, tmp_path: Path, made_up: Any) -> None:
    made_up(tmp_path / "S1")
    assert store.add([tmp_path / "S1"]).count("added") == 1
    with open_catalog(store.folder) as reader:
        (size,) = reader.execute(
            "SELECT block_size FROM pragma_database_size() WHERE database_name = current_database()"
        ).fetchone() or (0,)
    assert size == 65536
    assert catalog(store).stat().st_size < 4_000_000  # with the usual blocks of four times the size: 6.8 MB


def test_a_catalog_of_larger_blocks_is_read_and_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # as programs before this one made them
    monkeypatch.setattr(connection_module, "_BLOCK_BYTES", "262144")
    older = create_programme(tmp_path / "older")
    monkeypatch.undo()
    with write_catalog(older.folder) as connection:
        sizes = connection.execute("SELECT database_name, block_size FROM pragma_database_size()").fetchall()
        connection.execute("INSERT INTO phase VALUES ('S1', 0.0, 1.0, 'climb')")
    assert ("programme", 262144) in sizes
    with open_catalog(older.folder) as reader:
        assert reader.execute("SELECT kind FROM phase").fetchall() == [("climb",)]


def test_a_reader_cannot_write(store: Programme) -> None:
    with pytest.raises(StoreError), open_catalog(store.folder) as reader:
        reader.execute("DELETE FROM sortie")


def test_a_newer_store_is_refused(store: Programme) -> None:
    with write_catalog(store.folder) as connection:
        connection.execute("INSERT INTO store_version VALUES (?, now())", [len(STEPS) + 1])
    with pytest.raises(SchemaVersionError, match="newer program"):
        open_programme(store.folder)
    with pytest.raises(SchemaVersionError):
        store.add([])
    with pytest.raises(SchemaVersionError):
        store.rebuild()


def test_an_older_store_is_brought_up_to_date(store: Programme, monkeypatch: pytest.MonkeyPatch) -> None:
    def second_step(connection: duckdb.DuckDBPyConnection) -> None:
        connection.execute("ALTER TABLE sortie ADD COLUMN weather VARCHAR")

    longer = (*STEPS, second_step)
    monkeypatch.setattr(schema_module, "STEPS", longer)
    monkeypatch.setattr(connection_module, "STEPS", longer)
    opened = open_programme(store.folder)
    with open_catalog(opened.folder) as connection:
        assert connection.execute("SELECT max(version) FROM store_version").fetchall() == [(len(longer),)]
        connection.execute("SELECT weather FROM sortie")


def test_a_step_that_fails_leaves_the_old_version(store: Programme, monkeypatch: pytest.MonkeyPatch) -> None:
    def bad_step(connection: duckdb.DuckDBPyConnection) -> None:
        connection.execute("ALTER TABLE sortie ADD COLUMN weather VARCHAR")
        connection.execute("ALTER TABLE nowhere ADD COLUMN x VARCHAR")

    with monkeypatch.context() as patch:
        patch.setattr(schema_module, "STEPS", (*STEPS, bad_step))
        patch.setattr(connection_module, "STEPS", (*STEPS, bad_step))
        with pytest.raises(StoreError):
            open_programme(store.folder)
    with open_catalog(store.folder) as connection:
        assert connection.execute("SELECT max(version) FROM store_version").fetchall() == [(len(STEPS),)]
        assert "weather" not in connection.execute("SELECT * FROM sortie").df().columns


def test_a_writer_waits_for_the_lock_and_then_says_what_to_do(
    store: Programme, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection_module, "WRITER_WAIT_S", 0.2)
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sys; from filelock import FileLock\n"
            "with FileLock(sys.argv[1]):\n    print('held', flush=True); sys.stdin.readline()",
            str(store.folder / "programme.lock"),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert holder.stdout is not None and holder.stdout.readline() == "held\n"
    with pytest.raises(LockedError, match="wait until it has finished"):
        store.add([])
    assert len(store.sorties()) == 0  # reading goes on
    holder.communicate("\n")
    store.add([])


def test_a_reader_waits_for_a_writer(store: Programme, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection_module, "READER_WAIT_S", 0.2)
    code = "import sys, duckdb\nc = duckdb.connect(sys.argv[1])\nprint('held', flush=True)\nsys.stdin.readline()"
    holder = subprocess.Popen(
        [sys.executable, "-c", code, str(catalog(store))], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert holder.stdout is not None and holder.stdout.readline() == "held\n"
    with pytest.raises(LockedError, match="run again"):
        store.sorties()
    holder.communicate("\n")
    assert len(store.sorties()) == 0


def test_writing_and_reading_inside_one_process_wait_for_each_other(store: Programme) -> None:
    import threading

    done = threading.Event()

    def write() -> None:
        with write_catalog(store.folder):
            done.wait(0.5)

    writer = threading.Thread(target=write)
    writer.start()
    assert len(store.sorties()) == 0
    done.set()
    writer.join()


@pytest.mark.parametrize("damage", ["missing", "empty", "text", "cut", "overwritten"])
def test_a_lost_catalog_is_rebuilt_from_the_sources(
    store: Programme, tmp_path: Path, made_up: Any, damage: str
) -> None:
    logs = tmp_path / "logs"
    made_up(logs / "A", seed=1)
    made_up(logs / "B", seed=2)
    store.add([logs])
    before = store.points(refused=True)
    samples = store.samples("A")
    content = catalog(store).read_bytes()
    broken = {
        "empty": b"",
        "text": b"not a database\n" * 1000,
        "cut": content[:5000],
        "overwritten": content[:4096] + b"\xff" * 40000 + content[44096:],
    }
    catalog(store).unlink()
    if damage in broken:
        catalog(store).write_bytes(broken[damage])
    with pytest.raises(StoreError, match="trimshot rebuild"):
        open_programme(store.folder).points()
    assert find_programme(store.folder) == store.folder.resolve()
    report = store.rebuild()
    assert {one.sortie: one.error for one in report.sorties} == {"A": None, "B": None}
    assert store.points(refused=True).equals(before)
    assert store.samples("A").equals(samples)
    kept = list(store.folder.glob("programme.duckdb.unusable-*"))
    assert len(kept) == (0 if damage == "missing" else 1)


def test_rebuild_uses_the_settings_of_now(store: Programme, tmp_path: Path, made_up: Any) -> None:
    store.add([made_up(tmp_path / "logs" / "A")])
    assert store.find("flap > deg(30)").considered == ()
    text = '[[aircraft.flap_settings]]\nname = "full"\nangle = "40 deg"\n'
    (store.folder / "settings.toml").write_text(text, encoding="utf-8")
    assert not store.sorties()["settings_current"].any()
    assert [one.status for one in store.rebuild().sorties] == ["replaced"]
    assert store.sorties()["settings_current"].all()
    found = store.find("flap > deg(30)")
    by_word = store.find("flap = 'full'")
    assert len(found.frame) > 0 and found.frame["start_s"].equals(by_word.frame["start_s"])


def test_rebuild_tells_what_it_could_not_read_and_keeps_it(store: Programme, tmp_path: Path, made_up: Any) -> None:
    logs = tmp_path / "logs"
    made_up(logs / "A", seed=1)
    made_up(logs / "B", seed=2)
    store.add([logs])
    source = store.folder / "sorties" / "A" / "source"
    (source / "facts.json").chmod(0o644)
    (source / "facts.json").write_text('{"seed": 1, "rows": 600, "fail": "parse"}')
    shutil.rmtree(store.folder / "sorties" / "B" / "source")
    reports = {one.sortie: one for one in store.rebuild().sorties}
    assert {name: one.status for name, one in reports.items()} == {"A": "failed", "B": "failed"}
    assert "source files are gone" in str(reports["B"].error)
    assert set(store.sorties()["sortie"]) == {"A", "B"} and len(store.samples("A")) == 600


def test_the_lock_is_free_afterwards(store: Programme, tmp_path: Path, made_up: Any) -> None:
    store.add([made_up(tmp_path / "logs" / "A")])
    lock = FileLock(store.folder / "programme.lock")
    lock.acquire(timeout=0)
    lock.release()
