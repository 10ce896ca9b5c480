"""Reading the catalog through instances that are kept: the file is let go, faults end an instance, threads do not meet."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import duckdb
import pytest

from trimshot.shared.errors import StoreError
from trimshot.store import instance
from trimshot.store.connection import open_catalog
from trimshot.store.programme import Programme, create_programme


@pytest.fixture
def store(tmp_path: Path, made_up: Any) -> Programme:
    made = create_programme(tmp_path / "p")
    made.add([made_up(tmp_path / "A", seed=1)])
    return made


def idle() -> list[duckdb.DuckDBPyConnection]:
    return list(instance._idle[instance.READING])


def test_the_file_is_let_go_after_every_question(store: Programme) -> None:
    catalog = str(store.folder / "programme.duckdb")
    assert len(store.points()) > 0
    with duckdb.connect(catalog) as writer:  # raises while anybody of this process holds the file
        writer.execute("UPDATE sortie SET aircraft = 'other'")
    assert list(store.sorties()["aircraft"]) == ["other"], "what was written meanwhile is seen"
    with store.reading(), pytest.raises(duckdb.Error):
        duckdb.connect(catalog)


def test_an_instance_is_kept_and_used_again(store: Programme) -> None:
    store.events()
    kept = idle()
    store.points()
    assert kept and idle() == kept


def test_a_question_inside_another_looks_through_the_same_opening(store: Programme) -> None:
    with open_catalog(store.folder) as outer:
        outer.execute("CREATE TEMP TABLE seen AS SELECT 1 AS one")  # of the outer connection alone
        with open_catalog(store.folder) as inner:
            assert inner.execute("SELECT count(*) FROM sortie").fetchall() == [(1,)]
            attached = "SELECT count(*) FROM duckdb_databases() WHERE NOT internal AND path IS NOT NULL"
            assert inner.execute(attached).fetchall() == [(1,)]
        assert len(store.points()) > 0
        assert outer.execute("SELECT count(*) FROM sortie").fetchall() == [(1,)]


def test_a_fault_ends_the_instance_and_the_file_is_let_go(store: Programme) -> None:
    store.points()
    before = idle()
    with pytest.raises(StoreError), open_catalog(store.folder) as connection:
        connection.execute("SELECT * FROM no_such_table")
    assert connection not in idle() and len(idle()) == len(before) - 1
    duckdb.connect(str(store.folder / "programme.duckdb")).close()
    assert len(store.points()) > 0


def test_many_threads_ask_at_once(store: Programme) -> None:
    answers: list[int] = []

    def ask() -> None:
        answers.extend(len(store.points()) + len(store.events()) for _ in range(5))

    threads = [threading.Thread(target=ask) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(answers) == 30 and len(set(answers)) == 1
    assert len(idle()) <= instance._MOST_IDLE[instance.READING]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="forks")
def test_a_forked_child_asks_and_ends(store: Programme) -> None:
    code = (
        "import os, sys\n"
        "from pathlib import Path\n"
        "from trimshot.store.programme import Programme\n"
        "store = Programme(Path(sys.argv[1]))\n"
        "expected = len(store.points())\n"
        "child = os.fork()\n"
        "if not child:\n"
        "    os._exit(0 if len(store.points()) == expected else 1)\n"
        "sys.exit(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) or len(store.points()) - expected)\n"
    )
    subprocess.run([sys.executable, "-W", "ignore", "-c", code, str(store.folder)], check=True, timeout=60)
