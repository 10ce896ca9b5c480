"""The test-card adapter: TOML or key and value lines to a TestCard, and no tracks."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from ...shared.errors import ParseError
from ...shared.findings import Finding
from ...shared.recording import TestCard
from ...shared.settings import InstrumentProfile
from ...shared.units import Unit, find_unit, to_si
from ..lines import name_lines
from ..raw import Claim, LogFile, RawFile
from .entries import Entry, decode, is_entry, read_lines, read_toml
from .meanings import Meaning, find_meaning, point_number
from .points import PlannedPoint, read_point_table, read_point_text
from .quantities import Key, read_number, split_key

LAYOUT = "test-card"  # cards of a programme are of one hand: one profile for all
PLANNED_SPEED = "planned speed"  # key of the profile's units
LARGEST = 64 * 1024  # a card is a page; anything larger is a log
_FEWEST_KNOWN = 2
_PLAIN = frozenset({"sortie", "date", "crew"})  # understood, without a field of their own


class TestCardFile:
    """Adapter for test cards. The name keeps pytest from collecting it as tests: see __test__."""

    __test__ = False
    name = "test card"
    version = 1

    def claims(self, file: LogFile) -> Claim:
        """Yes for a small text of entries of which at least two, and a third of all, are a card's."""
        if file.size > LARGEST:
            return Claim(False, f"{file.size} bytes are too many for a test card")
        text = decode(_whole_lines(file))
        if text is None:
            return Claim(False, "not text")
        entries = _read_head(text)
        if not entries:
            return Claim(False, "neither TOML nor lines of a key and a value")
        known = [e.key for e in entries if _is_known(e)]
        if len(known) < _FEWEST_KNOWN or 3 * len(known) < len(entries):
            return Claim(False, f"{len(known)} of {len(entries)} keys are a test card's")
        return Claim(True, f"{len(known)} of {len(entries)} keys are a test card's: {', '.join(known[:4])}")

    def read(self, file: LogFile, profile: InstrumentProfile | None) -> RawFile:
        """A RawFile with a card and no tracks. Raises ParseError when the text is neither form."""
        if len(file.content) > LARGEST:
            raise ParseError(
                "too large for a test card", where=file.name, found=f"{file.size} bytes", allowed=f"{LARGEST} bytes"
            )
        text = decode(file.content)
        if text is None:
            raise ParseError("the card is not text", where=file.name)
        entries, dropped = _read_whole(text, file.name)
        draft = _Draft(find_unit((profile.units if profile else {}).get(PLANNED_SPEED, "")))
        for entry in entries:
            draft.take(entry)
        lines = sum(is_entry(line) for line in text.split("\n"))
        ledger = {
            "rows_in": lines,
            "rows_out": 0,
            "rows_dropped": 1 if dropped else 0,
            "rows_repaired": 0,
            "dropped_lines": [[dropped[0], "no line end", dropped[1]]] if dropped else [],
            "not_rows": {"lines of the card": lines - (1 if dropped else 0)},
            "evidence": {"entries": f"{len(entries)} entries"},
        }
        findings = draft.findings()
        if dropped:
            message = "the last line has no line end and was dropped: it may be half a line"
            findings.append(Finding("TRUNCATED_LAST_LINE", message, "doubt", name_lines([dropped[0]])))
        return RawFile(
            file=file,
            adapter=self.name,
            adapter_version=self.version,
            tracks=(),
            ledger=ledger,
            findings=tuple(findings),
            card=draft.card(),
            metadata={key: str(draft.other[key]) for key in ("sortie", "date") if key in draft.other},
        )


def _whole_lines(file: LogFile) -> bytes:
    """The head up to its last line end, when the file goes on behind it."""
    if file.size <= len(file.head):
        return file.head
    return file.head[: file.head.rfind(b"\n") + 1]


def _read_head(text: str) -> list[Entry]:
    """Entries of a text that may end inside a TOML array or table."""
    lines = text.split("\n")
    for kept in range(len(lines), max(0, len(lines) - 20), -1):
        found = read_toml("\n".join(lines[:kept]))
        if found:
            return found
    return read_lines(text) or []


def _read_whole(text: str, where: str) -> tuple[list[Entry], tuple[int, str] | None]:
    """(entries, line dropped because it may be cut) of a whole card."""
    head, newline, last = text.rpartition("\n")
    # a number without a line end behind it may have lost digits; a closed quote or bracket is whole
    doubtful = is_entry(last) and last.rstrip()[-1] not in "\"']}"
    if doubtful:
        for reader in (read_toml, read_lines):
            found = reader(head + newline)
            if found is not None and head.strip():
                return found, (head.count("\n") + len(newline) + 1, last)
    for reader in (read_toml, read_lines):
        found = reader(text)
        if found is not None:
            return found, None
    raise ParseError(
        "the card is neither TOML nor lines of a key and a value",
        where=where,
        do='write one entry a line, for example "takeoff weight lb,2480"',
    )


