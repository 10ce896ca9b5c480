"""One file of a sortie: read by its adapter, its columns mapped; or the reason why not."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..shared.codes import CODES
from ..shared.errors import ClockError, SettingsError, TrimshotError
from ..shared.findings import Finding, Level
from ..shared.recording import Clock, Source
from ..shared.settings import InstrumentProfile, Settings
from .card.adapter import LAYOUT as CARD_LAYOUT
from .dates import date_file
from .mapping import MappedTrack, map_track
from .profiles import find_profile
from .raw import Adapter, LogFile, RawFile, RawTime, RawTrack
from .registry import choose
from .strays import Flags, in_calendar, report_impossible, take_rows, take_times
from .wraps import unwrap_counters

_NO_LOSS = frozenset(("NOT_A_LOG", "DUPLICATE_FILE"))  # files left out without anything lost

Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """One table of one file with its columns mapped."""

    raw: RawTrack
    mapped: MappedTrack
    profile: InstrumentProfile | None
    alternatives: tuple[tuple[str, RawTime], ...] = ()  # the same stamps in every order their dates can have


@dataclass(frozen=True, slots=True, eq=False)
class FileReading:
    """All that became of one file: what the adapter made of it, or the error that stopped it."""

    file: LogFile
    sha256: str
    raw: RawFile | None
    tables: tuple[Table, ...]
    error: TrimshotError | None = None

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Findings of adapter and mapping, or the one that says why the file was left out."""
        if self.error is not None:
            return (_skipped(self.file.name, self.error),)
        assert self.raw is not None
        return (*self.raw.findings, *(f for table in self.tables for f in table.mapped.findings))

    @property
    def layouts(self) -> tuple[str, ...]:
        """Fingerprints of the file's tables, each once; the first one stands for the recorder."""
        return _layouts(self.raw) if self.raw is not None else ()

    def source(self, instrument: str, clock: Clock) -> Source:
        """The file as a Source of a track."""
        ledger: Mapping[str, Any] = self.raw.ledger if self.raw else {"error": str(self.error)}
        if self.raw is not None and len(self.layouts) > 1:
            ledger = {**ledger, "layouts": list(self.layouts)}
        name, version = (self.raw.adapter, self.raw.adapter_version) if self.raw else ("none", 0)
        return Source(self.file.name, self.sha256, self.file.size, name, version, instrument, clock, ledger)


def _layouts(raw: RawFile) -> tuple[str, ...]:
    return (CARD_LAYOUT,) if raw.card is not None else tuple(dict.fromkeys(track.fingerprint for track in raw.tracks))


def read_file(file: LogFile, settings: Settings) -> FileReading:
    """The file through the adapter that claims it. An unusable file comes back with its error."""
    try:
        if not file.head:
            file.path.open("rb").close()  # a file that is gone is another matter than an empty one
        adapter = choose(file)
        raw = adapter.read(file, None)
        found = find_profile(settings, _layouts(raw), file.name)
        profile = found[1] if found is not None else None
        if profile is not None:
            raw = _as_first(adapter.read(file, profile), raw)
        raw = date_file(raw, profile)
        orders = _both_orders(adapter, file, raw, profile)
        sha256 = _sha256(file)
    except SettingsError:
        raise
    except TrimshotError as error:
        return FileReading(file, _sha256(file), None, (), error)
    except OSError as error:
        reason = TrimshotError("the file cannot be read", where=file.name, found=error.strerror or str(error))
        return FileReading(file, "", None, (), reason)
    finally:
        vars(file).pop("content", None)  # a cached copy of a whole log is not kept past its reading
    tables: list[Table] = []
    findings: list[Finding] = []
    ledger = dict(raw.ledger)
    for number, track in enumerate(raw.tracks):
        keep = in_calendar(track.time)
        times = _times(orders, number, track.row, keep)
        if not keep.all():
            findings += report_impossible(track, keep, ledger, file.name)
            track = take_rows(track, keep)
        if len(track.row):
            track, wrapped = unwrap_counters(track, file.name)
            findings += wrapped
            tables.append(Table(track, map_track(track, file.name, profile), profile, times))
    raw = dataclasses.replace(raw, findings=(*raw.findings, *findings), ledger=ledger)
    return FileReading(file, sha256, raw, tuple(tables))


def leave_out_copies(files: Sequence[LogFile]) -> dict[str, FileReading]:
    """Files that are byte for byte another one of the sortie, by name, with the reading that says so.

    The file read is the one outside an archive, with the shortest name.
    """
    by_size: dict[int, list[LogFile]] = {}
    for file in files:
        by_size.setdefault(file.size, []).append(file)
    out: dict[str, FileReading] = {}
    for same in by_size.values():
        first: dict[str, str] = {}
        for file in sorted(same, key=lambda f: (f.name.count("/"), len(f.name), f.name)) if len(same) > 1 else ():
            sha256 = _sha256(file)
            if not sha256 or not file.size or sha256 not in first:
                first[sha256] = file.name
                continue
            what = f"the same content as {first[sha256]}; read once"
            error = TrimshotError(what, where=file.name, code="DUPLICATE_FILE")
            out[file.name] = FileReading(file, sha256, None, (), error)
    return out


def _sha256(file: LogFile) -> str:
    """The file's hash; empty when it can no longer be read."""
    try:
        return file.sha256
    except OSError:
        return ""


def _both_orders(
    adapter: Adapter, file: LogFile, raw: RawFile, profile: InstrumentProfile | None
) -> dict[str, RawFile]:
    """The file read once in every order its dates can have, where it does not tell."""
    open_ones = [finding for finding in raw.findings if finding.code == "DATE_ORDER_AMBIGUOUS"]
    possible = {str(one["order"]) for finding in open_ones for one in finding.facts.get("readings", ())}
    asked = profile or InstrumentProfile()
    out = {}
    for order in sorted(possible):
        with suppress(ClockError):  # another table of the file shows no date in this order
            out[order] = adapter.read(file, asked.model_copy(update={"date_order": order}))
    return out


def _times(orders: dict[str, RawFile], number: int, row: Integers, keep: Flags) -> tuple[tuple[str, RawTime], ...]:
    """Every reading of a table's stamps that has the same rows; keep: which of these stay."""
    tracks = [(order, raw.tracks[number]) for order, raw in orders.items() if number < len(raw.tracks)]
    # short dates read otherwise stay in 1970 to 2069, or in their year: the same rows leave the calendar
    return tuple((order, take_times(track.time, keep)) for order, track in tracks if np.array_equal(track.row, row))


def _as_first(again: RawFile, first: RawFile) -> RawFile:
    """The file read with the user's answers, its recorder known by the fingerprint it had without them."""
    marks = [track.fingerprint for track in first.tracks]
    tracks = tuple(
        dataclasses.replace(track, fingerprint=marks[number] if number < len(marks) else track.fingerprint)
        for number, track in enumerate(again.tracks)
    )
    return dataclasses.replace(again, tracks=tracks)


def _skipped(name: str, error: TrimshotError) -> Finding:
    code = error.code if error.code in CODES else "FILE_SKIPPED"
    text = str(error) if str(error).startswith(name) else f"{name}: {error}"
    level: Level = "note" if code in _NO_LOSS else "fault"
    return Finding(code, text, level, name, facts={"error": type(error).__name__, "code": error.code})
