"""The pieces of work that are disturbed, and what a programme must look like afterwards."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Callable
from pathlib import Path

from tests.answers import hash_answers
from trimshot.shared.errors import UnknownSortieError
from trimshot.store.check import check_programme
from trimshot.store.places import MARK, PREPARING, SORTIES
from trimshot.store.programme import Programme, open_programme
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


WORKS: dict[str, Callable[[Programme, Path], None]] = {
    "add": lambda programme, logs: _told(programme.add([logs / NEW])),
    "replace": lambda programme, logs: _told(programme.readd([logs / OTHER])),
    "remove": lambda programme, logs: _remove(programme),
    "rebuild": lambda programme, logs: _told(programme.rebuild()),
    "redetect": lambda programme, logs: _told(programme.redetect()),
}


def state_of(programme: Programme) -> dict[str, str]:
    """Sortie -> hash of everything the programme says of it."""
    out = {}
    for sortie in sorted(programme.sorties()["sortie"]):
        digest = hashlib.sha256()
        row = programme.sorties().set_index("sortie").loc[sortie].drop("added_utc")
        digest.update(row.to_json().encode())
        for ask in ("points", "statistics", "events", "findings", "states", "phases", "channels", "samples"):
            digest.update(getattr(programme, ask)(sortie).to_csv(index=False).encode())
        out[sortie] = digest.hexdigest()
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
    assert hash_answers(programme) == final, "other answers than those of an undisturbed programme"
    check_places(programme)
    faults = check_programme(folder).faults
    assert not faults, faults


def check_places(programme: Programme) -> None:
    """The catalog against the folders, told by this file alone."""
    names = set(programme.sorties()["sortie"])
    folders = {path.name: path for path in (programme.folder / SORTIES).iterdir()}
    assert set(folders) == names, f"folders {sorted(folders)}, catalog {sorted(names)}"
    assert not [name for name, path in folders.items() if (path / MARK).exists()], "an add left its mark"
    left = [path.name for path in (programme.folder / PREPARING).glob("*")]
    assert not left, f"left in {PREPARING}: {left}"
