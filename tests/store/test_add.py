"""Adding: whole or not at all, the same twice is once, one bad sortie never stops the others."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import pickle
import random
import shutil
import signal
import stat
import subprocess
import sys
import time
import zipfile
from pathlib import Path
from typing import Any

import duckdb
import pytest

from trimshot.shared.errors import ParseError, StoreError, UnknownSortieError
from trimshot.shared.settings import Settings
from trimshot.store import commit as commit_module
from trimshot.store import prepare as prepare_module
from trimshot.store.places import MARK, PREPARING, REPLACED, SORTIES, sortie_folder
from trimshot.store.prepare import gather, hash_content, prepare, prepare_recording
from trimshot.store.programme import Programme, create_programme, open_programme
from trimshot.store.schema import TABLES

CONFTEST = Path(__file__).with_name("conftest.py")

ADD_IN_A_PROCESS = """
import importlib.util, sys
from pathlib import Path
spec = importlib.util.spec_from_file_location("store_conftest", sys.argv[1])
module = importlib.util.module_from_spec(spec)
sys.modules["store_conftest"] = module
spec.loader.exec_module(module)
module.use_made_up()
from trimshot.store.programme import Programme
print("ready", flush=True)
sys.stdin.readline()
store = Programme(Path(sys.argv[2]))
work = store.readd if sys.argv[4] == "readd" else store.add
report = work([Path(sys.argv[3])])
print(*[f"{one.sortie}={one.status}" for one in report.sorties])
"""


def start(store: Programme, logs: Path, what: str = "add") -> subprocess.Popen[str]:
    """A process ready to add; it begins when a line is written to it."""
    command = [sys.executable, "-c", ADD_IN_A_PROCESS, str(CONFTEST), str(store.folder), str(logs), what]
    process = subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=os.environ
    )
    assert process.stdout is not None and process.stdout.readline().strip() == "ready", process.communicate()
    return process


def go(process: subprocess.Popen[str]) -> None:
    assert process.stdin is not None
    process.stdin.write("go\n")
    process.stdin.flush()


def check_whole(store: Programme, sorties: set[str]) -> None:
    """Every folder has its row and its files, every row its folder, nothing else lies about."""
    assert set(store.sorties()["sortie"]) == sorties
    folders = list((store.folder / SORTIES).iterdir())
    assert {path.name for path in folders} == sorties
    for folder in folders:
        assert {path.name for path in folder.iterdir()} == {"source", "tracks", "frame.parquet"}
        assert len(store.samples(folder.name)) == 600
        assert len(store.track(folder.name, "display")) == 600
        assert len(store.points(folder.name)) == 2
    assert not list((store.folder / PREPARING).glob("*"))


def counts(store: Programme) -> dict[str, int]:
    connection = duckdb.connect(str(store.folder / "programme.duckdb"), read_only=True)
    found = {table.name: connection.execute(f"SELECT count(*) FROM {table.name}").fetchall()[0][0] for table in TABLES}
    connection.close()
    return found


@pytest.fixture
def store(tmp_path: Path) -> Programme:
    return create_programme(tmp_path / "p")


def test_what_an_add_tells(store: Programme, tmp_path: Path, made_up: Any) -> None:
    told: list[tuple[str, int, int]] = []
    report = store.add([made_up(tmp_path / "logs" / "A")], lambda *one: told.append(one))
    (one,) = report.sorties
    assert (one.sortie, one.status, one.points, one.refused, one.events) == ("A", "added", 2, 1, 2)
    assert one.duration_s == pytest.approx(59.9)
    (file,) = one.files
    assert (file.file, file.adapter, file.rows_in, file.rows_out) == ("log.nmea", "made up", 600, 600)
    assert (file.clock_offset_s, file.clock_uncertainty_s) == (0.25, 0.05)
    assert "vertical_speed" in file.channels and [finding.code for finding in file.findings] == ["GAP"]
    assert told == [("A", 0, 1), ("", 1, 1)]
    check_whole(store, {"A"})


def test_sources_are_kept_bit_for_bit_and_read_only(store: Programme, tmp_path: Path, made_up: Any) -> None:
    logs = made_up(tmp_path / "logs" / "A")
    (logs / "deeper").mkdir()
    (logs / "deeper" / "photo.jpg").write_bytes(os.urandom(3000))
    store.add([logs])
    kept = sortie_folder(store.folder, "A") / "source"
    for path in (path for path in logs.rglob("*") if path.is_file()):
        copy = kept / path.relative_to(logs)
        assert copy.read_bytes() == path.read_bytes()
        assert not stat.S_IMODE(copy.stat().st_mode) & 0o222


def test_the_same_twice_adds_nothing_and_says_so(store: Programme, tmp_path: Path, made_up: Any) -> None:
    logs = made_up(tmp_path / "logs" / "A")
    store.add([logs])
    before = counts(store)
    (again,) = store.add([logs]).sorties
    assert (again.status, again.note) == ("unchanged", "the same files are already in the programme")
    (renamed,) = store.add([made_up(tmp_path / "logs" / "B")]).sorties
    assert (renamed.status, renamed.note) == ("unchanged", "the same files are already in the programme as A")
    packed = shutil.make_archive(str(tmp_path / "packed"), "zip", tmp_path / "logs", "A")
    (zipped,) = store.add([Path(packed)]).sorties
    assert (zipped.status, zipped.note) == ("unchanged", "the same files are already in the programme as A")
    assert counts(store) == before
    check_whole(store, {"A"})
    (store.folder / "settings.toml").write_text('[aircraft]\nname = "other"\n', encoding="utf-8")
    (other,) = store.add([logs]).sorties
    assert other.status == "unchanged" and "found with other settings" in other.note


def test_a_name_taken_by_other_files_is_an_error(store: Programme, tmp_path: Path, made_up: Any) -> None:
    store.add([made_up(tmp_path / "one" / "A", seed=1)])
    (second,) = store.add([made_up(tmp_path / "two" / "A", seed=2)]).sorties
    assert second.status == "failed" and isinstance(second.error, StoreError)
    assert "already in the programme" in str(second.error)
    assert store.sorties()["start_utc"].dt.day.tolist() == [7]
    check_whole(store, {"A"})


def test_readd_replaces_everything_of_the_sortie(store: Programme, tmp_path: Path, made_up: Any) -> None:
    store.add([made_up(tmp_path / "one" / "A", seed=1), made_up(tmp_path / "one" / "B", seed=5)])
    before = counts(store)
    (second,) = store.readd([made_up(tmp_path / "two" / "A", seed=2)]).sorties
    assert second.status == "replaced"
    assert store.sorties()["start_utc"].dt.day.tolist() == [8, 11]
    assert counts(store)["point"] == before["point"] and counts(store)["sortie"] == 2
    (new,) = store.readd([made_up(tmp_path / "two" / "C", seed=3)]).sorties
    assert new.status == "added"
    check_whole(store, {"A", "B", "C"})


def test_remove(store: Programme, tmp_path: Path, made_up: Any) -> None:
    store.add([made_up(tmp_path / "one" / "A", seed=1), made_up(tmp_path / "one" / "B", seed=5)])
    store.remove("A")
    check_whole(store, {"B"})
    with pytest.raises(UnknownSortieError, match="B"):
        store.remove("A")
    assert store.add([tmp_path / "one" / "A"]).count("added") == 1


def test_one_bad_sortie_never_stops_the_others(store: Programme, tmp_path: Path, made_up: Any) -> None:
    logs = tmp_path / "logs"
    made_up(logs / "A", seed=1)
    made_up(logs / "B", seed=2, fail="parse")
    made_up(logs / "C", seed=3, fail="program")
    made_up(logs / "D", seed=4)
    report = store.add([logs, tmp_path / "nothing", store.folder])
    by_name = {one.sortie: one for one in report.sorties}
    assert {name: one.status for name, one in by_name.items()} == {
        "A": "added",
        "B": "failed",
        "C": "failed",
        "D": "added",
        "nothing": "failed",
        "p": "failed",
    }
    assert isinstance(by_name["B"].error, ParseError) and "log.nmea line 3" in str(by_name["B"].error)
    assert "the program failed on this sortie" in str(by_name["C"].error)
    assert isinstance(getattr(by_name["C"].error, "__cause__", None), ValueError)
    assert "belongs to the programme itself" in str(by_name["p"].error)
    check_whole(store, {"A", "D"})


def test_a_zip_is_kept_unpacked(store: Programme, tmp_path: Path, made_up: Any) -> None:
    logs = made_up(tmp_path / "logs" / "A")
    with zipfile.ZipFile(tmp_path / "Z.zip", "w") as archive:
        for path in logs.iterdir():
            archive.write(path, path.name)
    assert [one.sortie for one in store.add([tmp_path / "Z.zip"]).sorties if one.status == "added"] == ["Z"]
    assert store.add([logs]).sorties[0].note == "the same files are already in the programme as Z"
    kept = sortie_folder(store.folder, "Z") / "source"
    assert {path.name for path in kept.iterdir()} == {path.name for path in logs.iterdir()}


def test_the_content_hash_covers_names_and_bytes(tmp_path: Path) -> None:
    def of(text: str) -> str:
        return hashlib.sha256(text.encode()).hexdigest()

    one = hash_content({"a": of("1"), "b": of("2")})
    assert one == hash_content({"b": of("2"), "a": of("1")})
    others = [{"a": of("2"), "b": of("1")}, {"a": of("1"), "c": of("2")}, {"a": of("1")}, {}]
    assert len({one, *map(hash_content, others)}) == 5


def test_what_prepare_gives_back_can_be_sent_between_processes(tmp_path: Path, made_up: Any) -> None:
    gathered = gather(made_up(tmp_path / "logs" / "A"), tmp_path / "scratch")
    prepared = prepare(pickle.loads(pickle.dumps(gathered)), Settings())
    copy = pickle.loads(pickle.dumps(prepared))
    assert copy.rows["point"].equals(prepared.rows["point"])
    assert (copy.report.sortie, copy.report.points) == (prepared.report.sortie, 2)
    assert (prepared.place / MARK).read_text() == prepared.addition


STEPS = ["_move_in", "_insert", "_finish", "discard"]


class Died(BaseException):
    """Stands for the process's end at a chosen place."""


