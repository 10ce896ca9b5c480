"""Hashes of a sortie's own Parquet files, kept in the catalog: what `check` compares them with."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

import pyarrow as pa

from .places import FRAME, TRACKS


def hash_file(path: Path) -> str:
    """sha256 of a file's bytes, hex. Raises OSError."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def hash_files(place: Path) -> dict[str, str]:
    """sha256 of the track and frame files that lie in a prepared sortie's folder, by their path below it."""
    files = [*(place / TRACKS).iterdir(), place / FRAME]
    return {file.relative_to(place).as_posix(): hash_file(file) for file in files}


def with_hashes(rows: dict[str, pa.Table], hashes: Mapping[str, str]) -> dict[str, pa.Table]:
    """A prepared sortie's catalog rows with what `hash_files` gives."""
    tracks = [hashes[file] for file in rows["track"].column("file").to_pylist()]
    return {
        **rows,
        "track": _with_column(rows["track"], "sha256", tracks),
        "sortie": _with_column(rows["sortie"], "frame_sha256", [hashes[FRAME]]),
    }


def _with_column(table: pa.Table, name: str, values: list[str]) -> pa.Table:
    return table.set_column(table.schema.get_field_index(name), name, pa.array(values, pa.string()))
