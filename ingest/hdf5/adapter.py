"""The adapter for HDF5 files, MATLAB 7.3 files among them."""

from __future__ import annotations

import re
import struct
import zlib
from pathlib import Path

import h5py

from ...shared.errors import ParseError
from ...shared.settings import InstrumentProfile
from ..arrays import tables_of
from ..probing import kills_its_reader, words_of
from ..raw import Claim, LogFile, RawFile
from ..tables import raw_file, read_tables
from ..text.notes import Notes
from .datasets import Content, read_content
from .superblock import find_signature, stored_size

_PROBE = Path(__file__).with_name("probe.py")
_MATLAB_HEADER = 116  # bytes of text in front of a MATLAB file


class Hdf5:
    """Datasets of equal length as columns, found by group and length; units from attributes."""

    name = "HDF5"
    version = 1

    def claims(self, file: LogFile) -> Claim:
        """Yes when the HDF5 signature stands at one of its places in the first 4 KiB."""
        at = find_signature(file.head)
        if at is None:
            return Claim(False, "no HDF5 signature in the first 4 KiB")
        if file.head.startswith(b"MATLAB 7"):
            return Claim(True, "a MATLAB 7.3 file, which is HDF5 inside")
        return Claim(True, f"the HDF5 signature at byte {at}")

    def read(self, file: LogFile, profile: InstrumentProfile | None) -> RawFile:
        """One table per group and length. Raises ParseError for a truncated or broken file, ClockError without time."""
        content = _open(file)
        metadata = dict(content.text)
        if file.head.startswith(b"MATLAB"):
            metadata["header"] = re.sub(r"\s+", " ", file.head[:_MATLAB_HEADER].decode("latin-1")).strip("\0 ")
        tables = tables_of(content.arrays, content.text)
        if not tables:
            raise ParseError(
                "the file holds no arrays that can be channels",
                where=file.name,
                found=", ".join(content.left[:12]) or "nothing",
                do="export each channel as a vector, with a vector of times",
            )
        notes = Notes(file.name)
        if content.left:
            text = f"{len(content.left)} objects are no channels and were left out: {', '.join(content.left[:12])}"
            notes.find("CHANNEL_UNNAMED", text, count=len(content.left), headers=content.left[:200])
        tracks = read_tables(file, tables, mark="hdf5", profile=profile, notes=notes)
        return raw_file(file, self.name, self.version, tracks, notes, metadata)


def _open(file: LogFile) -> Content:
    if file.size == 0:
        raise ParseError("the file is empty", where=file.name, code="EMPTY_FILE")
    head = _head(file)
    at = find_signature(head)
    size = stored_size(head, at) if at is not None else None
    if size is not None and size > file.size:
        raise ParseError(
            "the HDF5 file is truncated",
            where=file.name,
            found=f"{file.size} bytes where the file says it ends at byte {size}",
            do="copy it again; if the recorder lost power, parts of it may be recovered by hand",
            code="HDF5_TRUNCATED",
            stored_size=size,
            actual_size=file.size,
        )
    if kills_its_reader(_PROBE, file.path):
        raise ParseError(
            "the HDF5 file is damaged so that reading it crashes the HDF5 library",
            where=file.name,
            do="copy it from the recorder again",
        )
    is_matlab = head.startswith(b"MATLAB 7")
    try:
        with h5py.File(file.path, "r") as opened:
            return read_content(opened, is_matlab=is_matlab)
    except _BROKEN as error:
        raise ParseError(
            "the HDF5 file is damaged",
            where=file.name,
            found=words_of(error),
            do="copy it from the recorder again",
        ) from None


# what h5py and numpy raise for a file whose inside does not hold together
_BROKEN = (
    OSError,
    UnicodeError,
    RuntimeError,
    ValueError,
    KeyError,
    TypeError,
    IndexError,
    AttributeError,
    OverflowError,
    MemoryError,
    NotImplementedError,
    RecursionError,
    struct.error,
    zlib.error,
)


def _head(file: LogFile) -> bytes:
    if file.head:
        return file.head
    with file.path.open("rb") as stream:
        return stream.read(4096)
