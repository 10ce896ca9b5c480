"""One process, a pool, a cluster: the same programme comes out, whatever dies on the way."""

from __future__ import annotations

import contextlib
import json
import operator
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from pathlib import Path

import pytest

from tests.answers import hash_answers
from tests.small_sorties import deadly_environment, write_sortie
from trimshot.shared.errors import ConditionError, TrimshotError, WorkerError
from trimshot.store.cluster import Cluster, ClusterTicket
from trimshot.store.engine import HERE, Engine
from trimshot.store.engine_choice import open_engine
from trimshot.store.pool import ALONE_TRIES, CROWD_TRIES
from trimshot.store.programme import Programme, create_programme
from trimshot.store.rows import program_version


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("logs")
    for day in range(1, 5):
        write_sortie(folder / f"S{day}", day)
    write_sortie(folder / "S3-again", 3)  # the same content under another name
    (folder / "bad").mkdir()
    sentence = "$GPGSV,1,1,00*79\r\n"  # no satellite in view: recognised, and without any time
    (folder / "bad" / "log.nmea").write_text(sentence * 5, encoding="ascii", newline="")
    return folder


@pytest.fixture(scope="module")
def plain(logs: Path, tmp_path_factory: pytest.TempPathFactory) -> Programme:
    """Everything done in one process."""
    programme = create_programme(tmp_path_factory.mktemp("plain") / "p")
    report = programme.add([logs])
    assert [report.count(status) for status in ("added", "unchanged", "failed")] == [4, 1, 1]
    return programme


class Deadly(int):
    """A number whose unpickling ends the process that does it."""

    def __reduce__(self) -> tuple[object, ...]:
        return os._exit, (9,)


def work_all(engine: Engine, jobs: list[int]) -> list[object]:
    tickets = [engine.start(operator.neg, job) for job in jobs]
    out: list[object] = []
    for ticket in tickets:
        try:
            out.append(ticket.result())
        except TrimshotError as error:
            out.append(error)
    return out


def test_work_here_is_done_when_asked_for() -> None:
    assert work_all(HERE, [1, 2]) == [-1, -2]
    with open_engine(1) as engine:
        assert engine is HERE
    with pytest.raises(ConditionError), open_engine(0):
        pass
    with pytest.raises(ConditionError, match="one of the two"), open_engine(2, "tcp://127.0.0.1:1"):
        pass


def test_what_kills_its_worker_is_told_and_its_neighbours_are_done() -> None:
    with open_engine(2) as engine:
        found = work_all(engine, [1, 2, Deadly(3), 4, 5, 6])
        assert [one for one in found if isinstance(one, int)] == [-1, -2, -4, -5, -6]
        assert isinstance(found[2], WorkerError)
        assert f"{CROWD_TRIES + ALONE_TRIES} dead workers" in str(found[2])
        assert work_all(engine, [7]) == [-7], "the pool goes on afterwards"


def test_an_error_of_the_work_is_its_own() -> None:
    with open_engine(2) as engine:
        ticket = engine.start(int, "x")
        with pytest.raises(ValueError, match="invalid literal"):
            ticket.result()
        assert work_all(engine, [1]) == [-1]


def test_a_pool_gives_the_same_answers(plain: Programme, logs: Path, tmp_path: Path) -> None:
    told: list[tuple[str, int, int]] = []
    programme = create_programme(tmp_path / "p")
    with open_engine(2) as engine:
        report = programme.add([logs], lambda *one: told.append(one), engine=engine)
        assert [one.sortie for one in report.sorties] == sorted(path.name for path in logs.iterdir())
        assert [report.count(status) for status in ("added", "unchanged", "failed")] == [4, 1, 1]
        assert told[0][1:] == (0, 6) and told[-1] == ("", 6, 6)
        expected = hash_answers(plain)
        assert hash_answers(programme) == expected
        assert programme.readd([logs / "S2"], engine=engine).count("replaced") == 1
        assert programme.redetect(engine=engine).count("replaced") == 4
        assert hash_answers(programme) == expected
        (programme.folder / "programme.duckdb").unlink()
        assert programme.rebuild(engine=engine).count("replaced") == 4
    assert hash_answers(programme) == expected
    assert not list((programme.folder / ".preparing").iterdir())