@pytest.mark.parametrize("before", [True, False])
@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("what", ["add", "readd", "remove"])
def test_an_end_at_any_step_leaves_the_old_or_the_new_state(
    store: Programme, tmp_path: Path, made_up: Any, monkeypatch: pytest.MonkeyPatch, what: str, step: str, before: bool
) -> None:
    store.add([made_up(tmp_path / "one" / "A", seed=1)])
    new = made_up(tmp_path / "two" / ("B" if what == "add" else "A"), seed=2)
    real = getattr(commit_module, step)

    def end(*arguments: Any, **named: Any) -> None:
        if not before:
            real(*arguments, **named)
        raise Died

    def work() -> object:
        if what == "remove":
            store.remove("A")
            return None
        return store.readd([new]) if what == "readd" else store.add([new])

    with monkeypatch.context() as patch:
        patch.setattr(commit_module, step, end)
        with contextlib.suppress(Died):
            work()
    # another process would see what a killed one left; opening to write settles it
    other = open_programme(store.folder)
    other.add([])
    committed = step in ("_finish", "discard") or (step == "_insert" and not before)
    days = other.sorties()["start_utc"].dt.day.tolist()
    if what == "add":
        done = committed or step == "discard"
        assert days == ([7, 8] if done else [7])
        check_whole(other, {"A", "B"} if done else {"A"})
    elif what == "readd":
        assert days == ([8] if committed else [7])
        check_whole(other, {"A"})
    else:
        gone = committed or step in ("_move_in", "_finish")
        assert days == ([] if gone else [7])
        check_whole(other, set() if gone else {"A"})


