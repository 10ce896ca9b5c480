"""What an adapter is given and what it gives back, before anything is decided about channels.

An adapter reports a file as written: its columns in its own units, its time in its own clock, the
line every row came from. What the columns mean (`mapping`), what UTC the times are (`timebase`),
and how clocks agree (`clock`) are decided afterwards, the same way for every format.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from ..shared.findings import Finding
from ..shared.recording import TestCard
from ..shared.settings import InstrumentProfile
from ..shared.spill import keep_large

HEAD_BYTES = 4096

TimeBasis = Literal["utc", "gps", "local", "elapsed", "time_of_day", "none"]


@dataclass(frozen=True)
class LogFile:
    """One file of a sortie's folder with its first 4 KiB; sniffing looks at nothing else."""

    path: Path
    name: str  # relative to the sortie's folder, '/' between parts
    size: int
    head: bytes

    @cached_property
    def content(self) -> bytes:
        """The whole file."""
        return self.path.read_bytes()

    @cached_property
    def sha256(self) -> str:
        """Hash of the content, hex."""
        digest = hashlib.sha256()
        if "content" in vars(self):  # what was read, whatever the file has become since
            digest.update(self.content)
            return digest.hexdigest()
        with self.path.open("rb") as stream:
            while block := stream.read(1 << 20):
                digest.update(block)
        return digest.hexdigest()

    def know_hash(self, sha256: str) -> None:
        """Take a hash the caller found while it wrote the file, instead of reading the file once more for it."""
        vars(self)["sha256"] = sha256


@dataclass(frozen=True, slots=True)
class Claim:
    """An adapter's answer to 'is this file yours?': yes or no, always with the reason."""

    yes: bool
    reason: str


@keep_large("values")
@dataclass(frozen=True, eq=False)
class RawColumn:
    """One column as written. values: float64 (NaN missing) or object (str or None), shape (n,).

    `header` is the name as written, `unit` the unit spelling as written (None when the file gives
    none), `channel` a canonical channel only where the format itself defines the meaning (NMEA,
    IGC); text formats leave it None and the mapping decides. `step`: resolution as written.
    """

    header: str
    values: NDArray[Any]
    unit: str | None = None
    channel: str | None = None
    step: float | None = None
    position: int = 0


@keep_large("seconds")
@dataclass(frozen=True, eq=False)
class RawTime:
    """A file's time axis, as the file tells it.

    basis      seconds holds
    utc        seconds since 1970-01-01 UTC
    gps        seconds since 1970-01-01 on the GPS scale (no leap seconds since 1980)
    local      seconds since 1970-01-01 of a civil clock; `zone_s` where the file states its zone
    elapsed    seconds since the recorder started; `start` where the file states it
    time_of_day  seconds since midnight of an unknown day, already unrolled past midnight
    none       nothing usable

    `start`: naive civil time (or aware, when the file states a zone) the elapsed count began.
    `resolution_s`: step of the stamps as written, before any spreading of equal stamps. `of_week`: an
    elapsed count of seconds since the beginning of a satellite week, and nobody says of which. `day_numbers`:
    the stamps are a spreadsheet's day numbers, counted from 1900 unless another recorder says from 1904.
    """

    basis: TimeBasis
    seconds: NDArray[np.float64]
    zone_s: float | None = None
    start: dt.datetime | None = None
    resolution_s: float = 0.0
    header: str | None = None
    evidence: str = ""
    of_week: bool = False
    day_numbers: bool = False


@keep_large("row")
@dataclass(frozen=True, eq=False)
class RawTrack:
    """One table of one file, as written.

    row: int64, shape (n,): line number (text) or record number (binary), counted from 1.
    kind: a short word for the track's name: display, engine, gnss, discretes, track ...; None
    lets the mapping choose by content. fingerprint: same recorder layout, same text.
    """

    time: RawTime
    columns: tuple[RawColumn, ...]
    row: NDArray[np.int64]
    kind: str | None = None
    fingerprint: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class RawFile:
    """All that an adapter made of one file.

    ledger: plain JSON values: rows_in, rows_out, rows_dropped, rows_repaired, dropped_lines,
    encoding, delimiter, decimal, date_order, sentinels ..., each decision with its evidence under
    `evidence`. rows_in must equal rows_out + rows_dropped + lines accounted for in `not_rows`.
    """

    file: LogFile
    adapter: str
    adapter_version: int
    tracks: tuple[RawTrack, ...]
    ledger: Mapping[str, Any]
    findings: tuple[Finding, ...] = ()
    card: TestCard | None = None
    metadata: Mapping[str, str] = field(default_factory=dict)


class Adapter(Protocol):
    """One format. Adding one: this class, a line in the registry, a sample, a line in README."""

    name: str
    version: int

    def claims(self, file: LogFile) -> Claim:
        """Whether the file is this format, judged from its name and first 4 KiB alone."""
        ...

    def read(self, file: LogFile, profile: InstrumentProfile | None) -> RawFile:
        """The file as written. Raises ParseError or ClockError when nothing of it is usable."""
        ...