def test_sorties_that_kill_workers(
    plain: Programme, logs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One kills its worker once, one each time: the first is added, the second told, all others are there."""
    mixed = tmp_path / "logs"
    for day in range(1, 5):
        write_sortie(mixed / f"S{day}", day, name={2: "once.csv", 3: "poison.csv"}.get(day, "log.csv"))
    for name, value in deadly_environment(tmp_path / "deadly").items():
        monkeypatch.setenv(name, value)
    programme = create_programme(tmp_path / "p")
    with open_engine(2) as engine:
        report = programme.add([mixed], engine=engine)
    failed = [one for one in report.sorties if one.status == "failed"]
    assert [one.sortie for one in failed] == ["S3"]
    assert isinstance(failed[0].error, WorkerError) and "died each time" in str(failed[0].error)
    assert (tmp_path / "deadly" / "died-once.csv").exists()
    assert report.count("added") == 3
    assert not list((programme.folder / ".preparing").iterdir())
    assert len(programme.samples("S2")) == len(plain.samples("S2"))


def children_of(process: int) -> list[int]:
    folder = Path(f"/proc/{process}/task")
    texts = []
    with contextlib.suppress(OSError):  # a thread, or the process, may end between the list and the look
        for task in folder.iterdir():
            texts.append((task / "children").read_text())  # noqa: PERF401
    return [int(one) for text in texts for one in text.split()]


ADD_WITH_POOL = """
import sys
from pathlib import Path
if __name__ == "__main__":
    from trimshot.store.engine_choice import open_engine
    from trimshot.store.programme import Programme
    with open_engine(2) as engine:
        Programme(Path(sys.argv[1])).add([Path(sys.argv[2])], engine=engine)
"""


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="tells processes by /proc")
def test_workers_end_when_their_run_is_killed(plain: Programme, logs: Path, tmp_path: Path) -> None:
    script = tmp_path / "run.py"
    script.write_text(ADD_WITH_POOL, encoding="utf-8")
    programme = create_programme(tmp_path / "p")
    process = subprocess.Popen([sys.executable, str(script), str(programme.folder), str(logs)])
    end = time.monotonic() + 60
    try:
        while len(workers := [one for one in children_of(process.pid) if _runs(one)]) < 3:
            assert process.poll() is None and time.monotonic() < end
            time.sleep(0.05)
        time.sleep(0.5)
    finally:
        process.send_signal(signal.SIGKILL)
        process.wait()
    while any(_runs(one) for one in workers):
        assert time.monotonic() < end, "workers outlive their run"
        time.sleep(0.05)
    report = programme.add([logs])
    assert report.count("failed") == 1
    assert hash_answers(programme) == hash_answers(plain)
    assert not list((programme.folder / ".preparing").iterdir())


def _runs(process: int) -> bool:
    try:
        state = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except OSError:
        return False
    return state != "Z"


# -- a cluster ---------------------------------------------------------------------------------------

START_SCHEDULER = "from distributed.cli.dask_scheduler import main; main()"
START_WORKER = "from distributed.cli.dask_worker import main; main()"


@contextlib.contextmanager
def local_cluster(folder: Path, workers: int, **environment: str) -> Iterator[str]:
    """A scheduler and workers, each a process of its own, on this machine alone."""
    distributed = pytest.importorskip("distributed")
    folder.mkdir()
    known = folder / "scheduler.json"
    environment = {**os.environ, **environment}
    local = ["--host", "127.0.0.1", "--no-dashboard"]

    def run(code: str, *arguments: str) -> subprocess.Popen[bytes]:
        with (folder / "output.txt").open("ab") as stream:
            command = [sys.executable, "-c", code, "--scheduler-file", str(known), *arguments]
            return subprocess.Popen(command, stdout=stream, stderr=stream, env=environment, cwd=folder)

    processes = [run(START_SCHEDULER, *local, "--port", "0")]
    try:
        end = time.monotonic() + 60
        while not known.exists() or not (address := _address_of(known)):
            assert time.monotonic() < end, (folder / "output.txt").read_text()
            time.sleep(0.05)
        # --no-nanny would end for good with its first death
        processes += [
            run(START_WORKER, *local, "--nthreads", "1", "--nworkers", "1", "--name", f"w{number}")
            for number in range(workers)
        ]
        with distributed.Client(address, set_as_default=False) as client:
            client.wait_for_workers(workers, timeout=60)
        yield address
    finally:
        for process in reversed(processes):
            process.terminate()
        for process in processes:
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def _address_of(known: Path) -> str:
    try:
        return str(json.loads(known.read_text())["address"])
    except (ValueError, KeyError):
        return ""


def test_a_cluster_gives_the_same_answers_though_a_worker_dies(plain: Programme, logs: Path, tmp_path: Path) -> None:
    mixed = tmp_path / "logs"
    for day in range(1, 4):
        write_sortie(mixed / f"S{day}", day, name="once.csv" if day == 2 else "log.csv")
    reference = create_programme(tmp_path / "reference")
    reference.add([mixed])
    programme = create_programme(tmp_path / "p")
    deadly = deadly_environment(tmp_path / "deadly")
    with local_cluster(tmp_path / "cluster", 2, **deadly) as address, open_engine(cluster=address) as engine:
        report = programme.add([mixed], engine=engine)
        assert report.count("added") == 3, [str(one.error) for one in report.sorties if one.error]
        assert (tmp_path / "deadly" / "died-once.csv").exists()
        assert hash_answers(programme) == hash_answers(reference)
        poison = write_sortie(tmp_path / "P", 9, name="poison.csv")
        (lost,) = programme.add([poison], engine=engine).sorties
        assert lost.status == "failed" and isinstance(lost.error, WorkerError), lost.error
        assert programme.redetect(["S1"], engine=engine).count("replaced") == 1
    assert hash_answers(programme) == hash_answers(reference)
    assert not list((programme.folder / ".preparing").iterdir())


class FakeClient:
    """Stands for a client whose workers give these answers."""

    def __init__(self, answers: dict[str, tuple[bool, str]]) -> None:
        self.answers = answers

    def run(self, ask: Callable[[str, str], tuple[bool, str]], probe: str, token: str) -> dict[str, tuple[bool, str]]:
        assert ask(probe, token) == (True, program_version()), "this process sees it"
        assert ask(probe, "other") == (False, program_version()), "a file of the same name elsewhere does not count"
        assert ask(probe + "-not", token) == (False, program_version())
        return self.answers


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        ({}, "no workers"),
        ({"tcp://a": (True, program_version()), "tcp://b": (False, program_version())}, "tcp://b.*does not see"),
        ({"tcp://a": (True, "0.0.older")}, "another version"),
    ],
)
def test_workers_that_cannot_take_part_are_named(
    answers: dict[str, tuple[bool, str]], said: str, tmp_path: Path
) -> None:
    with pytest.raises(WorkerError, match=said):
        Cluster("tcp://scheduler", FakeClient(answers), None).check_place(tmp_path)
    assert not list(tmp_path.iterdir())


def test_a_cluster_that_is_lost_is_told() -> None:
    pytest.importorskip("distributed")
    lost: Future[int] = Future()
    lost.cancel()
    with pytest.raises(WorkerError, match="cluster was lost"):
        ClusterTicket(lost).result()


def test_a_cluster_that_does_not_answer_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("trimshot.store.cluster.ANSWER_S", 0.5)
    with pytest.raises(WorkerError, match="no cluster answers"), open_engine(cluster="tcp://127.0.0.1:9"):
        pass
