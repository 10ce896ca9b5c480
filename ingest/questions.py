"""What only the user can decide: one question per recorder and subject, whatever number of sorties ask it.

A question's id depends on the recorder's fingerprint, the subject and the column alone, so that the
same recorder asks the same question in every sortie; where the answer is a single file's (its
date), on the file's content as well. An answer sets one key of the recorder's profile.
"""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..shared.errors import QuestionError, SettingsError, TrimshotError
from ..shared.findings import Finding
from ..shared.units import UNITS, find_unit
from .aliases import find_rules
from .card.adapter import PLANNED_SPEED
from .dates import mark_of, read_moment
from .reading import FileReading
from .timebase import zone_offset_s

_FURTHEST_ZONE_S = 14 * 3600.0  # UTC+14, the farthest zone in use


@dataclass(frozen=True, slots=True)
class Question:
    """One question. key: where the answer goes inside the recorder's profile, empty where no answer
    given here can settle it (`form` then says what can). choices: the answers there are; empty: `form`
    says what may be written. fields: number of names a list of columns must have.
    """

    id: str
    kind: str
    instrument: str
    file: str
    column: str | None
    text: str
    evidence: str
    effect: str
    key: tuple[str, ...]
    choices: tuple[str, ...] = ()
    form: str = ""
    fields: int = 0

    @property
    def allowed(self) -> str:
        """The answers there are, in words."""
        return ", ".join(self.choices) or self.form


@dataclass(frozen=True, slots=True)
class _Subject:
    """What questions of one kind have in common; `{file}` and `{column}` are filled in."""

    kind: str
    text: str
    effect: str
    key: tuple[str, ...] = ()
    choices: tuple[str, ...] = ()
    form: str = ""


_ZONE = _Subject(
    "zone",
    "Which time zone was the clock of {file} set to?",
    "its stamps are taken as UTC",
    ("zone",),
    form="UTC, an offset such as +02:00, or a zone's IANA name",
)
_DATE_ORDER = _Subject(
    "date_order",
    "Does the recorder of {file} write the {orders}?",
    "its samples are left out",
    ("date_order",),
    ("dmy", "mdy", "ymd"),
)
_FIRST_FIELD = {"dmy": "day", "mdy": "month", "ymd": "year"}
_UNIT = _Subject(
    "unit",
    "Which unit is the column {column} of {file} in?",
    "the column is kept without a unit and used for nothing",
    ("units", "{column}"),
)
_ALTITUDE = _Subject(
    "altitude_datum",
    "Which altitude is {column} of {file}: pressure (1013.25 hPa), baro (altimeter setting), msl (sea level) or ellipsoid?",
    "the altitude is used for no performance",
    ("altitude_datum",),
    ("pressure", "baro", "msl", "ellipsoid"),
)
_HEADING = _Subject(
    "heading_reference",
    "Is {column} of {file} magnetic or true?",
    "the heading is used for no wind",
    ("heading_reference",),
    ("magnetic", "true"),
)
_DECIMAL = _Subject(
    "decimal_mark",
    "Does the recorder of {file} write decimals behind a point or behind a comma? Every dot of it could part thousands.",
    "its dots are taken for decimal points",
    ("decimal_mark",),
    ("point", "comma"),
)
_DATE = _Subject(
    "date",
    "On which date was {file} recorded (date of its first row)?",
    "its times of day stand on 1 January 1970 and are left out beside recorders with a date",
    ("dates", "{mark}"),
    form="a date, as 2031-03-14",
)
_START = _Subject(
    "start",
    "When was {file} started?",
    "its samples are left out",
    ("dates", "{mark}"),
    form="a time with its zone, as 2031-03-14T09:26:40Z",
)
_COLUMNS = _Subject(
    "columns",
    "What are the names of the columns of {file}, in the order of the rows?",
    "its columns are kept as raw ones",
    ("columns",),
)
_ORIGINAL = _Subject(
    "original_file",
    "Where is the recorder's original of {file}? A spreadsheet destroyed its times.",
    "its samples are left out",
    form="no answer given here can bring the times back: add the sortie anew with the original file, `--replace`",
)
_CARD = _Subject(
    "card_unit",
    "Which unit have the entries of the test card {file} that name none?",
    "the entries are kept as written and used for nothing",
    form="write the unit behind the number in the card and add the sortie anew with `--replace`",
)

