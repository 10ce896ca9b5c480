"""What one sortie says of the aircraft, used for its others: a gear that was seen to move moves in all of them.

Drag alone seldom proves that a gear retracts. Where one sortie of an aircraft recorded its gear moving, or its card
planned points with the gear up and down, the sorties of that aircraft that recorded no gear are detected again with
that in hand. It is done after every change of the programme, so that the order in which sorties come decides nothing.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

from ..detect.gear_inference import CARD
from ..shared.settings import Settings
from .commit import commit_detected
from .connection import open_catalog
from .engine import Engine
from .mirror import fetch_folder
from .places import SOURCE
from .prepare import Prepared, gather
from .report import AddReport, SortieReport
from .stored import read_stored
from .tries import PrepareJob, settle_try, try_once
from .turns import Steps, take_turns

WITNESS = "another sortie of this aircraft"
_KNOWN = """
    WITH recorded AS (
        SELECT sortie FROM event
        WHERE kind IN ('gear_up', 'gear_down') AND starts_with(channel, 'gear_')
        GROUP BY sortie HAVING count(*) > 1
    ), planned AS (
        SELECT sortie FROM finding WHERE place = 'gear' AND facts ->> 'vouched' = ?
    ), known AS (
        SELECT aircraft FROM sortie WHERE sortie IN (FROM recorded UNION FROM planned)
    )
"""
_DOUBTS = """
    SELECT 1 FROM finding
    WHERE place = 'gear' AND (code IN ('NOT_ATTEMPTED', 'STATE_INFERRED') OR facts ->> 'vouched' IS NOT NULL) LIMIT 1
"""
_CANDIDATES = f"""{_KNOWN}
    SELECT DISTINCT s.sortie, s.start_utc
    FROM sortie s JOIN known USING (aircraft) JOIN finding f USING (sortie)
    WHERE s.reading_hash = ? AND f.place = 'gear' AND f.code IN ('NOT_ATTEMPTED', 'STATE_INFERRED')
        AND f.facts ->> 'vouched' IS NULL
    ORDER BY s.start_utc, s.sortie
"""
_FORLORN = f"""{_KNOWN}
    SELECT DISTINCT s.sortie, s.start_utc
    FROM sortie s JOIN finding f USING (sortie)
    WHERE s.reading_hash = ? AND f.place = 'gear' AND f.facts ->> 'vouched' = ?
        AND NOT EXISTS (SELECT 1 FROM known k WHERE k.aircraft = s.aircraft)
    ORDER BY s.start_utc, s.sortie
"""
_LEARNED = f"detected again: that its gear moves is known from {WITNESS}"
_LOST = "detected again: the sortie that showed that the gear of this aircraft moves is gone"


def with_second_look(programme: Path, report: AddReport, settings: Settings, *, engine: Engine) -> AddReport:
    """The report, after sorties that know too little of their gear were detected again with what others know, and
    those that were told by a sortie that is there no more, without it.

    One that cannot be detected again stays as it was.
    """
    if settings.aircraft.retractable_gear is not None or not _is_any_in_doubt(programme):
        return report
    for query, words, witness, note in ((_FORLORN, [WITNESS], None, _LOST), (_CANDIDATES, [], WITNESS, _LEARNED)):
        with open_catalog(programme) as connection:
            found = connection.execute(query, [CARD, settings.reading_digest(), *words]).fetchall()
        names = [str(sortie) for sortie, _ in found]
        if names:
            again = _detect_again(programme, names, settings, witness=witness, engine=engine)
            report = _joined(report, again, note)
    return report


def _is_any_in_doubt(programme: Path) -> bool:
    """Whether the queries have anything to look at: mostly not, and this costs a fraction of what they do."""
    with open_catalog(programme) as connection:
        return bool(connection.execute(_DOUBTS).fetchall())


def _detect_again(
    programme: Path, names: list[str], settings: Settings, *, witness: str | None, engine: Engine
) -> dict[str, SortieReport]:
    """The sorties detected from their stored tracks with what the witness says of the gear, or with what they say alone."""

    def begin(name: str, scratch: Path) -> PrepareJob:
        stored = read_stored(programme, name)
        fetch_folder(stored.folder)
        return PrepareJob(gather(stored.folder / SOURCE, scratch, name), settings, stored, witness)

    def finish(prepared: Prepared) -> SortieReport:
        return commit_detected(programme, settle_try(prepared))

    steps = Steps(str, begin, try_once, finish)
    turns = take_turns(programme, names, steps, engine=engine, on_progress=None)
    return {name: one for name, one in turns if one.status != "failed"}


def _joined(report: AddReport, again: dict[str, SortieReport], note: str) -> AddReport:
    """The sorties of the report as they are now, then those of before that were detected again."""
    now = [_newer(one, again.pop(one.sortie, None)) for one in report.sorties]
    return AddReport((*now, *(dataclasses.replace(one, note=note) for one in again.values())))


def _newer(first: SortieReport, second: SortieReport | None) -> SortieReport:
    """What was found the second time, with what became of the sortie the first time."""
    if second is None or first.status == "failed":
        return first
    return dataclasses.replace(second, status=first.status, note=first.note)
