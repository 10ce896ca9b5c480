"""The programme made anew from its kept source files: a new catalog, new tracks, new frames."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path

from ..shared.errors import StoreError
from ..shared.settings import Settings
from .add import run_turns
from .commit import commit_replacing, open_store
from .connection import catalog_is_usable, create_catalog, lock_programme, open_catalog
from .engine import Engine
from .mirror import fetch_folder
from .places import CATALOG, MARK, SORTIES, SOURCE, sortie_folder
from .prepare import Prepared, gather
from .report import AddReport, SortieReport
from .second_look import with_second_look
from .tries import PrepareJob, settle_try, try_once
from .turns import OnProgress, Steps


def rebuild(programme: Path, settings: Settings, *, engine: Engine, on_progress: OnProgress | None = None) -> AddReport:
    """Read every sortie again from sorties/<id>/source. The former catalog is kept beside, renamed,
    when it cannot be used; a sortie that cannot be read again stays as it is and is told."""
    _renew_catalog(programme)
    with open_store(programme):  # what a killed run left is settled before folders are counted
        pass
    return read_again(programme, _kept_sorties(programme), settings, engine=engine, on_progress=on_progress)


def read_again(
    programme: Path,
    names: Sequence[str],
    settings: Settings,
    *,
    engine: Engine,
    on_progress: OnProgress | None = None,
) -> AddReport:
    """Read these sorties again from their kept source files; one that cannot be read again stays as it is."""

    def begin(name: str, scratch: Path) -> PrepareJob:
        source = sortie_folder(programme, name) / SOURCE
        fetch_folder(source)
        if not source.is_dir():
            raise StoreError(
                "the sortie's kept source files are gone", where=str(source), do="add the sortie anew with `--replace`"
            )
        return PrepareJob(gather(source, scratch, name), settings)

    def finish(prepared: Prepared) -> SortieReport:
        return commit_replacing(programme, settle_try(prepared))

    steps = Steps(str, begin, try_once, finish)
    report = run_turns(programme, names, steps, engine=engine, on_progress=on_progress)
    return with_second_look(programme, report, settings, engine=engine)


def _kept_sorties(programme: Path) -> list[str]:
    with open_catalog(programme) as connection:
        names = {str(row[0]) for row in connection.execute("SELECT sortie FROM sortie").fetchall()}
    folders = (path for path in (programme / SORTIES).iterdir() if not path.name.startswith("."))
    return sorted(names | {path.name for path in folders if (path / SOURCE).is_dir()})


def _renew_catalog(programme: Path) -> None:
    (programme / SORTIES).mkdir(exist_ok=True)
    with lock_programme(programme):
        if catalog_is_usable(programme):
            return
        moment = dt.datetime.now(dt.UTC).strftime("%Y%m%dT%H%M%S%f")
        for path in sorted(programme.glob(CATALOG + "*")):
            if path.name in (CATALOG, CATALOG + ".wal"):
                path.rename(path.with_name(f"{path.name}.unusable-{moment}"))
        # Without the catalog nobody can tell whether a marked folder was committed; it is whole, so keep it.
        for folder in (programme / SORTIES).iterdir():
            (folder / MARK).unlink(missing_ok=True)
    create_catalog(programme)
