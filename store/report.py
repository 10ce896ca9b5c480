"""What an add tells: per sortie what became of it, per file how it was read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from ..shared.errors import TrimshotError
from ..shared.findings import Finding

Status = Literal["added", "replaced", "unchanged", "failed"]


@dataclass(frozen=True, slots=True)
class FileReport:
    """How one file was read. Clock offset positive when the recorder runs ahead, seconds; uncertainty one
    standard deviation, None when not resolved. The basis is that of shared.recording.Clock."""

    file: str
    adapter: str
    rows_in: int
    rows_out: int
    channels: tuple[str, ...]
    clock_offset_s: float
    clock_uncertainty_s: float | None
    clock_basis: str
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class SortieReport:
    """What became of one sortie. `error` is set when it failed; `note` says why it is unchanged."""

    sortie: str
    status: Status
    files: tuple[FileReport, ...] = ()
    duration_s: float = 0.0
    points: int = 0
    refused: int = 0
    events: int = 0
    findings: tuple[Finding, ...] = ()
    error: TrimshotError | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class AddReport:
    """The sorties of one add, in the order they were given."""

    sorties: tuple[SortieReport, ...]

    def count(self, status: Status) -> int:
        """How many sorties have this status."""
        return sum(one.status == status for one in self.sorties)