def test_kill_at_random_moments(store: Programme, tmp_path: Path, made_up: Any) -> None:
    """Real processes, really killed; the next run is whole and takes in the rest."""
    logs = tmp_path / "logs"
    names = {f"S{seed}" for seed in range(8)}
    for seed in range(8):
        made_up(logs / f"S{seed}", seed=seed)
    moments = random.Random(20250506)
    started = time.monotonic()
    killed = 0
    for _ in range(4):
        process = start(store, logs)
        go(process)
        time.sleep(moments.uniform(0.02, 0.35))
        process.send_signal(signal.SIGKILL)
        process.wait()
        killed += process.returncode == -signal.SIGKILL
        for stream in (process.stdin, process.stdout, process.stderr):
            assert stream is not None
            stream.close()
        made_up_store = open_programme(store.folder)
        made_up_store.add([])
        check_whole(made_up_store, set(made_up_store.sorties()["sortie"]))
        if time.monotonic() - started > 60:
            break
    assert killed >= 2
    report = store.add([logs])
    assert report.count("added") + report.count("unchanged") == 8
    check_whole(store, names)


def test_two_writers_at_once(store: Programme, tmp_path: Path, made_up: Any) -> None:
    logs = [tmp_path / "one", tmp_path / "two"]
    for number, folder in enumerate(logs):
        for seed in range(3):
            made_up(folder / f"S{number}{seed}", seed=10 * number + seed)
    processes = [start(store, folder) for folder in logs]
    for process in processes:
        go(process)
    # a reader in between never fails and never sees half a sortie
    while any(process.poll() is None for process in processes):
        seen = store.sorties()
        assert (seen["points"] == 2).all() and (seen["tracks"] == 2).all()
        for name in seen["sortie"]:
            assert len(store.samples(name)) == 600
    for process in processes:
        out, err = process.communicate()
        assert process.returncode == 0 and out.count("=added") == 3, err
    check_whole(store, {f"S{number}{seed}" for number in (0, 1) for seed in range(3)})


