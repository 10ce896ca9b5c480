"""An answer: kept in settings.toml as the recorder's profile, and every sortie of that recorder read again."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import InlineTable

from ..ingest.profiles import claims_file
from ..ingest.questions import Question, check_answer
from ..shared.errors import SettingsError
from ..shared.settings import Settings, load_settings, parse_settings
from . import add as adding
from . import questions
from .commit import open_store
from .connection import lock_programme, open_catalog
from .engine import HERE
from .places import SETTINGS
from .rebuild import read_again
from .report import AddReport, SortieReport
from .textfile import write_text


@dataclass(frozen=True, slots=True)
class Standing:
    """A sortie as the programme holds it: start, samples of all tracks, channels of the frame with values, points."""

    start_utc: dt.datetime | None = None
    rows: int = 0
    channels: frozenset[str] = frozenset()
    points: int = 0


@dataclass(frozen=True, slots=True)
class Change:
    """What an answer did to one sortie. before is empty for one that could not be added until now."""

    sortie: str
    before: Standing
    after: Standing


@dataclass(frozen=True, slots=True)
class AnswerReport:
    """An answer's outcome. former: what the settings said before; missing: folders of waiting sorties that are gone."""

    question: Question
    value: Any
    former: Any
    profile: str
    changes: tuple[Change, ...]
    report: AddReport
    missing: tuple[str, ...] = field(default=())


def answer_question(
    programme: Path, identity: str, value: str, *, on_progress: Callable[[str, int, int], None] | None = None
) -> AnswerReport:
    """Answer a question (again, when it was answered before) and read the sorties it concerns anew.

    Raises QuestionError for an unknown id or a value that is no answer, SettingsError when
    settings.toml cannot take it; then nothing was changed.
    """
    former_settings = load_settings(programme / SETTINGS)
    asked = questions.find_question(programme, former_settings, identity)
    question = asked.question
    told = check_answer(question, value)
    with lock_programme(programme):
        profile = _keep_answer(programme, question, told)
        memory = questions.read_memory(programme)
        memory["answered"][question.id] = {"question": dataclasses.asdict(question), "answer": told}
        questions.write_memory(programme, memory)
    settings = load_settings(programme / SETTINGS)
    affected = _concerned(programme, settings, profile)
    before = {name: _standing(programme, name) for name in affected}
    report = read_again(programme, affected, settings, engine=HERE, on_progress=on_progress)
    added, missing = _add_waiting(programme, memory["waiting"], question, settings)
    _mark_unaffected(programme, former_settings.digest(), settings.digest(), affected)
    names = [*affected, *(one.sortie for one in added if one.status != "failed")]
    changes = tuple(Change(name, before.get(name, Standing()), _standing(programme, name)) for name in names)
    whole = AddReport((*report.sorties, *added))
    return AnswerReport(question, told, asked.answer, profile, changes, whole, tuple(missing))


# -- settings.toml ----------------------------------------------------------------------------------


def _keep_answer(programme: Path, question: Question, value: Any) -> str:
    """Set the profile's key, everything else in the file as it was. Gives the profile's key."""
    path = programme / SETTINGS
    text = path.read_bytes().decode("utf-8-sig")
    settings = parse_settings(text, str(path))
    claimants = [
        key for key, one in settings.instruments.items() if claims_file(key, one, (question.instrument,), question.file)
    ]
    key = claimants[0] if claimants else question.instrument
    try:
        document = tomlkit.parse(text)
        profile = _table(_table(document, "instruments", is_super_table=True), key)
        if not claimants:
            profile["name"] = f"recorder of {question.file}"
        holder = profile if len(question.key) == 1 else _table(profile, question.key[0])
        holder[question.key[-1]] = value
        changed = tomlkit.dumps(document)
    except TOMLKitError as error:
        raise SettingsError(
            "the answer cannot be written into the settings", where=str(path), found=str(error)
        ) from None
    parse_settings(changed, str(path))
    write_text(path, changed)
    return key


def _table(parent: Any, key: str, *, is_super_table: bool = False) -> Any:
    """The table under a key, made when there is none."""
    if key not in parent:
        # inside an inline table only another inline table can stand
        inline = isinstance(parent, InlineTable)
        parent[key] = tomlkit.inline_table() if inline else tomlkit.table(is_super_table)
    return parent[key]


# -- sorties ----------------------------------------------------------------------------------------


def _concerned(programme: Path, settings: Settings, key: str) -> list[str]:
    """Sorties with a file the profile claims."""
    profile = settings.instruments[key]
    with open_catalog(programme) as connection:
        rows = connection.execute(
            "SELECT sortie, file, instrument, json_extract(ledger, '$.layouts') FROM source ORDER BY sortie"
        ).fetchall()
    concerned = [
        str(sortie)
        for sortie, file, mark, layouts in rows
        if claims_file(key, profile, [mark, *json.loads(layouts or "[]")], file)
    ]
    return list(dict.fromkeys(concerned))


_STANDING = """
SELECT epoch_us(start_utc), (SELECT sum(samples) FROM track WHERE sortie = s.sortie),
    (SELECT list(channel) FROM channel WHERE sortie = s.sortie AND track = 'frame' AND valid > 0),
    (SELECT count(*) FROM point WHERE sortie = s.sortie AND accepted)
FROM sortie AS s WHERE sortie = ?
"""


def _standing(programme: Path, sortie: str) -> Standing:
    with open_catalog(programme) as connection:
        rows = connection.execute(_STANDING, [sortie]).fetchall()
    if not rows:
        return Standing()
    start, samples, channels, points = rows[0]
    moment = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(microseconds=int(start))
    return Standing(moment, int(samples or 0), frozenset(channels or ()), int(points))


def _add_waiting(
    programme: Path, waiting: dict[str, Any], question: Question, settings: Settings
) -> tuple[list[SortieReport], list[str]]:
    """Add the sorties that waited for this answer, from where they lay."""
    added: list[SortieReport] = []
    missing: list[str] = []
    for entry in waiting.values():
        if question.id not in [one["id"] for one in entry["questions"]]:
            continue
        path = Path(entry["path"])
        if path.exists():
            added += adding.add_sorties(programme, [path], settings, engine=HERE).sorties
        else:
            missing.append(str(path))
    return added, missing


def _mark_unaffected(programme: Path, former: str, now: str, affected: list[str]) -> None:
    """Sorties without that recorder would be found the same with the new settings: they are current."""
    with open_store(programme) as connection:
        connection.execute(
            "UPDATE sortie SET settings_hash = ? WHERE settings_hash = ? AND NOT list_contains(?, sortie)",
            [now, former, affected],
        )
