"""What a person said about a point: kept in marks.jsonl, beside what was found and never in its place.

A mark is tied to a stretch of time, not to a point's number, which changes when points are found anew.
The file is the truth: one JSON object a line, in the order the marks were made, only ever added to.
The catalog's table `mark` is a copy for SQL; it is written again whenever a sortie is.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import unicodedata
import uuid
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

import duckdb
import pyarrow as pa

from ..shared.errors import ConditionError, StoreError
from .places import MARKS
from .schema import TABLE
from .textfile import write_text

Action = Literal["accept", "reject", "move", "add", "withdraw"]
ACTIONS: tuple[Action, ...] = get_args(Action)
_LONGEST = 500  # characters of a reason or a name


@dataclass(frozen=True, slots=True)
class Mark:
    """One judgement. start_utc, stop_utc: the stretch judged (of `add`: the new one), as it was when it was judged.

    new_start_utc, new_stop_utc: where `move` puts it. reason is in that person's words. of: the mark a `withdraw` takes
    back alone; without it a `withdraw` takes back all that was said of the point.
    """

    id: str
    sortie: str
    action: Action
    start_utc: dt.datetime
    stop_utc: dt.datetime
    reason: str
    person: str
    made_utc: dt.datetime
    new_start_utc: dt.datetime | None = None
    new_stop_utc: dt.datetime | None = None
    of: str | None = None


def make_mark(
    sortie: str,
    action: str,
    stretch: tuple[dt.datetime, dt.datetime],
    *,
    reason: str,
    by: str,
    moved_to: tuple[dt.datetime, dt.datetime] | None = None,
) -> Mark:
    """A new mark, made now. Raises ConditionError for an unknown action, an empty reason or name, a stretch of no length."""
    if action not in ACTIONS:
        raise ConditionError("not a judgement", found=repr(action), allowed=", ".join(ACTIONS))
    if (action == "move") != (moved_to is not None):
        raise ConditionError("only `move` takes a new stretch, and needs one", found=action)
    for start, stop in (stretch, *([moved_to] if moved_to else [])):
        if not start < stop:
            raise ConditionError("the stretch has no length", found=f"{start.isoformat()} to {stop.isoformat()}")
    new_start, new_stop = moved_to or (None, None)
    return Mark(
        uuid.uuid4().hex[:12],
        sortie,
        action,
        stretch[0],
        stretch[1],
        _words(reason, "a reason"),
        _words(by, "a name"),
        dt.datetime.now(dt.UTC),
        new_start,
        new_stop,
    )


def read_marks(programme: Path, sortie: str | None = None) -> list[Mark]:
    """The marks of a sortie (or all) in the order they were made. Raises StoreError for a file that cannot be read."""
    path = programme / MARKS
    if not path.exists():
        return []
    try:
        entries = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines() if line.strip()]
        marks = [_read(entry) for entry in entries]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StoreError(
            "the file of marks cannot be read", where=str(path), found=f"{type(error).__name__}: {error}",
            do="put the line right or take it out; each line is one mark",
        ) from None  # fmt: skip
    return [mark for mark in marks if sortie in (None, mark.sortie)]


def taken_back(marks: Sequence[Mark]) -> dict[str, Mark]:
    """Identity of each mark that was taken back alone -> the mark that did it and was not taken back itself."""
    taken: dict[str, Mark] = {}
    for mark in reversed(marks):
        if mark.of is not None and mark.id not in taken:
            taken[mark.of] = mark
    return taken


def marks_in_force(marks: Sequence[Mark]) -> list[Mark]:
    """The marks that are not taken back one by one, in their order; taking back a taking back puts the first in force again."""
    taken = taken_back(marks)
    return [mark for mark in marks if mark.of is None and mark.id not in taken]


def append_mark(programme: Path, mark: Mark) -> None:
    """Add a mark to the end of the file; the caller holds the programme's lock."""
    path = programme / MARKS
    former = path.read_text(encoding="utf-8") if path.exists() else ""
    if former and not former.endswith("\n"):
        former += "\n"
    write_text(path, former + json.dumps(_plain(mark), ensure_ascii=False, sort_keys=True) + "\n")


def marks_table(marks: list[Mark]) -> pa.Table:
    """Marks as rows of the catalog's table."""
    rows = [{**_fields(mark), "takes_back": mark.of} for mark in marks]
    return pa.Table.from_pylist(rows, schema=TABLE["mark"].arrow_schema())


def settle_marks(programme: Path, connection: duckdb.DuckDBPyConnection, sorties: Collection[str]) -> None:
    """Write the catalog's copy anew when a run was ended between the file and it. The caller holds the programme's lock.

    sorties: those in the programme. A file that cannot be read is told by whoever asks for a mark.
    """
    copied = {str(row[0]) for row in connection.execute("SELECT id FROM mark").fetchall()}
    with contextlib.suppress(StoreError):
        marks = [mark for mark in read_marks(programme) if mark.sortie in sorties]
        if {mark.id for mark in marks} == copied:
            return
        connection.register("incoming", marks_table(marks))
        connection.execute("BEGIN")
        connection.execute("DELETE FROM mark")
        connection.execute("INSERT INTO mark BY NAME SELECT * FROM incoming")
        connection.execute("COMMIT")
        connection.unregister("incoming")


def _fields(mark: Mark) -> dict[str, Any]:
    return {name: getattr(mark, name) for name in Mark.__dataclass_fields__}


def _plain(mark: Mark) -> dict[str, Any]:
    fields = {name: value for name, value in _fields(mark).items() if value is not None}
    return {name: value.isoformat() if isinstance(value, dt.datetime) else value for name, value in fields.items()}


def _read(entry: Mapping[str, Any]) -> Mark:
    times = {name: _moment(entry[name]) for name in entry if name.endswith("_utc")}
    mark = Mark(**{**entry, **times})
    if mark.action not in ACTIONS:
        raise ValueError(f"no judgement {mark.action!r}")
    return mark


def _moment(text: str) -> dt.datetime:
    moment = dt.datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"a time without its zone: {text}")
    return moment


def _words(text: str, what: str) -> str:
    """A person's words on one line, without characters that have no shape."""
    line = "".join(" " if c in "\r\n\t" else c for c in text)
    cleaned = " ".join("".join(c for c in line if unicodedata.category(c) not in ("Cc", "Cf", "Cs")).split())
    if not cleaned or len(cleaned) > _LONGEST:
        raise ConditionError(f"a judgement needs {what}", found=repr(text[:40]), allowed=f"1 to {_LONGEST} characters")
    return cleaned