def _is_known(entry: Entry) -> bool:
    if point_number(entry.key)[0]:
        return not isinstance(entry.value, dict)
    return _meaning(entry.key)[0] is not None


def _meaning(written: str) -> tuple[Meaning | None, Key]:
    """Meaning by the whole dotted key ('takeoff.weight_lb'), or by its last part."""
    whole, last = split_key(written), split_key(written.rpartition(".")[2])
    found = find_meaning(whole.words)
    return (found, whole) if found else (find_meaning(last.words), last)


@dataclass(slots=True)
class _Draft:
    """The card in the making, with what could not be understood. usual: the stated unit of speeds that name none."""

    usual: Unit | None = None
    fields: dict[str, Any] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    points: list[PlannedPoint] = field(default_factory=list)
    point_lines: list[int] = field(default_factory=list)
    other: dict[str, Any] = field(default_factory=dict)
    problems: list[Finding] = field(default_factory=list)

    def take(self, entry: Entry) -> None:
        is_point, number = point_number(entry.key)
        if is_point and self._take_points(entry, number):
            return
        meaning, key = _meaning(entry.key)
        if meaning is None:
            self._keep(entry, "CARD_FIELD_UNKNOWN", "is not understood")
        elif meaning.kind is not None:
            self._take_quantity(entry, meaning, key)
        elif meaning.field == "notes":
            self.notes += [str(v) for v in _as_list(entry.value) if str(v).strip()]
        elif meaning.field in _PLAIN:
            self.other.setdefault(meaning.field, _plain(entry.value))
        elif isinstance(entry.value, str) and meaning.field not in self.fields:
            self.fields[meaning.field] = entry.value.strip()
        else:
            self._keep(entry, "CARD_FIELD_UNKNOWN", f"is not a text, or says {meaning.field} a second time")

    def _take_points(self, entry: Entry, number: int | None) -> bool:
        values = _as_list(entry.value)
        if not all(isinstance(value, dict | str) for value in values):
            return False
        for value in values:
            count = len(self.points) + 1
            if isinstance(value, dict):
                self.points.append(read_point_table(_plain(value), count, self.usual))
            else:
                self.points.append(read_point_text(value, number if number is not None else count, self.usual))
            self.point_lines.append(entry.line)
        return True

    def _take_quantity(self, entry: Entry, meaning: Meaning, key: Key) -> None:
        number, beside = read_number(entry.value, decimal_comma=entry.decimal_comma)
        unit = beside or key.unit
        if number is None:
            self._keep(entry, "CARD_FIELD_UNKNOWN", "is not a number with a unit")
        elif unit is None:
            self._keep(entry, "UNIT_UNKNOWN", "has no unit; add one to the key or the value")
        elif unit.kind != meaning.kind:
            self._keep(entry, "CARD_FIELD_UNKNOWN", f"is a {unit.kind}; a {meaning.kind} is needed")
        elif meaning.field in self.fields or meaning.field in self.other:
            self._keep(entry, "CARD_FIELD_UNKNOWN", f"says {meaning.field} a second time; the first was taken")
        else:
            target = self.fields if meaning.field in TestCard.__slots__ else self.other
            target[meaning.field] = to_si(number, unit.symbol)

    def _keep(self, entry: Entry, code: str, why: str) -> None:
        self.other[entry.key] = _plain(entry.value)
        text = f"{entry.key!r} {why}: kept as written"
        self.problems.append(Finding(code, text, "doubt", name_lines([entry.line])))

    def findings(self) -> list[Finding]:
        """What was not understood, entry by entry, and the points whose speed has no unit."""
        lines = [line for line, point in zip(self.point_lines, self.points, strict=True) if point.unitless]
        if not lines:
            return self.problems
        text = "planned points whose speed has no unit; the number is kept as written"
        facts = {"header": PLANNED_SPEED}
        return [*self.problems, Finding("UNIT_UNKNOWN", text, "doubt", name_lines(lines), len(lines), facts=facts)]

    def card(self) -> TestCard:
        """The TestCard of all that was taken."""
        points = tuple(point.facts for point in self.points)
        return TestCard(notes=tuple(self.notes), planned_points=points, other=self.other, **self.fields)


def _as_list(value: Any) -> Sequence[Any]:
    return value if isinstance(value, list) else [value]


def _plain(value: Any) -> Any:
    """A TOML value as JSON has it: dates become ISO text."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_plain(item) for item in value]
    return value.isoformat() if isinstance(value, dt.date | dt.time) else value
