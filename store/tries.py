"""One try at a sortie: its tracks and frame written into a place of its own, so that no try ever meets another's.

A worker that seemed dead may still be writing while the next one works on the same sortie. Only the place
that comes back with the result is used; the rest goes with the private folder.
"""

from __future__ import annotations

import dataclasses
import uuid
from dataclasses import dataclass

from ..shared.durable import flush_folder
from ..shared.errors import WorkerError
from ..shared.settings import Settings
from .places import SOURCE
from .prepare import Gathered, Prepared, prepare, prepare_recording
from .stored import Stored, recording_of


@dataclass(frozen=True, slots=True)
class PrepareJob:
    """A sortie to read and detect. stored: detect alone, from these tracks; gear_moves: see `detect.run.detect`."""

    gathered: Gathered
    settings: Settings
    stored: Stored | None = None
    gear_moves: str | None = None


def try_once(job: PrepareJob) -> Prepared:
    """The work itself, in any process that sees the programme's folder. Raises TrimshotError, OSError."""
    gathered = job.gathered
    if not gathered.source.is_dir():
        raise WorkerError("the worker does not see the programme's folder", where=str(gathered.place))
    place = gathered.place.with_name(f"try-{uuid.uuid4().hex}")
    place.mkdir()
    mine = dataclasses.replace(gathered, place=place, kept=gathered.source)
    if job.stored is None:
        return prepare(mine, job.settings)
    return prepare_recording(mine, recording_of(job.stored), job.settings, gear_moves=job.gear_moves)


def settle_try(prepared: Prepared) -> Prepared:
    """The prepared sortie whole: the copied source files moved in beside what the try has written."""
    source = prepared.place / SOURCE
    if not source.exists():
        kept = prepared.place.with_name(prepared.sortie) / SOURCE
        kept.rename(source)
        flush_folder(prepared.place)
    return prepared
