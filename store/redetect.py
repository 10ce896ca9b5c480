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
from .commit import commit_replacing
from .connection import open_catalog
from .places import SOURCE, sortie_folder
from .prepare import gather, prepare_recording
from .report import AddReport, SortieReport
from .stored import read_recording
from .turns import OnProgress, take_turns


def redetect(
    programme: Path,
    sorties: Sequence[str],
    settings: Settings,
    *,
    on_progress: OnProgress | None = None,
) -> AddReport:
    """Detect these sorties (all when none is named) with these settings; one that cannot be stays as it is.

    A sortie whose files were read with other settings than now (instruments, calibration) fails: it
    has to be read again, by `rebuild`.
    """
    names = list(dict.fromkeys(sorties)) or _all_sorties(programme)

    def work(name: str, scratch: Path) -> SortieReport:
        return _redetect_one(programme, name, scratch, settings)

    turns = take_turns(programme, names, work, name=str, on_progress=on_progress)
    return AddReport(tuple(report for _, report in turns))


def _all_sorties(programme: Path) -> list[str]:
    with open_catalog(programme) as connection:
        rows = connection.execute("SELECT sortie FROM sortie ORDER BY start_utc, sortie").fetchall()
    return [str(row[0]) for row in rows]


def _redetect_one(programme: Path, name: str, scratch: Path, settings: Settings) -> SortieReport:
    recording, read_with = read_recording(programme, name)
    if read_with != settings.reading_digest():
        raise StoreError(
            "the sortie's files were read with other settings (instruments, calibration) than now",
            where=name,
            do="run `trimshot rebuild`, which reads the files again",
        )
    gathered = gather(sortie_folder(programme, name) / SOURCE, scratch, name)
    prepared = prepare_recording(gathered, recording, settings)
    commit_replacing(programme, prepared)
    return dataclasses.replace(prepared.report, status="replaced")
