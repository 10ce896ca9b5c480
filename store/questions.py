"""The questions of a programme: those its sorties ask, those of sorties that could not be added without
an answer, and those that were answered.

Open questions stand with the findings of the catalog. What the catalog cannot hold (it can be made
anew from the sources) lies in questions.json: answers given, and sorties that wait outside.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..ingest.profiles import claims_file
from ..ingest.questions import Question, read_question
from ..shared.errors import QuestionError, StoreError
from ..shared.settings import InstrumentProfile, Settings
from .commit import check_sorties
from .connection import lock_programme, open_catalog
from .places import QUESTIONS
from .report import SortieReport
from .textfile import write_text


@dataclass(frozen=True, slots=True)
class Asked:
    """A question with everything that asks it. waiting: sorties outside the programme until it is
    answered; answer: as the settings hold it; pending: answered there, but these sorties were read before.
    """

    question: Question
    sorties: tuple[str, ...]
    files: tuple[str, ...]
    waiting: tuple[str, ...] = ()
    answer: Any = None
    pending: bool = False
    same_layout: tuple[str, ...] = ()  # files of one sortie that this one fingerprint wrote


_ASKED = """
SELECT sortie, facts FROM finding WHERE json_exists(facts, '$.questions') AND (? IS NULL OR sortie = ?)
ORDER BY sortie, number
"""


def list_open(programme: Path, settings: Settings, sortie: str | None = None) -> list[Asked]:
    """Every open question once, in the order of the sorties that ask it."""
    with open_catalog(programme) as connection:
        if sortie is not None and sortie not in read_memory(programme)["waiting"]:
            check_sorties(connection, [sortie])
        rows = connection.execute(_ASKED, [sortie, sortie]).fetchall()
    asking = [(str(name), read_question(one), False) for name, facts in rows for one in json.loads(facts)["questions"]]
    waiting = read_memory(programme)["waiting"]
    asking += [
        (name, read_question(one), True)
        for name, entry in sorted(waiting.items())
        if sortie in (None, name)
        for one in entry["questions"]
    ]
    grouped: dict[str, list[tuple[str, Question, bool]]] = {}
    for one in asking:
        grouped.setdefault(one[1].id, []).append(one)
    return [_asked(some, settings) for some in grouped.values()]


def list_answered(programme: Path, settings: Settings) -> list[Asked]:
    """Questions answered by command, with the answer the settings hold now."""
    out = []
    for entry in read_memory(programme)["answered"].values():
        question = read_question(entry["question"])
        out.append(Asked(question, (), (question.file,), answer=_answer_of(question, settings)))
    return out


def find_question(programme: Path, settings: Settings, identity: str) -> Asked:
    """The question with this id (or the only one whose id begins so). Raises QuestionError listing the ids there are."""
    known = {one.question.id: one for one in (*list_answered(programme, settings), *list_open(programme, settings))}
    fitting = [one for key, one in known.items() if key.startswith(identity.lower())] if len(identity) >= 4 else []
    if len(fitting) != 1:
        raise QuestionError(
            "no such question",
            found=repr(identity),
            allowed=", ".join(known) or "none: nothing is asked",
            do="list them with `trimshot questions`",
        )
    return fitting[0]


def _asked(some: list[tuple[str, Question, bool]], settings: Settings) -> Asked:
    question = some[0][1]
    per_sortie: dict[str, list[str]] = {}
    for sortie, one, _ in some:
        per_sortie.setdefault(sortie, []).append(one.file)
    answer = _answer_of(question, settings)
    return Asked(
        question,
        tuple(dict.fromkeys(sortie for sortie, _, is_waiting in some if not is_waiting)),
        tuple(dict.fromkeys(one.file for _, one, _ in some)),
        tuple(dict.fromkeys(sortie for sortie, _, is_waiting in some if is_waiting)),
        answer,
        answer is not None,
        next((tuple(files) for files in per_sortie.values() if len(set(files)) > 1), ()),
    )


def _answer_of(question: Question, settings: Settings) -> Any:
    """What the settings say to the question, None when they are silent."""
    for key, profile in settings.instruments.items():
        if question.key and claims_file(key, profile, (question.instrument,), question.file):
            return _look_up(profile, question.key)
    return None


def _look_up(profile: InstrumentProfile, key: tuple[str, ...]) -> Any:
    value = getattr(profile, key[0])
    return value.get(key[1]) if len(key) > 1 else (value or None)


# -- questions.json ---------------------------------------------------------------------------------


def read_memory(programme: Path) -> dict[str, dict[str, Any]]:
    """{"answered": id -> {question, answer}, "waiting": sortie -> {path, questions}}. Raises StoreError."""
    path = programme / QUESTIONS
    empty: dict[str, dict[str, Any]] = {"answered": {}, "waiting": {}}
    if not path.exists():
        return empty
    try:
        return {**empty, **json.loads(path.read_text(encoding="utf-8"))}
    except (OSError, ValueError, TypeError) as error:
        raise StoreError(
            "the file of questions cannot be read", where=str(path), found=str(error),
            do="delete it: open questions come back with the next add, answers stand in settings.toml",
        ) from None  # fmt: skip


def write_memory(programme: Path, memory: Mapping[str, Mapping[str, Any]]) -> None:
    """Write questions.json, whole or not at all; the caller holds the programme's lock."""
    write_text(programme / QUESTIONS, json.dumps(memory, indent=1, sort_keys=True, ensure_ascii=False) + "\n")


def remember_result(programme: Path, path: Path, report: SortieReport) -> None:
    """Keep the questions of a sortie that could not be added without their answers; forget those of one that was."""
    asked = report.error.facts.get("questions") if report.error is not None else None
    if not asked and (report.status == "failed" or not (programme / QUESTIONS).exists()):
        return
    with lock_programme(programme):
        memory = read_memory(programme)
        if asked:
            memory["waiting"][report.sortie] = {"path": str(path.resolve()), "questions": asked}
        elif memory["waiting"].pop(report.sortie, None) is None:
            return
        write_memory(programme, memory)
