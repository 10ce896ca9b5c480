"""The conductor of an add: each sortie gathered, prepared, committed; one bad one never stops the rest."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from pathlib import Path

from ..ingest.folder import sorties_in
from ..shared.errors import InputError, TrimshotError
from ..shared.settings import Settings
from .commit import commit, commit_replacing, list_contents, open_store, remove
from .connection import open_catalog
from .prepare import Gathered, gather, prepare
from .questions import remember_result
from .report import AddReport, SortieReport
from .rows import program_version
from .turns import OnProgress, take_turns
from .unit_changes import with_unit_changes

Contents = dict[str, str]  # content hash -> sortie that holds it, as the run began; `commit` asks again under the lock
AddOne = Callable[[Path, Gathered, Settings, Contents], SortieReport]


def add_sorties(
    programme: Path, paths: Sequence[Path], settings: Settings, *, on_progress: OnProgress | None = None
) -> AddReport:
    """Add every sortie under the paths; content already there adds nothing and says so."""
    return _add_all(programme, paths, settings, add_one=_add_new, on_progress=on_progress)


def replace_sorties(
    programme: Path, paths: Sequence[Path], settings: Settings, *, on_progress: OnProgress | None = None
) -> AddReport:
    """Add every sortie under the paths, in place of those of the same name."""
    return _add_all(programme, paths, settings, add_one=_add_replacing, on_progress=on_progress)


def remove_sortie(programme: Path, sortie: str) -> None:
    """Take a sortie out of the programme. Raises UnknownSortieError."""
    remove(programme, sortie)


def replace_one(programme: Path, gathered: Gathered, settings: Settings) -> SortieReport:
    """Prepare and commit a gathered sortie in place of one of the same name."""
    prepared = with_unit_changes(programme, prepare(gathered, settings))
    status = "replaced" if commit_replacing(programme, prepared) else "added"
    return dataclasses.replace(prepared.report, status=status)  # type: ignore[arg-type]


def _add_replacing(programme: Path, gathered: Gathered, settings: Settings, _: Contents) -> SortieReport:
    return replace_one(programme, gathered, settings)


def _add_new(programme: Path, gathered: Gathered, settings: Settings, known: Contents) -> SortieReport:
    same = known.get(gathered.content_hash)
    if same is None:
        prepared = with_unit_changes(programme, prepare(gathered, settings))
        same = commit(programme, prepared)
        if same is None:
            known[gathered.content_hash] = gathered.sortie
            return prepared.report
    return SortieReport(gathered.sortie, "unchanged", note=_why_unchanged(programme, gathered.sortie, same, settings))


def _why_unchanged(programme: Path, sortie: str, same: str, settings: Settings) -> str:
    with open_catalog(programme) as connection:
        sql = "SELECT settings_hash = ? AND program = ? FROM sortie WHERE sortie = ?"
        current = connection.execute(sql, [settings.digest(), program_version(), same]).fetchall()
    note = "the same files are already in the programme" + ("" if same == sortie else f" as {same}")
    if current and not current[0][0]:
        note += ", found with other settings or another version of the program: `trimshot rebuild` finds anew"
    return note


def _add_all(
    programme: Path, paths: Sequence[Path], settings: Settings, *, add_one: AddOne, on_progress: OnProgress | None
) -> AddReport:
    with open_store(programme) as connection:  # clears what a killed run left; tells when nothing can be written
        known = list_contents(connection)
    sorties, reports = _list_sorties(programme, paths)

    def work(path: Path, scratch: Path) -> SortieReport:
        return add_one(programme, gather(path, scratch), settings, known)

    for path, report in take_turns(programme, sorties, work, name=lambda path: path.name, on_progress=on_progress):
        reports.append(report)
        remember_result(programme, path, report)
    return AddReport(tuple(reports))


def _list_sorties(programme: Path, paths: Sequence[Path]) -> tuple[list[Path], list[SortieReport]]:
    found: list[Path] = []
    failed: list[SortieReport] = []
    for path in paths:
        try:
            if path.resolve().is_relative_to(programme.resolve()):
                raise InputError(
                    "this folder belongs to the programme itself", where=str(path), do="name the folder with the logs"
                )
            found += sorties_in(path)
        except TrimshotError as error:
            failed.append(SortieReport(path.name, "failed", error=error))
    return list(dict.fromkeys(found)), failed