_CARD_SPEED = _Subject(
    "card_speed",
    "Which unit are the speeds of planned points in on the programme's test cards, where a card names none?",
    "the numbers are kept as written and compared with nothing",
    ("units", PLANNED_SPEED),
    ("kt", "mph", "km/h", "m/s"),
)

_SUBJECTS: Mapping[str, _Subject] = {
    "TIME_ZONE_UNKNOWN": _ZONE,
    "DATE_ORDER_AMBIGUOUS": _DATE_ORDER,
    "UNIT_UNKNOWN": _UNIT,
    "DECIMAL_MARK_UNCLEAR": _DECIMAL,
    "ALT_DATUM_UNKNOWN": _ALTITUDE,
    "HEADING_REFERENCE_UNKNOWN": _HEADING,
    "DATE_MISSING": _DATE,
    "CLOCK_UNRESOLVED": _START,
    "HEADER_ROW_WIDTH_MISMATCH": _COLUMNS,
    "CHANNEL_UNNAMED": _COLUMNS,
    "SPREADSHEET_TIME_LOST": _ORIGINAL,
    "TIME_PRECISION_LOST": _ORIGINAL,
}
# findings of these codes ask only where they say so: most of them are settled
_ASK_WHEN_TOLD = frozenset({"CLOCK_UNRESOLVED", "CHANNEL_UNNAMED"})


def ask(findings: Sequence[Finding], readings: Sequence[FileReading]) -> tuple[Finding, ...]:
    """The findings, those that ask with their questions as plain values under facts["questions"]."""
    undated = {finding.where for finding in findings if finding.code == "DATE_MISSING"}
    return tuple(
        finding
        if finding.code == "CLOCK_UNRESOLVED" and finding.where in undated  # its date is asked for already
        else _with_questions(finding, readings)
        for finding in findings
    )


def questions_in(findings: Sequence[Finding]) -> list[Question]:
    """Every question the findings carry, once."""
    found = [read_question(one) for finding in findings for one in finding.facts.get("questions", ())]
    return list({question.id: question for question in found}.values())


def plain_questions(findings: Sequence[Finding]) -> list[dict[str, Any]]:
    """As `questions_in`, as plain JSON values."""
    return [_plain(question) for question in questions_in(findings)]


def read_question(plain: Mapping[str, Any]) -> Question:
    """A question back from its plain values."""
    known = {field.name for field in dataclasses.fields(Question)}
    values: dict[str, Any] = {
        name: tuple(v) if isinstance(v, list) else v for name, v in plain.items() if name in known
    }
    return Question(**values)


def check_answer(question: Question, value: str) -> Any:
    """The answer as settings.toml holds it. Raises QuestionError, naming what is allowed, for anything else."""
    text = value.strip()
    if not question.key:
        raise QuestionError("this cannot be settled by an answer", where=f"question {question.id}", do=question.form)
    found = _READ.get(question.kind, _read_choice)(question, text)
    if found is None:
        raise QuestionError(
            "this is no answer to the question",
            where=f"question {question.id}",
            found=repr(value),
            allowed=question.allowed,
        )
    return found


# -- findings to questions --------------------------------------------------------------------------


def _with_questions(finding: Finding, readings: Sequence[FileReading]) -> Finding:
    subject = _SUBJECTS.get(finding.code)
    if subject is None or (finding.code in _ASK_WHEN_TOLD and "question" not in finding.facts):
        return finding
    reading = _reading_of(finding, readings)
    if reading is None:
        return finding
    if reading.raw is not None and reading.raw.card is not None:
        subject = _CARD_SPEED if finding.facts.get("header") == PLANNED_SPEED else _CARD
    if subject is _UNIT:
        questions = [_unit_question(finding, reading, header) for header in finding.facts.get("headers", ())]
    elif subject is _DATE_ORDER:
        questions = [_order_question(finding, reading)]
    else:
        questions = [_question(subject, finding, reading, finding.facts.get("header"))]
    return dataclasses.replace(finding, facts={**finding.facts, "questions": [_plain(q) for q in questions]})


