"""A sortie's folder to a Recording: the one function the floors above call."""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..shared.errors import InputError
from ..shared.findings import Finding
from ..shared.recording import Clock, Recording, Source, TestCard, Track
from ..shared.settings import Settings
from ..shared.spill import is_large, spill
from .check import check
from .clock import align
from .datum import explain_altitudes, name_satellite_altitudes
from .derive import derive
from .folder import open_sortie, skipped_entries
from .questions import ask, plain_questions
from .reading import FileReading, Table, leave_out_copies, read_file
from .sessions import Session, join_sessions
from .strays import find_pieces, report_strays
from .timebase import Entry, Solved, solve_times

_AIRSPEEDS = ("indicated_airspeed", "calibrated_airspeed", "recorded_true_airspeed")
_ALTITUDES = ("pressure_altitude", "static_pressure", "baro_altitude", "unnamed_altitude")  # the best first
_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """One table with what is known of its time."""

    reading: FileReading
    table: Table
    solved: Solved


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """A sortie's files read and placed in time, before clocks are compared."""

    sortie_id: str
    files: tuple[FileReading, ...]
    placed: tuple[Placed, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Unchecked:
    """A recording whose samples and times are settled. `derive` and `check` need nothing of each other: they, and
    the writing of what is derived, can run beside each other.

    recording: without derived channels and findings. told, clocks: findings made so far, in the order they are told.
    """

    recording: Recording
    settings: Settings
    told: tuple[Finding, ...]
    clocks: tuple[Finding, ...]
    files: tuple[FileReading, ...]

    @property
    def is_large(self) -> bool:
        """Whether its columns lie on disk: what two read at a time is twice in memory."""
        return any(is_large(track.time_s) for track in self.recording.tracks)

    def derive(self) -> Recording:
        """The recording with its channels derived, its findings those of the derivation."""
        return derive(self.recording, self.settings)

    def check(self) -> tuple[Finding, ...]:
        """What the sensor checks find."""
        return check(self.recording.tracks)

    def finish(self, derived: Recording, checked: Sequence[Finding]) -> Recording:
        """The derived recording with all findings."""
        findings = ask((*_without_repeats(self.told, checked), *self.clocks, *checked), self.files)
        return dataclasses.replace(derived, findings=(*findings, *derived.findings))


def read_sortie(path: Path, settings: Settings, *, hashes: Mapping[str, str] | None = None) -> Recording:
    """A folder, zip or single log as one Recording: all recorders on one clock, SI, channels derived.

    hashes: name of a file -> sha256 of its content, where the caller has just made the file and knows it.
    Raises InputError when no file of it holds a usable track, naming every file and its reason.
    """
    return _finish(read_unchecked(path, settings, hashes=hashes))


def read_unchecked(path: Path, settings: Settings, *, hashes: Mapping[str, str] | None = None) -> Unchecked:
    """As `read_sortie`, channels still to be derived and sensors to be checked."""
    return begin_recording(read_files(path, settings, hashes=hashes), settings)


def read_files(path: Path, settings: Settings, *, hashes: Mapping[str, str] | None = None) -> Reading:
    """Every file of a sortie through its adapter, mapped, its stamps brought to UTC. hashes: as in `read_sortie`."""
    with open_sortie(path) as (name, files):
        for file in files:
            if hashes and file.name in hashes:
                file.know_hash(hashes[file.name])
        copies = leave_out_copies(files)
        readings = tuple(copies.get(file.name) or read_file(file, settings) for file in files)
    tables = [(reading, table) for reading in readings for table in reading.tables]
    solved = solve_times([_entry(reading, table) for reading, table in tables])
    placed = tuple(Placed(r, t, s) for (r, t), s in zip(tables, solved, strict=True))
    told = {reading.file.name for reading in readings if reading.error is not None}
    skipped = tuple(f for f in skipped_entries(path) if f.where not in told)
    return Reading(name, readings, placed, (*skipped, *_file_findings(readings, placed)))


def build_recording(reading: Reading, settings: Settings) -> Recording:
    """Sessions joined, clocks aligned, sensors checked, channels derived."""
    return _finish(begin_recording(reading, settings))


def _finish(begun: Unchecked) -> Recording:
    if begun.is_large:
        derived = begun.derive()
        return begun.finish(derived, begun.check())
    with ThreadPoolExecutor(1) as beside:
        deriving = beside.submit(begun.derive)
        checked = begun.check()
        return begun.finish(deriving.result(), checked)


def begin_recording(reading: Reading, settings: Settings) -> Unchecked:
    """All of a recording but derived channels and sensor checks."""
    usable = [p for p in reading.placed if p.solved.utc_s is not None]
    usable, apart = _leave_out_unplaced(usable)
    usable, strays = _without_strays(usable)
    if not usable:
        raise _nothing_usable(reading)
    zero = float(np.floor(min(float(np.nanmin(p.solved.utc_s)) for p in usable if p.solved.utc_s is not None)))
    tracks = join_sessions([_session(p, zero) for p in usable])
    main = choose_main(tracks)
    alignment = align(tracks, main)
    shift = _start_shift(alignment.tracks, main)
    tracks = tuple(dataclasses.replace(t, time_s=spill(t.time_s - shift), row=spill(t.row)) for t in alignment.tracks)
    tracks, named = name_satellite_altitudes(tracks)
    card = next((r.raw.card for r in reading.files if r.raw is not None and r.raw.card is not None), TestCard())
    told = (
        *explain_altitudes(reading.findings, tracks),
        *apart,
        *strays,
        *named,
        *_not_together(tracks, main, reading.findings),
    )
    recording = Recording(
        sortie_id=reading.sortie_id,
        start_utc=_EPOCH + dt.timedelta(seconds=zero + shift),
        tracks=tracks,
        main=main,
        card=card,
        sources=_all_sources(reading, tracks),
    )
    clocks = tuple(_shifted(f, shift) for f in alignment.findings)
    return Unchecked(recording, settings, told, clocks, reading.files)


# -- parts ----------------------------------------------------------------------------------------


def _entry(reading: FileReading, table: Table) -> Entry:
    return Entry(reading.file.name, table.raw.time, table.mapped.columns, table.profile, table.alternatives)


def _session(placed: Placed, zero: float) -> Session:
    raw, utc = placed.table.raw, placed.solved.utc_s
    assert utc is not None
    keep = np.isfinite(utc)
    columns = placed.table.mapped.columns
    if not keep.all():
        columns = {n: dataclasses.replace(c, values=c.values[keep]) for n, c in columns.items()}
    source = placed.reading.source(raw.fingerprint, placed.solved.clock)
    return Session(_name_of(placed), utc[keep] - zero, columns, raw.row[keep], source)


def _name_of(placed: Placed) -> str:
    """The track's name: a flight recorder with its own pressure altitude is told from a plain receiver."""
    kind = placed.table.mapped.kind
    return "track_log" if kind == "gnss" and "pressure_altitude" in placed.table.mapped.columns else kind


def choose_main(tracks: Sequence[Track]) -> str:
    """The track whose clock the sortie follows: airspeed, the best altitude, most company, position, most rows."""

    def worth(track: Track) -> tuple[bool, int, int, bool, int]:
        names = track.columns
        altitude = max((len(_ALTITUDES) - n for n, name in enumerate(_ALTITUDES) if name in names), default=0)
        company = sum(_run_together(track, other) for other in tracks)
        return any(n in names for n in _AIRSPEEDS), altitude, company, "latitude" in names, len(track.time_s)

    return max(tracks, key=worth).name


def _leave_out_unplaced(usable: list[Placed]) -> tuple[list[Placed], list[Finding]]:
    """Tables that count from an unknown start cannot lie beside tables with a date."""
    dated = [p for p in usable if has_date(p)]
    if usable and not dated:
        text = "no recorder of this sortie states a date; its times count from 1970-01-01"
        facts = {"question": "when was this sortie flown?"}
        return usable, [Finding("CLOCK_UNRESOLVED", text, "doubt", usable[0].reading.file.name, facts=facts)]
    findings = []
    for placed in usable:
        if placed in dated:
            continue
        name = placed.reading.file.name
        text = f"{name}: no date, and no other recorder tells when it ran; its samples were left out"
        facts = {"question": f"when was {name} recorded?"}
        findings.append(Finding("CLOCK_UNRESOLVED", text, "fault", name, facts=facts))
    return dated, findings


def _without_strays(usable: list[Placed]) -> tuple[list[Placed], list[Finding]]:
    """Every table by its sessions when these lie days apart, without rows far from all others."""
    out: list[Placed] = []
    findings: list[Finding] = []
    for placed in usable:
        utc, rows = placed.solved.utc_s, placed.table.raw.row
        assert utc is not None
        pieces = find_pieces(utc)
        if len(pieces) == 1 and bool((pieces[0] | ~np.isfinite(utc)).all()):
            out.append(placed)
            continue
        findings += report_strays(utc, rows, pieces, placed.reading.file.name)
        parts = [dataclasses.replace(placed.solved, utc_s=np.where(piece, utc, np.nan)) for piece in pieces]
        out += [dataclasses.replace(placed, solved=part) for part in parts]
    return out, findings


def _run_together(one: Track, other: Track) -> bool:
    return bool(one.time_s[0] <= other.time_s[-1] and one.time_s[-1] >= other.time_s[0])


def _not_together(tracks: Sequence[Track], main: str, told: Sequence[Finding]) -> list[Finding]:
    """Logs of another time: yesterday's file left in the folder, or a clock days off."""
    reference = next(t for t in tracks if t.name == main)
    open_zones = {f.where for f in told if f.code == "TIME_ZONE_UNKNOWN"}
    out = []
    for track in tracks:
        if _run_together(track, reference) or {s.file for s in track.sources} & open_zones:
            continue
        apart_h = (float(track.time_s[0]) - float(reference.time_s[0])) / 3600
        file = track.sources[0].file
        text = f"{file}: begins {apart_h:+.1f} h from {reference.sources[0].file} and never runs together with it"
        out.append(Finding("NOT_TOGETHER", text, "doubt", file, facts={"hours": round(apart_h, 3)}))
    return out


def _without_repeats(told: Sequence[Finding], checked: Sequence[Finding]) -> list[Finding]:
    """An adapter's gaps are left out where the check names the same ones with their times."""
    known = {(f.code, (f.where or "").split(" ")[0]) for f in checked if f.code == "GAP"}
    return [f for f in told if (f.code, (f.where or "").split(" ")[0]) not in known]


def has_date(placed: Placed) -> bool:
    """False for times of day and counts that nothing places on a day."""
    if placed.solved.certain or placed.solved.clock.basis == "local":
        return True
    return placed.solved.clock.basis == "elapsed" and placed.table.raw.time.start is not None


def _start_shift(tracks: Sequence[Track], main: str) -> float:
    track = next(t for t in tracks if t.name == main)
    return float(np.floor(track.time_s[0]))


def _shifted(finding: Finding, shift: float) -> Finding:
    if finding.start_s is None or shift == 0:
        return finding
    stop = finding.stop_s - shift if finding.stop_s is not None else None
    return dataclasses.replace(finding, start_s=finding.start_s - shift, stop_s=stop)


def _file_findings(readings: Sequence[FileReading], placed: Sequence[Placed]) -> list[Finding]:
    """Adapters' findings without those the other recorders answered, then what answered them."""
    settled: dict[str, set[str]] = {}
    for one in placed:
        settled.setdefault(one.reading.file.name, set()).update(one.solved.settled)
    out = []
    for reading in readings:
        answered = settled.get(reading.file.name, set())
        out += [_located(f, reading.file.name) for f in reading.findings if f.code not in answered]
    return out + [f for one in placed for f in one.solved.findings]


def _located(finding: Finding, name: str) -> Finding:
    """The finding with its file in `where`: adapters may give the line only."""
    where = finding.where
    if where is None:
        return dataclasses.replace(finding, where=name)
    return finding if name in where else dataclasses.replace(finding, where=f"{name} {where}")


def _all_sources(reading: Reading, tracks: Sequence[Track]) -> tuple[Source, ...]:
    """Every file once, in name order, with the clock of its first session where it has one."""
    known = {source.file: source for track in reversed(tracks) for source in reversed(track.sources)}
    return tuple(known.get(r.file.name) or r.source(next(iter(r.layouts), ""), Clock("none")) for r in reading.files)


def _nothing_usable(reading: Reading) -> InputError:
    reasons = []
    for file in reading.files:
        if file.error is not None:
            reasons.append(
                str(file.error) if str(file.error).startswith(file.file.name) else f"{file.file.name}: {file.error}"
            )
        elif file.raw is not None and file.raw.card is not None:
            reasons.append(f"{file.file.name}: a test card, no samples")
        else:
            faults = [f.text for f in file.findings if f.level == "fault"] or ["no rows with a usable time"]
            reasons.append(f"{file.file.name}: {faults[0]}")
    codes = {f.error.code for f in reading.files if f.error is not None and f.error.code}
    return InputError(
        "no file of this sortie holds a usable track",
        where=reading.sortie_id,
        found="; ".join(reasons) or "no files",
        do="see the reasons; files can be tried one by one with `trimshot read FILE`",
        code=codes.pop() if len(codes) == 1 else None,
        questions=plain_questions(ask(reading.findings, reading.files)),
    )
