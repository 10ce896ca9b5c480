"""The conductor of an add: each sortie gathered, prepared, committed; one bad one never stops the rest."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from pathlib import Path

from ..ingest.folder import find_sorties, left_beside
from ..shared.errors import InputError, TrimshotError
from ..shared.settings import Settings
from .commit import Content, commit, commit_replacing, list_contents, open_store, remove
from .engine import Engine
from .prepare import Prepared, gather
from .questions import remember_result
from .report import AddReport, SortieReport
from .rows import program_version
from .second_look import with_second_look
from .tries import PrepareJob, settle_try, try_once
from .turns import Item, Job, OnProgress, Result, Steps, take_turns

AddSteps = Steps[Path, PrepareJob, Prepared]


def add_sorties(
    programme: Path,
    paths: Sequence[Path],
    settings: Settings,
    *,
    engine: Engine,
    on_progress: OnProgress | None = None,
) -> AddReport:
    """Add every sortie under the paths; content already there adds nothing and says so."""
    with open_store(programme) as connection:  # clears what a killed run left; tells when nothing can be written
        known = list_contents(connection)

    def begin(path: Path, scratch: Path) -> PrepareJob | SortieReport:
        gathered = gather(path, scratch)
        same = known.get(gathered.content_hash)  # `commit` asks again under the lock
        return PrepareJob(gathered, settings) if same is None else _unchanged(gathered.sortie, same, settings)

    def finish(prepared: Prepared) -> SortieReport:
        outcome = commit(programme, settle_try(prepared))
        if isinstance(outcome, Content):
            return _unchanged(prepared.sortie, outcome, settings)
        known[prepared.content_hash] = Content(prepared.sortie, settings.digest(), program_version())
        return outcome

    steps = Steps(_name, begin, try_once, finish)
    report = _add_all(programme, paths, steps, engine=engine, on_progress=on_progress)
    return with_second_look(programme, report, settings, engine=engine)


def replace_sorties(
    programme: Path,
    paths: Sequence[Path],
    settings: Settings,
    *,
    engine: Engine,
    on_progress: OnProgress | None = None,
) -> AddReport:
    """Add every sortie under the paths, in place of those of the same name."""
    with open_store(programme):  # clears what a killed run left; tells when nothing can be written
        pass

    def begin(path: Path, scratch: Path) -> PrepareJob:
        return PrepareJob(gather(path, scratch), settings)

    def finish(prepared: Prepared) -> SortieReport:
        return commit_replacing(programme, settle_try(prepared))

    steps = Steps(_name, begin, try_once, finish)
    report = _add_all(programme, paths, steps, engine=engine, on_progress=on_progress)
    return with_second_look(programme, report, settings, engine=engine)


def remove_sortie(programme: Path, sortie: str, settings: Settings, *, engine: Engine) -> AddReport:
    """Take a sortie out of the programme; the report is of others that had to be detected again. Raises UnknownSortieError."""
    remove(programme, sortie)
    return with_second_look(programme, AddReport(()), settings, engine=engine)


def run_turns(
    programme: Path,
    items: Sequence[Item],
    steps: Steps[Item, Job, Result],
    *,
    engine: Engine,
    on_progress: OnProgress | None,
) -> AddReport:
    """Take items in turn through the steps and tell what became of each; what a failed one left is undone."""
    turns = take_turns(programme, items, steps, engine=engine, on_progress=on_progress)
    reports = tuple(report for _, report in turns)
    _clear_after(programme, reports)
    return AddReport(reports)


def _clear_after(programme: Path, reports: Sequence[SortieReport]) -> None:
    """Undo at once what a failed commit left, when the disk allows it; the next run does it otherwise."""
    if any(report.status == "failed" for report in reports):
        with contextlib.suppress(TrimshotError, OSError), open_store(programme):
            pass


def _name(path: Path) -> str:
    return path.name


def _unchanged(sortie: str, same: Content, settings: Settings) -> SortieReport:
    note = "the same files are already in the programme" + ("" if same.sortie == sortie else f" as {same.sortie}")
    if (same.settings_hash, same.program) != (settings.digest(), program_version()):
        note += ", found with other settings or another version of the program: `trimshot rebuild` finds anew"
    return SortieReport(sortie, "unchanged", note=note)


def _add_all(
    programme: Path, paths: Sequence[Path], steps: AddSteps, *, engine: Engine, on_progress: OnProgress | None
) -> AddReport:
    sorties, reports = _list_sorties(programme, paths)
    for path, report in take_turns(programme, sorties, steps, engine=engine, on_progress=on_progress):
        reports.append(report)
        remember_result(programme, path, report)
    _clear_after(programme, reports)
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
            search = find_sorties(path)
            found += search.sorties
            failed += [SortieReport(log.name, "failed", error=left_beside(log)) for log in search.beside]
        except TrimshotError as error:
            failed.append(SortieReport(path.name, "failed", error=error))
    return list(dict.fromkeys(found)), failed
