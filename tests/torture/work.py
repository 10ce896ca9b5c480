"""The pieces of work that are disturbed, and what a programme must look like afterwards."""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import sys
from collections.abc import Callable
from pathlib import Path

from tests.answers import hash_answers
from trimshot.shared.errors import UnknownSortieError
from trimshot.store.check import check_programme
from trimshot.store.connection import open_catalog
from trimshot.store.places import MARK, PREPARING, SORTIES, is_programme
from trimshot.store.programme import Programme, create_programme, open_programme
from trimshot.store.report import AddReport

OLD, NEW, OTHER = (
    "old",
    "new",
    "other",
)  # folders of logs: in the programme, to be added, other content of the same names


def _told(report: AddReport) -> None:
    """Raise the first failure."""
    for one in report.sorties:
        if one.status == "failed" and one.error is not None:
            raise one.error


def _remove(programme: Programme) -> None:
    if "S1" in set(programme.sorties()["sortie"]):
        with contextlib.suppress(UnknownSortieError):  # a second writer may have been faster: then it says so
            programme.remove("S1")
    else:  # gone already: what its end left is cleared by any writer
        programme.add([])


def _judge(programme: Programme) -> None:
    if not programme.marks("S2"):
        start = programme.sorties().set_index("sortie").loc["S2", "start_utc"].to_pydatetime()
        stretch = (start + dt.timedelta(seconds=20), start + dt.timedelta(seconds=40))
        programme.judge("S2", "add", stretch=stretch, words=("steady to the eye", "the observer"))
    else:  # kept already: any writer brings the catalog's copy up to the file
        programme.add([])


def _create(folder: Path) -> None:
    """Another programme, in a folder of this one."""
    if not is_programme(folder):
        create_programme(folder)
    assert not len(open_programme(folder).sorties())


WORKS: dict[str, Callable[[Programme, Path], None]] = {
    "add": lambda programme, logs: _told(programme.add([logs / NEW])),
    "replace": lambda programme, logs: _told(programme.readd([logs / OTHER])),
    "remove": lambda programme, logs: _remove(programme),
    "rebuild": lambda programme, logs: _told(programme.rebuild()),
    "redetect": lambda programme, logs: _told(programme.redetect()),
    "judge": lambda programme, logs: _judge(programme),
    "new": lambda programme, logs: _create(programme.folder / "another"),
}


def state_of(programme: Programme) -> dict[str, str]:
    """Sortie -> hash of everything the programme says of it."""
    out = {}
    with open_catalog(programme.folder):  # the questions inside look through this one opening: quicker
        for sortie, row in programme.sorties().set_index("sortie").sort_index().iterrows():
            digest = hashlib.sha256(row.drop("added_utc").to_json().encode())
            for ask in ("points", "statistics", "events", "findings", "states", "phases", "channels", "samples"):
                digest.update(getattr(programme, ask)(sortie).to_csv(index=False).encode())
            out[str(sortie)] = digest.hexdigest()
    return out


def check_after(folder: Path, work: str, logs: Path, *, states: list[dict[str, str]], final: str) -> None:
    """Raise AssertionError, or what the programme raises, when it is not as it must be after any disturbance.

    states: what the programme said before, and says after the work; final: the hash over all answers after it.
    """
    programme = open_programme(folder)
    for sortie, state in state_of(programme).items():
        assert state in {one.get(sortie) for one in states}, f"{sortie} is neither the old nor the new one"
    kept = set(states[0]) & set(states[1])
    assert kept <= set(programme.sorties()["sortie"]), "a sortie is gone that no work was to remove"
    WORKS[work](programme, logs)
    with open_catalog(folder):
        assert hash_answers(programme) == final, "other answers than those of an undisturbed programme"
    check_places(programme)
    check_kept(folder, work)
    faults = check_programme(folder).faults
    assert not faults, faults


def check_kept(folder: Path, work: str) -> None:
    """What is in no table of answers and was told to be done: a judgement, another programme."""
    assert work != "new" or is_programme(folder / "another"), "the new programme is not there"
    assert work != "judge" or len(Programme(folder).marks("S2")) == 1, "the judgement is not there once"


def check_places(programme: Programme) -> None:
    """The catalog against the folders, told by this file alone."""
    names = set(programme.sorties()["sortie"])
    folders = {path.name: path for path in (programme.folder / SORTIES).iterdir()}
    assert set(folders) == names, f"folders {sorted(folders)}, catalog {sorted(names)}"
    assert not [name for name, path in folders.items() if (path / MARK).exists()], "an add left its mark"
    marks = [mark.id for mark in programme.marks() if mark.sortie in names]
    with open_catalog(programme.folder) as connection:
        copied = [row[0] for row in connection.execute("SELECT id FROM mark").fetchall()]
    assert sorted(marks) == sorted(copied), f"marks {marks}, in the catalog {copied}"
    left = [path.name for path in (programme.folder / PREPARING).glob("*")]
    assert not left, f"left in {PREPARING}: {left}"


def main() -> None:
    """Do one work in a process of its own: python -m tests.torture.work WORK PROGRAMME LOGS."""
    work, programme, logs = sys.argv[1:]
    WORKS[work](Programme(Path(programme)), Path(logs))


if __name__ == "__main__":
    main()
