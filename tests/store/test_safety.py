"""What a programme does when it cannot write: it says so, changes nothing, and still answers."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from filelock import FileLock

from tests.answers import hash_answers
from tests.small_sorties import write_sortie
from trimshot.shared.errors import StoreError
from trimshot.store import connection
from trimshot.store.places import LOCK, REPLACED, SORTIES
from trimshot.store.programme import Programme, create_programme, open_programme
from trimshot.store.waiting import tell_waits


@pytest.fixture
def store(tmp_path: Path) -> Programme:
    programme = create_programme(tmp_path / "p")
    assert programme.add([write_sortie(tmp_path / "logs" / "S1", 1, rows=90)]).count("added") == 1
    return programme


def test_a_full_disk_at_every_step_is_told_and_leaves_nothing(store: Programme, tmp_path: Path) -> None:
    """The n-th fsync, mkdir or rename fails as on a full disk; the same add succeeds afterwards."""
    logs = write_sortie(tmp_path / "more" / "S2", 2, rows=90)
    before = hash_answers(store, with_find=False)
    statuses: list[str] = []
    while (status := add_with_full_disk(store, logs, len(statuses))) is not None:
        statuses.append(status)
        there = sorted(open_programme(store.folder).sorties()["sortie"])
        assert there == (["S1"] if status == "failed" else ["S1", "S2"])
        assert sorted(path.name for path in (store.folder / SORTIES).iterdir()) == there
        if "S2" in there:
            store.remove("S2")
    store.add([])
    assert not list((store.folder / ".preparing").iterdir())
    assert statuses.count("failed") >= 8, f"fewer steps than an add has: {statuses}"
    assert hash_answers(store, with_find=False) != before
    store.remove("S2")
    assert hash_answers(store, with_find=False) == before


def add_with_full_disk(store: Programme, logs: Path, number: int) -> str | None:
    """The status of the sortie when call number `number` that needs room fails; None: there are fewer such calls."""
    left = [number]

    def failing(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any, **more: Any) -> Any:
            left[0] -= 1
            if left[0] == -1:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            return real(*arguments, **more)

        return call

    with pytest.MonkeyPatch.context() as patch:
        for name in ("fsync", "mkdir", "rename"):
            patch.setattr(os, name, failing(getattr(os, name)))
        try:
            (one,) = store.add([logs]).sorties
        except (OSError, StoreError):
            return "failed"
    if left[0] >= 0:
        return None
    if one.error is not None:
        assert "No space left" in str(one.error)
    return one.status


@pytest.fixture
def read_only(store: Programme) -> Iterator[Programme]:
    """The programme's folder without the right to write: by its mode, for root by a mount."""
    if os.name == "nt":
        pytest.skip("no read-only folders here")
    if os.getuid() != 0:
        folders = [path for path in (store.folder, *store.folder.rglob("*")) if path.is_dir()]
        for folder in folders:
            folder.chmod(0o555)
        yield store
        for folder in folders:
            folder.chmod(0o755)
        return
    place = str(store.folder)
    bound = subprocess.run(["mount", "--bind", place, place], capture_output=True, check=False)
    closed = subprocess.run(["mount", "-o", "remount,bind,ro", place], capture_output=True, check=False)
    if bound.returncode or closed.returncode:
        if not bound.returncode:
            subprocess.run(["umount", place], check=True)
        pytest.skip("nothing can be mounted here")
    yield store
    subprocess.run(["umount", place], check=True)


def test_a_read_only_programme_answers_and_says_that_it_cannot_be_written(read_only: Programme, tmp_path: Path) -> None:
    programme = open_programme(read_only.folder)
    before = hash_answers(programme)
    works: list[Callable[[], object]] = [
        lambda: programme.add([tmp_path / "logs"]), lambda: programme.remove("S1"), programme.rebuild,
    ]  # fmt: skip
    for work in works:
        with pytest.raises(StoreError, match="cannot be written"):
            work()
    assert hash_answers(programme) == before


def test_a_second_writer_waits_and_says_so(store: Programme, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "SILENT_WAIT_S", 0.1)
    told: list[str] = []
    held = FileLock(store.folder / LOCK, thread_local=False)
    held.acquire()
    timer = threading.Timer(0.5, held.release)
    other = write_sortie(tmp_path / "more" / "S2", 2, rows=90)
    script = (
        "import sys\nfrom pathlib import Path\nfrom trimshot.store import connection\n"
        "from trimshot.store.programme import Programme\nfrom trimshot.store.waiting import tell_waits\n"
        "connection.SILENT_WAIT_S = 0.1\n"
        "with tell_waits(lambda text: print(text, flush=True)):\n"
        "    print(Programme(Path(sys.argv[1])).add([Path(sys.argv[2])]).sorties[0].status)\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", script, str(store.folder), str(other)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert "waiting: another process is writing" in process.stdout.readline()
    timer.start()
    assert process.communicate()[0].strip().endswith("added")
    with tell_waits(told.append):
        store.add([])
    assert told == [], "nobody waits when nobody writes"


def test_a_reader_after_a_kill_finds_what_was_moved_aside(store: Programme) -> None:
    before = hash_answers(store)
    folder = store.folder / SORTIES / "S1"
    folder.rename(folder.with_name(REPLACED + "S1"))
    assert hash_answers(open_programme(store.folder)) == before
