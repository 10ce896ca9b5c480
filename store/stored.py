"""A stored sortie as the Recording it was read as: from its tracks and the catalog, no source file opened."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..shared.errors import StoreError
from ..shared.findings import Finding
from ..shared.parquet import read_track
from ..shared.recording import Clock, Recording, Source, TestCard
from .commit import check_sorties
from .connection import open_catalog
from .places import sortie_folder, wait_for_file

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Stored:
    """What the catalog says of a stored sortie: all that is needed beside its tracks, as plain data."""

    sortie: str
    folder: Path
    head: Row
    tracks: tuple[str, ...]
    sources: tuple[Row, ...]
    findings: tuple[Row, ...]

    @property
    def read_with(self) -> str | None:
        """The digest of the settings it was read with (None: not known)."""
        digest: str | None = self.head["reading_hash"]
        return digest


def read_recording(programme: Path, sortie: str) -> tuple[Recording, str | None]:
    """The Recording, and the digest of the settings it was read with (None: not known).

    Raises UnknownSortieError, StoreError for a track's file that is gone.
    """
    stored = read_stored(programme, sortie)
    return recording_of(stored), stored.read_with


def read_stored(programme: Path, sortie: str) -> Stored:
    """What the catalog says of a sortie. Raises UnknownSortieError."""
    with open_catalog(programme) as connection:
        check_sorties(connection, [sortie])

        def rows(sql: str) -> list[Row]:
            found = connection.execute(sql, [sortie])
            names = [column[0] for column in found.description]
            return [dict(zip(names, row, strict=True)) for row in found.fetchall()]

        columns = "card, main_track, reading_hash, epoch_us(start_utc) AS start_us"
        return Stored(
            sortie,
            sortie_folder(programme, sortie),
            rows(f"SELECT {columns} FROM sortie WHERE sortie = ?")[0],
            tuple(row["file"] for row in sorted(rows("SELECT file FROM track WHERE sortie = ?"), key=_track_number)),
            tuple(rows("SELECT * FROM source WHERE sortie = ? ORDER BY number")),
            tuple(rows("SELECT * FROM finding WHERE sortie = ? AND stage = 'reading' ORDER BY number")),
        )


def recording_of(stored: Stored) -> Recording:
    """The Recording, its tracks read from their files. Raises StoreError for one that is gone."""
    head = stored.head
    return Recording(
        sortie_id=stored.sortie,
        start_utc=dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(microseconds=int(head["start_us"])),
        tracks=tuple(read_track(_existing(stored.folder / file))[0] for file in stored.tracks),
        main=head["main_track"],
        card=_card(json.loads(head["card"])),
        sources=tuple(_source(row) for row in stored.sources),
        findings=tuple(_finding(row) for row in stored.findings),
    )


def _track_number(row: Row) -> int:
    """The number a track's file name begins with: the order the tracks were read in."""
    return int(Path(row["file"]).name.split("-", 1)[0])


def _existing(path: Path) -> Path:
    if not wait_for_file(path):
        raise StoreError("a file of the sortie is missing", where=str(path), do="run `trimshot rebuild`")
    return path


def _card(facts: Row) -> TestCard:
    return TestCard(
        **{
            **facts,
            "notes": tuple(facts.get("notes") or ()),
            "planned_points": tuple(facts.get("planned_points") or ()),
        }
    )


def _source(row: Row) -> Source:
    clock = Clock(
        basis=row["clock_basis"],
        zone_s=row["zone_s"],
        offset_s=row["offset_s"],
        offset_uncertainty_s=row["offset_uncertainty_s"],
        drift_ppm=row["drift_ppm"],
        drift_uncertainty_ppm=row["drift_uncertainty_ppm"],
        reference=row["clock_reference"],
        channel=row["clock_channel"],
        evidence=row["clock_evidence"],
    )
    return Source(
        file=row["file"],
        sha256=row["sha256"],
        bytes=row["bytes"],
        adapter=row["adapter"],
        adapter_version=row["adapter_version"],
        instrument=row["instrument"],
        clock=clock,
        ledger=json.loads(row["ledger"]),
    )


def _finding(row: Row) -> Finding:
    return Finding(
        code=row["code"],
        text=row["text"],
        level=row["level"],
        where=row["place"],
        count=row["times"],
        start_s=row["start_s"],
        stop_s=row["stop_s"],
        facts=json.loads(row["facts"]),
    )