def _reading_of(finding: Finding, readings: Sequence[FileReading]) -> FileReading | None:
    """The file a finding speaks of: `where` is its name, or its name and a place in it."""
    where = finding.where or ""
    fitting = [r for r in readings if where == r.file.name or where.startswith(f"{r.file.name} ")]
    return max(fitting, key=lambda reading: len(reading.file.name), default=None)


def _question(subject: _Subject, finding: Finding, reading: FileReading, column: str | None) -> Question:
    file, mark = reading.file.name, mark_of(reading.sha256)
    instrument = next(iter(reading.layouts), "")
    # the file's content belongs to the identity where the answer holds for this file alone
    alone = mark if subject.kind in ("date", "start", "original_file", "card_unit") else ""
    parts = "\0".join((instrument, subject.kind, column or "", alone))
    fields = int(finding.facts.get("fields", 0)) if subject is _COLUMNS else 0
    return Question(
        id=hashlib.sha256(parts.encode()).hexdigest()[:8],
        kind=subject.kind,
        instrument=instrument,
        file=file,
        column=column,
        text=subject.text.format(file=file, column=column),
        evidence=finding.text,
        effect=subject.effect,
        key=tuple(part.format(column=column, mark=mark) if "{" in part else part for part in subject.key),
        choices=subject.choices,
        form=f"{fields} names with commas between them" if fields else subject.form,
        fields=fields,
    )


def _unit_question(finding: Finding, reading: FileReading, header: str) -> Question:
    question = _question(_UNIT, finding, reading, header)
    kinds = {kind for rule, _ in find_rules(header, None) for kind in rule.kinds}
    symbols = [unit.symbol for unit in UNITS.values() if not kinds or unit.kind in kinds]
    return dataclasses.replace(
        question,
        choices=tuple(dict.fromkeys((*symbols, "1"))),
        form="1 is a bare number: the column then stays a raw one",
    )


def _order_question(finding: Finding, reading: FileReading) -> Question:
    """Only the orders in which the file's dates can be read are answers."""
    orders = tuple(str(one["order"]) for one in finding.facts.get("readings", ())) or _DATE_ORDER.choices
    named = " or the ".join(f"{_FIRST_FIELD[order]} first ({order})" for order in orders)
    subject = dataclasses.replace(_DATE_ORDER, text=_DATE_ORDER.text.replace("{orders}", named), choices=orders)
    return _question(subject, finding, reading, None)


def _plain(question: Question) -> dict[str, Any]:
    values = {field.name: getattr(question, field.name) for field in dataclasses.fields(question)}
    return {name: list(value) if isinstance(value, tuple) else value for name, value in values.items()}


# -- answers ----------------------------------------------------------------------------------------


def _read_choice(question: Question, text: str) -> str | None:
    return text.lower() if text.lower() in question.choices else None


def _read_zone(_: Question, text: str) -> str | None:
    try:
        offset = zone_offset_s(text, np.zeros(1))
    except TrimshotError:
        return None
    return text if abs(offset) <= _FURTHEST_ZONE_S else None


def _read_unit(question: Question, text: str) -> str | None:
    unit = find_unit(text)
    return unit.symbol if unit is not None and unit.symbol in question.choices else None


def _read_date(question: Question, text: str) -> str | None:
    try:
        moment = read_moment(text)
    except SettingsError:
        return None
    is_start = hasattr(moment, "hour")
    return text if is_start == (question.kind == "start") else None


def _read_columns(question: Question, text: str) -> list[str] | None:
    names = [name.strip() for name in text.split(",")]
    return names if len(names) == question.fields and all(names) and len(set(names)) == len(names) else None


_READ = {
    "zone": _read_zone,
    "unit": _read_unit,
    "card_speed": _read_unit,
    "date": _read_date,
    "start": _read_date,
    "columns": _read_columns,
}
