"""One trial: a disturbance, then the question whether the programme is as it must be."""

from __future__ import annotations

import os
import resource
import shutil
import signal
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from trimshot.shared.errors import TrimshotError
from trimshot.store.places import SORTIES
from trimshot.store.programme import Programme

from .bench import Bench, watch_changes
from .children import Child, Ending, fork
from .work import WORKS, check_after


@dataclass(frozen=True)
class Trial:
    """Its number, the kind of disturbance, the work disturbed, and a random number from 0 to 1 that says when or where."""

    number: int
    kind: str
    work: str
    chance: float


@dataclass(frozen=True)
class Outcome:
    """How the disturbed work ended, and what was wrong afterwards."""

    ended: str
    fault: str | None = None


def run_trial(bench: Bench, trial: Trial) -> Outcome:
    """One disturbance on a fresh copy, everything checked afterwards."""
    folder = bench.folder / f"trial-{trial.number}"
    folder.mkdir()
    try:
        ended, fault = KINDS[trial.kind](bench, trial, folder)
        known = bench.known[trial.work]
        programme = folder / "p"
        checked = fork(
            lambda: check_after(programme, trial.work, bench.logs, states=known.states, final=known.final)
        ).wait()
        died = f"the check died of signal {checked.signal}" if checked.signal else None
        faults = [one for one in (fault, checked.error, died) if one]
        return Outcome(ended, "\n".join(faults) or None)
    finally:
        if os.path.ismount(folder):
            subprocess.run(["umount", str(folder)], check=True)
        shutil.rmtree(folder)


def _work(bench: Bench, trial: Trial, programme: Path) -> None:
    WORKS[trial.work](Programme(programme), bench.logs)


def _copy(bench: Bench, folder: Path) -> Path:
    return Path(shutil.copytree(bench.folder / "base", folder / "p"))


def _told(ending: Ending) -> tuple[str, str | None]:
    """An ending in words; a fault when the work failed though nothing was meant to stop it."""
    if ending.signal is not None:
        return "killed", None if ending.signal in (signal.SIGKILL, signal.SIGALRM) else f"signal {ending.signal}"
    return ("failed", ending.error) if ending.error else ("done", None)


# -- ends --------------------------------------------------------------------------------------------


def _kill_at_moment(bench: Bench, trial: Trial, folder: Path) -> tuple[str, str | None]:
    programme = _copy(bench, folder)
    child = fork(lambda: _work(bench, trial, programme))
    time.sleep(trial.chance * 1.1 * bench.known[trial.work].seconds)
    child.kill()
    return _told(child.wait())


def _kill_at_step(bench: Bench, trial: Trial, folder: Path) -> tuple[str, str | None]:
    programme = _copy(bench, folder)
    left = [1 + int(trial.chance * bench.known[trial.work].steps)]

    def count_down() -> None:
        left[0] -= 1
        if left[0] == 0:
            os.kill(os.getpid(), signal.SIGKILL)

    def work() -> None:
        watch_changes(programme, count_down)
        _work(bench, trial, programme)

    return _told(fork(work).wait())


def _end_in_commit(bench: Bench, trial: Trial, folder: Path) -> tuple[str, str | None]:
    programme = _copy(bench, folder)
    begun = [0]

    def arm() -> None:
        begun[0] += 1
        if begun[0] == 1 + int(trial.chance * 7) % 3:  # SIGALRM, nowhere caught, ends the process on the spot
            signal.setitimer(signal.ITIMER_REAL, 0.001 + trial.chance * 97 % 0.15)

    def work() -> None:
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        watch_changes(programme / SORTIES, arm)
        _work(bench, trial, programme)

    return _told(fork(work).wait())


# -- no room -----------------------------------------------------------------------------------------


def _work_without_room(bench: Bench, trial: Trial, programme: Path) -> str:
    try:
        _work(bench, trial, programme)
    except (TrimshotError, OSError) as error:
        return f"told: {type(error).__name__}"
    return "done"


def _limit_files(bench: Bench, trial: Trial, folder: Path) -> tuple[str, str | None]:
    programme = _copy(bench, folder)
    largest = max(path.stat().st_size for path in programme.rglob("*") if path.is_file())
    allowed = int(500 * (largest / 500) ** trial.chance)

    def work() -> str:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (allowed, resource.RLIM_INFINITY))
        return _work_without_room(bench, trial, programme)

    return _told_without_room(fork(work).wait())


def _told_without_room(ending: Ending) -> tuple[str, str | None]:
    if ending.signal is not None:
        return "killed", f"signal {ending.signal}"
    return ("failed", ending.error) if ending.error else (str(ending.value).split(":")[0], None)


def _fill_disk(bench: Bench, trial: Trial, folder: Path) -> tuple[str, str | None]:
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=100m", "tmpfs", str(folder)], check=True)
    programme = _copy(bench, folder)
    use = os.statvfs(folder)
    size = (use.f_blocks - use.f_bfree) * use.f_bsize + 4096 + int(trial.chance * 300_000)
    subprocess.run(["mount", "-o", f"remount,size={size}", str(folder)], check=True)
    ended = _told_without_room(fork(lambda: _work_without_room(bench, trial, programme)).wait())
    subprocess.run(["mount", "-o", "remount,size=100m", str(folder)], check=True)
    return ended


# -- company -----------------------------------------------------------------------------------------


def _read_until(programme: Path, mark: Path) -> int:
    rounds = 0
    while not mark.exists():
        one = Programme(programme)
        for sortie in one.sorties()["sortie"]:
            if sortie != "S1":  # which may be removed between the two questions
                one.points(sortie)
                assert len(one.samples(sortie)) > 0
        rounds += 1
    return rounds


def _read_meanwhile(bench: Bench, trial: Trial, folder: Path) -> tuple[str, str | None]:
    programme, mark = _copy(bench, folder), folder / "end"
    readers = [fork(lambda: _read_until(programme, mark)) for _ in range(2)]
    ended, fault = _told(fork(lambda: _work(bench, trial, programme)).wait())
    mark.touch()
    endings = [reader.wait() for reader in readers]
    return ended, fault or next((one.error for one in endings if one.error), None)


def _write_twice(bench: Bench, trial: Trial, folder: Path) -> tuple[str, str | None]:
    programme = _copy(bench, folder)
    writers: list[Child] = [fork(lambda: _work(bench, trial, programme)) for _ in range(2)]
    endings = [_told(writer.wait()) for writer in writers]
    return endings[0][0], next((fault for _, fault in endings if fault), None)


KINDS: dict[str, Callable[[Bench, Trial, Path], tuple[str, str | None]]] = {
    "moment": _kill_at_moment,
    "step": _kill_at_step,
    "commit": _end_in_commit,
    "limit": _limit_files,
    "disk": _fill_disk,
    "readers": _read_meanwhile,
    "writers": _write_twice,
}
