"""Committed rows brought from the log beside the catalog into its file, so that an end in the middle harms nothing.

DuckDB packs the description of all tables into few blocks and writes such a block anew in its place while the header still
points at it. A process killed in the middle of that write (the system ends a write at any page), or a power cut, leaves a
block that is neither the old nor the new one, and a catalog nobody can open. So these blocks and the header are kept in a
file beside, on the disk before the first of them is touched. Found later with the header unchanged, the blocks go back
to their places and the log has all that was committed; with another header the work was done, and they are dropped.

Layout of the kept file: sha256 of the rest; then for each piece its place and length (two little-endian 64-bit
numbers) and its bytes, the header first.
"""

from __future__ import annotations

import hashlib
import os
import struct
from collections.abc import Callable
from pathlib import Path

import duckdb

from ..shared.durable import flush_folder

BEFORE = ".before"  # programme.duckdb.before
_HEADER = 3 * 4096  # one of the file, two of the database of which the later counts; blocks follow
_NUMBERS = struct.Struct("<QQ")
_HASH = hashlib.sha256().digest_size

Piece = tuple[int, bytes]  # place in the file, bytes
Reader = Callable[[int, int], bytes]  # length and place -> bytes


def log_of(catalog: Path) -> Path:
    """The log beside a catalog: what was committed and is not in the file yet."""
    return catalog.with_name(catalog.name + ".wal")


def kept_before(catalog: Path) -> Path:
    """Where the blocks are kept; the file is there only while rows are brought in, or after an end in the middle."""
    return catalog.with_name(catalog.name + BEFORE)


def bring_in(connection: duckdb.DuckDBPyConnection, catalog: Path, read: Reader) -> None:
    """Bring what was committed into the file of the catalog `connection` uses. Raises OSError, duckdb.Error: then it
    lies in the log as before.

    read: bytes of the catalog's file, which must not be opened and closed meanwhile (its lock would go).
    """
    if not log_of(catalog).exists():
        return
    size = connection.execute("SELECT block_size FROM pragma_database_size() WHERE database_name = current_database()")
    (length,) = size.fetchall()[0]
    blocks = connection.execute("SELECT block_id FROM pragma_metadata_info()").fetchall()
    places = [(0, _HEADER), *((_HEADER + number * length, length) for (number,) in blocks)]
    _write(kept_before(catalog), [(place, read(count, place)) for place, count in places])
    connection.execute("CHECKPOINT")
    kept_before(catalog).unlink()


def mend(catalog: Path) -> None:
    """Undo what an ended process left half written. The caller holds the programme's lock. Raises OSError."""
    kept = kept_before(catalog)
    if not kept.exists():
        return
    pieces = _read(kept)
    if pieces and catalog.exists():
        with catalog.open("r+b") as stream:
            if stream.read(_HEADER) == pieces[0][1]:
                for place, block in pieces[1:]:
                    stream.seek(place)
                    stream.write(block)
                stream.flush()
                os.fsync(stream.fileno())
    kept.unlink()


def _write(path: Path, pieces: list[Piece]) -> None:
    body = b"".join(part for place, block in pieces for part in (_NUMBERS.pack(place, len(block)), block))
    with path.open("wb") as stream:
        stream.write(hashlib.sha256(body).digest())
        stream.write(body)
        stream.flush()
        os.fsync(stream.fileno())
    flush_folder(path.parent)


def _read(path: Path) -> list[Piece]:
    """Nothing when the file was not written to its end: then no block was touched."""
    whole = path.read_bytes()
    body = whole[_HASH:]
    if hashlib.sha256(body).digest() != whole[:_HASH]:
        return []
    pieces, at = [], 0
    while at < len(body):
        place, length = _NUMBERS.unpack_from(body, at)
        at += _NUMBERS.size
        pieces.append((place, body[at : at + length]))
        at += length
    return pieces
