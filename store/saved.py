"""Conditions people keep under a name, in the programme's saved.toml: a file to read and edit.

    [flap-down-descent]
    condition = "flap = 'full' AND vertical_speed < fpm(-500)"
    at_least = "10 s"

Asked by `@flap-down-descent` wherever a condition is asked for. The file is the programme's own and
stays as it is when everything else is made anew.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from ..shared.errors import ConditionError, StoreError
from ..shared.late import tomlkit
from ..shared.settings import Duration
from .condition import parse_condition
from .connection import connect_memory, lock_programme, open_catalog
from .narrowing import Narrowing, read_fences
from .places import SAVED
from .remote import writing
from .textfile import write_text

SIGN = "@"
_NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,59}")
_HEAD = "# Saved conditions: `trimshot find @NAME` asks one, `trimshot saved` lists them.\n"
_CORRECT = "correct the file, or delete the entry"


class SavedCondition(BaseModel):
    """A condition with the length and joining it is asked with (seconds), what narrows it (store/narrowing.py; after and
    before: kind of event -> seconds), and a note in words."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    condition: str = Field(min_length=1)
    at_least: Duration = 0.0
    join: Duration = 0.0
    within: tuple[str, ...] = Field(default=(), strict=False)
    after: dict[str, Duration] = {}
    before: dict[str, Duration] = {}
    note: str = ""

    @property
    def narrowing(self) -> Narrowing:
        """What narrows it, as `find` takes it."""
        return Narrowing(self.within, tuple(self.after.items()), tuple(self.before.items()))


def list_saved(programme: Path) -> dict[str, SavedCondition]:
    """Every saved condition by its name, as the file has them. Raises StoreError for a file that does not hold together."""
    path = programme / SAVED
    try:
        document = tomllib.loads(_read(path))
    except tomllib.TOMLDecodeError as error:
        raise StoreError("not valid TOML", where=str(path), found=str(error), do=_CORRECT) from None
    return {name: _check_entry(path, name, entry) for name, entry in document.items()}


def find_saved(programme: Path, text: str) -> SavedCondition | None:
    """The saved condition that `@name` stands for; None for a text that is a condition itself.

    Raises ConditionError for a name that is not there.
    """
    if not text.lstrip().startswith(SIGN):
        return None
    name = text.strip().removeprefix(SIGN)
    known = list_saved(programme)
    if name not in known:
        near = difflib.get_close_matches(name, known, n=4, cutoff=0.4) or list(known)
        shown = ", ".join(SIGN + one for one in near) or "none: nothing is saved yet"
        raise ConditionError("no saved condition of this name", found=repr(text.strip()), allowed=shown)
    return known[name]


def as_asked(programme: Path, text: str, at_least_s: float | None, join_s: float | None) -> SavedCondition:
    """A condition, or the saved one that `@name` stands for, with the lengths (seconds) given now; those saved with it
    where none are given."""
    saved = find_saved(programme, text)
    given = {"at_least": at_least_s, "join": join_s}
    lengths = {key: value for key, value in given.items() if value is not None}
    return (saved or SavedCondition.model_construct(condition=text)).model_copy(update=lengths)


def save_condition(programme: Path, name: str, saved: SavedCondition, *, replacing: bool = False) -> None:
    """Keep a condition under a name. Raises ConditionError for one that cannot be asked, StoreError for a name that
    cannot be used or is taken (unless `replacing`)."""
    if not _NAME.fullmatch(name):
        raise StoreError(
            "a name for a condition is short and plain", found=repr(name), allowed="a-z, 0-9, '-' and '_', up to 60"
        )
    _check_condition(saved.condition)
    with open_catalog(programme) as catalog:
        read_fences(catalog, saved.narrowing)
    with writing(programme), lock_programme(programme):
        if name in list_saved(programme) and not replacing:
            raise StoreError("there is a saved condition of this name", found=repr(name), do="use `--replace`")
        document = tomlkit.parse(_read(programme / SAVED) or _HEAD)
        entry = document.setdefault(name, tomlkit.table())
        for key in [key for key in entry if key not in _entry(saved)]:
            del entry[key]
        for key, value in _entry(saved).items():
            entry[key] = value
        write_text(programme / SAVED, tomlkit.dumps(document))


def forget_condition(programme: Path, name: str) -> None:
    """Take a saved condition out. Raises ConditionError for a name that is not there."""
    with writing(programme), lock_programme(programme):
        find_saved(programme, SIGN + name)
        write_text(programme / SAVED, _without(_read(programme / SAVED), name))


def _without(text: str, name: str) -> str:
    """The file without an entry. The comment above the next entry stays, which tomlkit counts to the one before it."""
    wanted = {key: entry for key, entry in tomllib.loads(text).items() if key != name}
    lines = text.splitlines(keepends=True)
    heads = [place for place, line in enumerate(lines) if line.startswith("[")]
    for head, end in pairwise([*heads, len(lines)]):
        while end < len(lines) and end - 1 > head and lines[end - 1].lstrip()[:1] in ("", "#"):
            end -= 1
        left = "".join(lines[:head] + lines[end:])
        if lines[head].strip() == f"[{name}]" and tomllib.loads(left) == wanted:
            return left
    document = tomlkit.parse(text)
    del document[name]
    return tomlkit.dumps(document)


def _check_condition(text: str) -> None:
    connection = connect_memory()
    try:
        parse_condition(connection, text)
    finally:
        connection.close()


def _entry(saved: SavedCondition) -> Mapping[str, Any]:
    entry = {
        "condition": saved.condition,
        "at_least": _length(saved.at_least) if saved.at_least else None,
        "join": _length(saved.join) if saved.join else None,
        "within": list(saved.within),
        "after": {kind: _length(seconds) for kind, seconds in saved.after.items()},
        "before": {kind: _length(seconds) for kind, seconds in saved.before.items()},
        "note": saved.note,
    }
    return {key: _inline(value) for key, value in entry.items() if value}


def _inline(value: Any) -> Any:
    if not isinstance(value, dict):
        return value
    table = tomlkit.inline_table()
    table.update(value)
    return table


def _length(seconds: float) -> str:
    return f"{seconds:.10g} s"


def _check_entry(path: Path, name: str, entry: object) -> SavedCondition:
    try:
        return SavedCondition.model_validate(entry)
    except ValidationError as error:
        problems = "; ".join(f"{'.'.join(str(part) for part in one['loc'])}: {one['msg']}" for one in error.errors())
        allowed = ", ".join(SavedCondition.model_fields)
        raise StoreError(
            "a saved condition does not hold together", where=f"{path} [{name}]", found=problems, allowed=allowed,
            do=_CORRECT,
        ) from None  # fmt: skip


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        return ""
    except (OSError, UnicodeDecodeError) as error:
        raise StoreError(
            "the saved conditions cannot be read", where=str(path), found=str(error), do=_CORRECT
        ) from None
