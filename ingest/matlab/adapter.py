"""The adapter for MATLAB files of version 5 to 7."""

from __future__ import annotations

import re

from ...shared.errors import ParseError
from ...shared.settings import InstrumentProfile
from ..arrays import tables_of
from ..raw import Claim, LogFile, RawFile
from ..tables import raw_file, read_tables
from ..text.notes import Notes
from .elements import Variables, read_variables
from .variables import sort_variables
from .version4 import find_order, read_version_4

_TEXT = 116  # bytes of description, then 8 of offsets, then version and byte order
_ORDERS = {b"IM": ("<", "little"), b"MI": (">", "big")}


class Matlab5:
    """Vectors of equal length as columns; fields of structs and columns of matrices are named by their place."""

    name = "MATLAB 5"
    version = 1

    def claims(self, file: LogFile) -> Claim:
        """Yes when version 1 and a byte order mark stand behind the descriptive text."""
        head = file.head
        order = _ORDERS.get(head[126:128])
        if file.name.lower().endswith(".mat") and find_order(head) is not None:
            return Claim(True, "a MATLAB file of version 4: a variable stands at its very beginning")
        if order is None or head[124:126] != (b"\x00\x01" if order[0] == "<" else b"\x01\x00"):
            return Claim(False, "no MATLAB 5 header")
        return Claim(True, f"a MATLAB 5 header, {order[1]}-endian")

    def read(self, file: LogFile, profile: InstrumentProfile | None) -> RawFile:
        """One table per length. Raises ParseError for a broken file, ClockError when nothing is a time."""
        found = _load(file)
        arrays, text, left = sort_variables(found.values)
        tables = tables_of(arrays, text)
        if not tables:
            raise ParseError(
                "the file holds no vectors of numbers",
                where=file.name,
                found=", ".join(left[:12]) or "nothing",
                do="save each channel as a vector, with a vector of times",
            )
        notes = Notes(file.name)
        if found.broken:
            at, what = found.broken
            words = f"the file breaks off or is damaged at byte {at} ({what}); the variables before it were kept"
            notes.find("TRUNCATED_LAST_PACKET", words, level="doubt", where=f"byte {at}")
        if left:
            words = f"{len(left)} variables are no channels and were left out: {', '.join(left[:12])}"
            notes.find("CHANNEL_UNNAMED", words, count=len(left), headers=left[:200])
        header = re.sub(r"\s+", " ", file.head[:_TEXT].decode("latin-1")).strip("\0 ")
        tracks = read_tables(file, tables, mark="matlab", profile=profile, notes=notes)
        return raw_file(file, self.name, self.version, tracks, notes, {**text, "header": header})


def _load(file: LogFile) -> Variables:
    if file.size == 0:
        raise ParseError("the file is empty", where=file.name, code="EMPTY_FILE")
    order = _ORDERS.get(file.content[126:128])
    oldest = find_order(file.head)
    if oldest is not None:
        return read_version_4(file.content, oldest)
    if order is None:
        raise ParseError("no MATLAB 5 header", where=file.name, do="copy or save it again")
    found = read_variables(file.content, order[0])
    if not found.values and found.broken:
        at, what = found.broken
        raise ParseError(
            "the MATLAB file is damaged or cut short",
            where=file.name,
            found=f"{what} (byte {at})",
            do="copy or save it again",
        )
    return found
