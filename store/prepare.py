"""The long half of an add: take the sources in, read, detect, write Parquet. Touches no catalog.

`gather` copies the files into a private place; `prepare` works on that copy alone, so it may run
in any process. What it gives back is plain data and can be pickled.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import os
import shutil
import stat
import uuid
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

import pyarrow as pa

from ..detect.run import look
from ..ingest.folder import open_sortie, skipped_entries
from ..ingest.raw import LogFile
from ..ingest.sortie import read_unchecked
from ..shared.durable import flush_folder, flush_tree, flush_unless_later
from ..shared.errors import InputError
from ..shared.findings import Detection, Finding
from ..shared.parquet import write_track
from ..shared.recording import Recording
from ..shared.settings import Settings
from ..shared.spill import is_large
from .frame import Frame, build_frame, write_frame
from .hashes import hash_files, with_hashes
from .places import FRAME, MARK, SOURCE, TRACKS, check_sortie_name, track_file_name
from .report import FileReport, SortieReport
from .rows import all_sources, catalog_rows


@dataclass(frozen=True, slots=True)
class Gathered:
    """A sortie's files, copied to place/source; content_hash covers every name and every byte.

    kept: where the copies lie instead, when several tries at the sortie share them.
    """

    sortie: str
    place: Path
    content_hash: str
    findings: tuple[Finding, ...] = ()
    hashes: Mapping[str, str] = field(default_factory=dict)  # sha256 of every copied file
    kept: Path | None = None

    @property
    def source(self) -> Path:
        """The folder of the copies."""
        return self.kept or self.place / SOURCE


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """A sortie ready to be committed: its folder, its rows (table -> Arrow table), its report."""

    sortie: str
    place: Path
    content_hash: str
    addition: str
    rows: dict[str, pa.Table]
    report: SortieReport


def gather(path: Path, scratch: Path, sortie: str | None = None) -> Gathered:
    """Copy a sortie's files (folder, zip or single file) into scratch. Raises InputError, OSError.

    The sortie is named after the folder unless `sortie` says otherwise. Copies are read-only; who prepares the
    sortie flushes them to disk.
    """
    with open_sortie(path) as (name, files):
        name = check_sortie_name(sortie or name)
        if not files:
            raise InputError("no files here", where=str(path), do="give a folder with logs in it")
        place = scratch / name
        source = place / SOURCE
        source.mkdir(parents=True)
        hashes, lost = _copy_all(files, source)
    return Gathered(name, place, hash_content(hashes), (*skipped_entries(path), *lost), hashes)


def hash_content(hashes: dict[str, str]) -> str:
    """One hash over the names and content hashes of a sortie's files, whatever their order."""
    digest = hashlib.sha256()
    for name in sorted(hashes):
        digest.update(f"{name}\0{hashes[name]}\n".encode())
    return digest.hexdigest()


def prepare(gathered: Gathered, settings: Settings) -> Prepared:
    """Read and detect, and write tracks and frame beside the sources. Raises TrimshotError, OSError."""
    with ThreadPoolExecutor(1) as writer:
        recording, written = read_and_write(gathered, settings, writer)
        return _detect_and_write(gathered, recording, settings, writing=_Writing(writer, written))


def read_and_write(gathered: Gathered, settings: Settings, writer: Executor) -> tuple[Recording, Future[None]]:
    """The recording of a gathered sortie; sources are flushed beside the reading, and channels derived and tracks
    written beside the sensor checks. What comes back last is done when all of it is on disk."""
    flushed = writer.submit(flush_tree, gathered.source)
    begun = read_unchecked(gathered.source, settings, hashes=gathered.hashes)
    deriving = writer.submit(begun.derive)
    written = writer.submit(_write_derived, deriving, flushed, gathered.place / TRACKS)
    if begun.is_large:
        written.result()
    checked = begun.check()
    recording = begun.finish(deriving.result(), checked)
    findings = recording.findings + gathered.findings
    return dataclasses.replace(recording, sortie_id=gathered.sortie, findings=findings), written


def prepare_recording(
    gathered: Gathered, recording: Recording, settings: Settings, *, gear_moves: str | None = None
) -> Prepared:
    """The half of `prepare` after reading: detect, write tracks and frame. The recording has the sortie's name.

    gear_moves: see `detect.run.detect`.
    """
    with ThreadPoolExecutor(1) as writer:
        flushed = writer.submit(flush_tree, gathered.source)
        written = writer.submit(_write_tracks, recording, flushed, gathered.place / TRACKS)
        writing = _Writing(writer, written)
        return _detect_and_write(gathered, recording, settings, writing=writing, gear_moves=gear_moves)


@dataclass(frozen=True, slots=True)
class _Writing:
    """Who writes files beside the work, and the tracks being written."""

    writer: Executor
    tracks: Future[None]


def _detect_and_write(
    gathered: Gathered, recording: Recording, settings: Settings, *, writing: _Writing, gear_moves: str | None = None
) -> Prepared:
    """Coding a file leaves the interpreter free for the work beside it: both files are written while that goes on."""
    detection, frame, hashes = _detect_and_write_frame(
        gathered, recording, settings, writer=writing.writer, gear_moves=gear_moves
    )
    addition = uuid.uuid4().hex
    rows = catalog_rows(
        recording, detection, settings, frame=frame, content_hash=gathered.content_hash, addition=addition
    )
    report = describe_sortie(recording, detection)
    writing.tracks.result()
    hashed = with_hashes(rows, hashes.result())
    _write_mark(gathered.place, addition)
    return Prepared(gathered.sortie, gathered.place, gathered.content_hash, addition, hashed, report)


