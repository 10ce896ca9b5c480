"""Every error trimshot raises on purpose.

TrimshotError
  InputError                 a file or folder that cannot be used
    UnknownFormatError       no adapter recognises the file
    AmbiguousFormatError     several adapters claim the file
    ParseError               the file's content breaks its own format
    ClockError               no usable time in the file
  QuestionError              only the user can answer; nothing was guessed
  UnitError                  a unit that is not in the closed table, or of the wrong kind
  ChannelError               a channel that does not exist or is of the wrong kind
  SettingsError              settings.toml does not say what it must
  ConditionError             a question that cannot be asked (its SQL does not hold)
  StoreError                 the programme folder
    NoProgrammeError         no programme here or above
    SchemaVersionError       the store is newer than this program
    LockedError              somebody else writes
    UnknownSortieError       no sortie of that name
    WorkerError              a worker process or cluster that does the store's work failed

Each error says what happened, where, what was found, what is allowed and what to do; the
command line prints exactly that and ends with code 2. Facts are attributes as well as text.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from typing import Any


class TrimshotError(Exception):
    """Root of all errors raised on purpose: one readable line, its facts as attributes.

    `what` happened; `where` (file, line, key); `found`; `allowed`; `do` (the way out).
    """

    def __init__(
        self,
        what: str,
        *,
        where: str | None = None,
        found: str | None = None,
        allowed: str | None = None,
        do: str | None = None,
        code: str | None = None,
        **facts: Any,
    ) -> None:
        self.what = what
        self.where = where
        self.found = found
        self.allowed = allowed
        self.do = do
        self.code = code
        self.facts = facts
        super().__init__(self.text())

    def text(self) -> str:
        """The whole message in one line."""
        parts = [f"{self.where}: {self.what}" if self.where else self.what]
        if self.found is not None:
            parts.append(f"found {self.found}")
        if self.allowed is not None:
            parts.append(f"allowed: {self.allowed}")
        if self.do is not None:
            parts.append(self.do)
        return "; ".join(parts)

    def __reduce__(self) -> tuple[Any, ...]:
        # Exceptions with keyword-only arguments do not survive pickling by themselves, and a
        # worker process has to be able to hand its error back.
        state = {
            "where": self.where,
            "found": self.found,
            "allowed": self.allowed,
            "do": self.do,
            "code": self.code,
            **self.facts,
        }
        return (_rebuild, (type(self), self.what, state))


def _rebuild(kind: type[TrimshotError], what: str, state: dict[str, Any]) -> TrimshotError:
    return kind(what, **state)


class InputError(TrimshotError):
    """A file or folder that cannot be used."""


class UnknownFormatError(InputError):
    """No adapter recognises the file; every adapter's reason is in the text."""


class AmbiguousFormatError(InputError):
    """More than one adapter claims the file."""


class ParseError(InputError):
    """The content breaks the format it claims to have."""


class ClockError(InputError):
    """The file carries no usable time."""


class QuestionError(TrimshotError):
    """Something only the user can answer."""


class UnitError(TrimshotError):
    """A unit that is not in the closed table, or of another kind than the channel."""


class ChannelError(TrimshotError):
    """A channel that does not exist, or of another kind than needed."""


class SettingsError(TrimshotError):
    """settings.toml does not say what it must."""


class ConditionError(TrimshotError):
    """A condition that cannot be evaluated."""


class StoreError(TrimshotError):
    """The programme folder cannot be used as asked."""


class NoProgrammeError(StoreError):
    """No programme here or in any folder above."""


class SchemaVersionError(StoreError):
    """The store was written by a newer program."""


class LockedError(StoreError):
    """Another process is writing."""


class UnknownSortieError(StoreError):
    """No sortie of that name in the programme."""


def unknown_sortie(name: str, known: Sequence[str]) -> UnknownSortieError:
    """The error for a name that is none of the sorties known, with those it may have been meant for."""
    shown = ", ".join(known[:20]) + (" ..." if len(known) > 20 else "")
    near = difflib.get_close_matches(name, known, n=3)
    return UnknownSortieError(
        "no such sortie",
        found=repr(name),
        allowed=shown or "none: the programme is empty",
        do=f"did you mean {' or '.join(near)}?" if near else "`trimshot sorties` lists them",
    )


class WorkerError(StoreError):
    """A worker process died, or a cluster cannot be used."""
