"""Detection anew of stored sorties, from their tracks: other criteria, no source file read.

The sortie is replaced as a whole, by the same rename and the same one transaction as any
replacement: tracks as they were; points, events, states, manoeuvres and findings as found now.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path

from ..shared.errors import StoreError
from ..shared.settings import Settings
from .add import run_turns
from .commit import check_sorties, commit_detected
from .connection import open_catalog
from .engine import Engine
from .mirror import fetch_folder
from .places import SOURCE
from .prepare import Prepared, gather
from .report import AddReport, SortieReport
from .second_look import with_second_look
from .stored import read_stored
from .tries import PrepareJob, settle_try, try_once
from .turns import OnProgress, Steps


def redetect(
    programme: Path,
    sorties: Sequence[str],
    settings: Settings,
    *,
    engine: Engine,
    on_progress: OnProgress | None = None,
) -> AddReport:
    """Detect these sorties (all when none is named) with these settings; one that cannot be stays as it is.

    A sortie whose files were read with other settings than now (instruments, calibration) fails: it
    has to be read again, by `rebuild`. Raises UnknownSortieError before any is detected.
    """
    names = list(dict.fromkeys(sorties)) or _all_sorties(programme)
    with open_catalog(programme) as connection:
        check_sorties(connection, names)

    def begin(name: str, scratch: Path) -> PrepareJob:
        stored = read_stored(programme, name)
        if stored.read_with != settings.reading_digest():
            raise StoreError(
                "the sortie's files were read with other settings (instruments, calibration) than now",
                where=name,
                do="run `trimshot rebuild`, which reads the files again",
            )
        fetch_folder(stored.folder)
        return PrepareJob(gather(stored.folder / SOURCE, scratch, name), settings, stored)

    def finish(prepared: Prepared) -> SortieReport:
        report = commit_detected(programme, settle_try(prepared))
        return dataclasses.replace(report, status="replaced")

    steps = Steps(str, begin, try_once, finish)
    report = run_turns(programme, names, steps, engine=engine, on_progress=on_progress)
    return with_second_look(programme, report, settings, engine=engine)


def _all_sorties(programme: Path) -> list[str]:
    with open_catalog(programme) as connection:
        rows = connection.execute("SELECT sortie FROM sortie ORDER BY start_utc, sortie").fetchall()
    return [str(row[0]) for row in rows]
