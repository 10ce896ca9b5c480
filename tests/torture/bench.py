"""The programme that is copied for every trial, and what is known of it undisturbed."""

from __future__ import annotations

import os
import shutil
import sys
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from tests.answers import hash_answers
from tests.small_sorties import write_sortie
from trimshot.store.programme import Programme, create_programme

from .children import do, timed
from .work import NEW, OLD, OTHER, WORKS, state_of

ROWS = 90
CHANGES = ("os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.chmod", "open")


@dataclass(frozen=True)
class Known:
    """Work done undisturbed: seconds, changes of the folder, states before and after, hash over all answers after."""

    seconds: float
    steps: int
    states: list[dict[str, str]]
    final: str


@dataclass
class Bench:
    """A folder with logs, the programme `base`, and for every work what it leads to."""

    folder: Path
    known: dict[str, Known] = field(default_factory=dict)

    @property
    def logs(self) -> Path:
        return self.folder / "logs"

    def set_up(self) -> None:
        """Make logs and programme, and do every work once."""
        for day in (1, 2):
            write_sortie(self.logs / OLD / f"S{day}", day, rows=ROWS)
            write_sortie(self.logs / NEW / f"S{day + 4}", day + 4, rows=ROWS)
            write_sortie(self.logs / OTHER / f"S{day}", day + 10, rows=ROWS)
        do(self._make_base)
        for work in WORKS:
            self.known[work] = do(partial(self._do_once, work))

    def copy(self, name: str) -> Path:
        """A fresh copy of the programme."""
        target = self.folder / name
        shutil.copytree(self.folder / "base", target)
        return target

    def _make_base(self) -> None:
        report = create_programme(self.folder / "base").add([self.logs / OLD])
        assert report.count("added") == 2, report

    def _do_once(self, work: str) -> Known:
        programme = Programme(self.copy(f"once-{work}"))
        before = state_of(programme)
        steps = [0]
        watch_changes(programme.folder, lambda: steps.__setitem__(0, steps[0] + 1))
        seconds = timed(lambda: WORKS[work](programme, self.logs))
        counted = steps[0]
        return Known(seconds, counted, [before, state_of(programme)], hash_answers(programme))


def watch_changes(folder: Path, tell: Any) -> None:
    """From now on, `tell()` before every change Python makes below the folder. It cannot be taken back."""
    inside = str(folder)

    def hook(event: str, arguments: tuple[Any, ...]) -> None:
        if event not in CHANGES or not isinstance(arguments[0], str | os.PathLike):
            return
        if event == "open" and not _writes(arguments[2]):
            return
        if os.fspath(arguments[0]).startswith(inside):
            tell()

    sys.addaudithook(hook)


def _writes(flags: Any) -> bool:
    return isinstance(flags, int) and bool(flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT))