def _detect_and_write_frame(
    gathered: Gathered, recording: Recording, settings: Settings, *, writer: Executor, gear_moves: str | None
) -> tuple[Detection, Frame, Future[dict[str, str]]]:
    """The frame needs no points: it is handed to the writer before they are looked for. Gives the hashes of all files, too."""
    outline = look(recording, settings, gear_moves=gear_moves)
    if is_large(recording.track(recording.main).time_s):
        _ = outline.detection  # what the search takes is free again before the frame is made
    frame = build_frame(recording, outline.runs, settings)
    hashes = writer.submit(_write_frame, frame, gathered.place)
    return outline.detection, frame, hashes


def _write_frame(frame: Frame, place: Path) -> dict[str, str]:
    """The frame on disk, behind the tracks; gives the hashes of all these files."""
    write_frame(frame, place / FRAME)
    return hash_files(place)


def _write_derived(deriving: Future[Recording], flushed: Future[None], folder: Path) -> None:
    _write_tracks(deriving.result(), flushed, folder)


def _write_tracks(recording: Recording, flushed: Future[None], folder: Path) -> None:
    """The tracks on disk, and the sources too: nothing may be committed before both are."""
    flushed.result()
    folder.mkdir()
    for number, track in enumerate(recording.tracks, 1):
        write_track(track, recording.start_utc, folder / track_file_name(number, track.name))


def describe_sortie(recording: Recording, detection: Detection) -> SortieReport:
    """What the add of a sortie tells the pilot."""
    main = recording.track(recording.main)
    findings = recording.findings + detection.findings
    files = []
    for source in all_sources(recording):
        feeding = [track for track in recording.tracks if any(one.file == source.file for one in track.sources)]
        channels = [name for track in feeding for name, column in track.columns.items() if not column.derived_from]
        files.append(
            FileReport(
                file=source.file,
                adapter=source.adapter,
                rows_in=int(source.ledger.get("rows_in") or 0),
                rows_out=int(source.ledger.get("rows_out") or 0),
                channels=tuple(channels),
                clock_offset_s=source.clock.offset_s,
                clock_uncertainty_s=source.clock.offset_uncertainty_s,
                clock_basis=source.clock.basis,
                findings=tuple(one for one in findings if _is_about(one, source.file)),
            )
        )
    return SortieReport(
        sortie=recording.sortie_id,
        status="added",
        files=tuple(files),
        duration_s=float(main.time_s[-1] - main.time_s[0]) if len(main.time_s) else 0.0,
        points=len(detection.points),
        refused=len(detection.refused),
        events=len(detection.events),
        findings=findings,
    )


def _is_about(finding: Finding, file: str) -> bool:
    where = finding.where or ""
    return where == file or (where.startswith(file) and not where[len(file)].isalnum())


def _copy_all(files: Sequence[LogFile], source: Path) -> tuple[dict[str, str], list[Finding]]:
    """Hash of every copied file; a finding for each that could not be read to its end. Raises InputError when none could."""
    hashes: dict[str, str] = {}
    lost: list[Finding] = []
    for file in files:
        try:
            hashes[file.name] = _copy(file, source)
        except _UnreadableError as error:
            lost.append(Finding("FILE_SKIPPED", str(error), "fault", file.name))
    if not hashes:
        raise InputError("no file of this sortie can be read", found="; ".join(finding.text for finding in lost))
    return hashes, lost


class _UnreadableError(InputError):
    """A source file that is gone, or breaks off; what goes wrong with the copy itself is another matter."""


def _blocks(file: LogFile) -> Iterator[bytes]:
    try:
        with file.path.open("rb") as stream:
            while block := stream.read(1 << 20):
                yield block
    except OSError as error:
        raise _UnreadableError("the file cannot be read", where=file.name, found=error.strerror or str(error)) from None


def _copy(file: LogFile, source: Path) -> str:
    target = source.joinpath(*file.name.split("/"))
    if not target.resolve().is_relative_to(source.resolve()):
        raise InputError("a file's name leads out of the sortie's folder", where=file.name, do="rename it")
    target.parent.mkdir(parents=True, exist_ok=True)
    digest = hashlib.sha256()
    try:
        with target.open("wb", buffering=0) as copy, ThreadPoolExecutor(1) as beside:
            hashed: Future[None] | None = None
            for block in _blocks(file):
                if hashed is not None:
                    hashed.result()  # no more than two blocks in memory
                hashed = beside.submit(digest.update, block)
                _write_all(copy, block)
            flush_unless_later(copy)
    except _UnreadableError:
        target.unlink()
        raise
    with contextlib.suppress(FileNotFoundError):  # gone behind the last byte: its dates are lost, nothing else
        shutil.copystat(file.path, target)
    target.chmod(stat.S_IRUSR | stat.S_IRGRP | stat.S_IROTH)
    return digest.hexdigest()


def _write_all(copy: BinaryIO, block: bytes) -> None:
    left = memoryview(block)
    while left:
        left = left[copy.write(left) :]


def _write_mark(place: Path, addition: str) -> None:
    with (place / MARK).open("w", encoding="utf-8") as stream:
        stream.write(addition)
        stream.flush()
        os.fsync(stream.fileno())
    flush_folder(place)
