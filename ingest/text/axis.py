"""What the parts of the time axis share: the file's context, the rows kept, and the axis in the making."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ...shared.errors import ClockError
from ...shared.findings import Finding
from ...shared.settings import InstrumentProfile
from ..raw import RawTime
from ..timeline import usual_step
from .headers import Heading
from .notes import Notes, lines_text
from .oddstamps import count_unset, find_jumps
from .preamble import Facts
from .stamps import Stamps
from .timecolumns import words_of

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
DAY_S = 86400.0


@dataclass
class Context:
    """Everything about one file the time may depend on."""

    file: str
    headings: Sequence[Heading]
    line: NDArray[np.int64]
    facts: Facts
    profile: InstrumentProfile | None
    notes: Notes
    decimals: Sequence[int]
    offsets: Floats | None = None  # seconds from UTC of every row, (n,), where a column states them

    def words(self, positions: Sequence[int]) -> set[str]:
        """Words of the time columns' names and units."""
        found: set[str] = set()
        for i in positions:
            found |= set(words_of(self.headings[i].written)) | set(words_of(self.headings[i].unit or ""))
        return found

    def header(self, positions: Sequence[int]) -> str:
        """The time columns' names."""
        return " + ".join(self.headings[i].header for i in positions)


@dataclass(frozen=True)
class Reading:
    """How the stamps were read: the rows kept (shape n of the table), the step and names, the stamps themselves."""

    keep: Flags
    resolution_s: float
    positions: tuple[int, ...]
    clock: Stamps


@dataclass
class Axis:
    """The time of the kept rows: keep, shape (n of the table,); leap flags second 60, shape as time."""

    time: RawTime
    keep: Flags
    leap: Flags
    counts: bool = False  # an elapsed count that may restart
    findings: list[Finding] = field(default_factory=list)


def axis_of(time: RawTime, keep: Flags, *, counts: bool = False) -> Axis:
    """An axis without leap seconds."""
    return Axis(time, keep, np.zeros(len(time.seconds), np.bool_), counts)


def keep_readable(seconds: Floats, bad: Flags, *, blank: Flags, context: Context) -> tuple[Flags, Floats]:
    """(rows kept, their seconds): rows without a readable time go, except that a leading run of blank ones is rebuilt.

    So is a leading run of a clock that was not set yet. The rebuilt run counts backwards from the first stamp at the
    usual row step (TIME_BEFORE_FIX).
    Raises ClockError when no row is left.
    """
    bad = bad | find_jumps(np.where(bad, np.nan, seconds))
    good = np.flatnonzero(~bad)
    if not len(good):
        raise ClockError(
            "no time stamp of the file can be read",
            where=context.file,
            code="NO_TIME_CHANNEL",
            do="state the format of the stamps, or export the file again",
        )
    keep = ~bad
    unset = count_unset(seconds[good])
    head = int(good[unset])
    empty = blank.copy()
    empty[good[:unset]] = True
    if head and empty[:head].all() and len(good) - unset > 2:
        seconds = _rebuild(seconds, head, usual_step(seconds[good[unset:]]), context)
        keep[:head] = True
    gone = context.line[~keep]
    if len(gone):
        context.notes.find(
            "BAD_STAMP",
            f"{len(gone)} rows without a readable time stamp were dropped",
            level="doubt",
            where=lines_text(gone),
            count=len(gone),
        )
    return keep, seconds[keep]


def _rebuild(seconds: Floats, head: int, step: float, context: Context) -> Floats:
    out = seconds.copy()
    out[:head] = out[head] - step * np.arange(head, 0, -1)
    first, last = int(context.line[0]), int(context.line[head - 1])
    context.notes.find(
        "TIME_BEFORE_FIX",
        f"{head} rows before the first stamp got times from the row rate ({step:g} s)",
        level="doubt",
        where=f"lines {first}-{last}" if head > 1 else f"line {first}",
        count=head,
    )
    return out