def test_two_writers_of_the_same_sortie(store: Programme, tmp_path: Path, made_up: Any) -> None:
    logs = made_up(tmp_path / "logs" / "A").parent
    processes = [start(store, logs) for _ in range(2)]
    for process in processes:
        go(process)
    said = sorted(process.communicate()[0].strip() for process in processes)
    assert said in (["A=added", "A=unchanged"],)
    check_whole(store, {"A"})


def test_work_of_a_living_process_is_no_leftover(store: Programme, tmp_path: Path, made_up: Any) -> None:
    from trimshot.store.staging import stage

    with stage(store.folder) as place:
        (place / "half").write_text("being written")
        process = start(store, made_up(tmp_path / "logs" / "A").parent)
        go(process)
        out, err = process.communicate()
        assert out.strip() == "A=added", err
        assert (place / "half").exists()
    check_whole(store, {"A"})


def test_an_unknown_folder_in_sorties_is_not_touched(store: Programme, tmp_path: Path, made_up: Any) -> None:
    stray = sortie_folder(store.folder, "A")
    stray.mkdir()
    (stray / "mine.txt").write_text("mine")
    (one,) = store.add([made_up(tmp_path / "logs" / "A")]).sorties
    assert one.status == "failed" and "rebuild" in str(one.error)
    assert (stray / "mine.txt").read_text() == "mine"


def test_json_in_the_catalog_is_strict(store: Programme, tmp_path: Path, made_up: Any) -> None:
    store.add([made_up(tmp_path / "logs" / "A")])
    connection = duckdb.connect(str(store.folder / "programme.duckdb"), read_only=True)
    for table in TABLES:
        for column in (column for column in table.columns if column.type == "JSON"):
            for (text,) in connection.execute(f"SELECT {column.name} FROM {table.name}").fetchall():
                assert text is None or json.loads(text, parse_constant=pytest.fail) is not Ellipsis
    connection.close()
    assert REPLACED.startswith(".")


@pytest.mark.parametrize("again", [False, True])
def test_sources_are_on_disk_before_a_sortie_is_prepared(
    tmp_path: Path, made_up: Any, monkeypatch: pytest.MonkeyPatch, again: bool
) -> None:
    gathered = gather(made_up(tmp_path / "logs" / "A"), tmp_path / "scratch")
    flushed: set[tuple[int, int]] = set()
    real = os.fsync

    def note(handle: int) -> None:
        state = os.fstat(handle)
        flushed.add((state.st_dev, state.st_ino))
        real(handle)

    monkeypatch.setattr(os, "fsync", note)
    if again:
        prepare_recording(
            gathered, vars(prepare_module)["read_unchecked"](gathered.source, Settings()).recording, Settings()
        )
    else:
        prepare(gathered, Settings())
    sources = [gathered.source, *gathered.source.iterdir()]
    assert len(sources) > 1
    assert {(path.stat().st_dev, path.stat().st_ino) for path in sources} <= flushed


def test_a_log_beside_several_archives_is_told_and_the_archives_are_added(
    store: Programme, tmp_path: Path, made_up: Any
) -> None:
    logs = tmp_path / "week"
    logs.mkdir()
    for day in ("monday", "tuesday"):
        with zipfile.ZipFile(logs / f"{day}.zip", "w") as archive:
            for file in made_up(tmp_path / "made" / day).iterdir():
                archive.write(file, file.name)
            archive.writestr("note.txt", day)
    shutil.copy(tmp_path / "made" / "monday" / "log.nmea", logs / "stray.nmea")
    told = {report.sortie: report for report in store.add([logs]).sorties}
    assert {name: report.status for name, report in told.items()} == {
        "monday": "added",
        "tuesday": "added",
        "stray.nmea": "failed",
    }
    assert "several archives" in str(told["stray.nmea"].error)
