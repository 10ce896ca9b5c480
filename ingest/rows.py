"""The way back: the very bytes of one row of a kept source file, by the number its samples carry.

A row is a physical line of text, a packet of a Chapter 10 recording, or a record of a table whose
bytes lie column by column and cannot be shown as one piece. Lines end as the readers take
them to end: at CR LF, LF or a lone CR; in satellite sentences at LF wherever the file has one.
"""

from __future__ import annotations

import mmap
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..shared.errors import InputError
from .card.adapter import TestCardFile
from .gpx.adapter import Gpx
from .igc.adapter import Igc
from .irig106.adapter import Irig106Chapter10
from .irig106.packets import HEADER_BYTES, SECONDARY_BYTES, scan_packets
from .nmea.adapter import Nmea0183
from .text.adapter import DelimitedText
from .text.encoding import find_coding, looks_binary

_LF, _CR = 10, 13
_OF_LINES = (DelimitedText.name, Nmea0183.name, Igc.name, Gpx.name, TestCardFile.name)


@dataclass(frozen=True, slots=True)
class RawRow:
    """One row as it stands in its file: offset (None for a record) and content in bytes, `text` for lines alone."""

    kind: Literal["line", "packet", "record"]
    row: int
    offset: int | None
    content: bytes
    text: str | None


def read_rows(path: Path, rows: list[int], *, adapter: str, codec: str | None) -> list[RawRow]:
    """The rows with these numbers, counted from 1; `adapter` read the file, `codec` as its ledger says.

    Raises InputError for a number the file does not have.
    """
    if path.stat().st_size == 0:
        raise InputError("the file is empty", where=path.name)
    with path.open("rb") as stream, mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as data:
        if adapter == Irig106Chapter10.name:
            return _packets(data, rows, path.name)  # type: ignore[arg-type]
        if adapter not in _OF_LINES and looks_binary(data[:4096]):
            return [RawRow("record", row, None, b"", None) for row in rows]
        return _lines(bytes(data), rows, path.name, adapter=adapter, codec=codec)


def _packets(data: bytes, rows: list[int], name: str) -> list[RawRow]:
    packets = scan_packets(data).packets
    out = []
    for row in _checked(rows, len(packets), name, "packets"):
        packet = packets[row - 1]
        start = packet.start - HEADER_BYTES - (SECONDARY_BYTES if packet.secondary is not None else 0)
        out.append(RawRow("packet", row, start, bytes(data[start : packet.stop]), None))
    return out


def _lines(content: bytes, rows: list[int], name: str, *, adapter: str, codec: str | None) -> list[RawRow]:
    coding = find_coding(content[:4096])
    mark = coding.mark if coding is not None else 0
    codec = coding.codec if coding is not None else (codec or "utf-8")
    width = 2 if codec.startswith("utf-16") else 1
    starts, stops = _spans(content, mark, codec, feeds_only=adapter == Nmea0183.name)
    count = len(starts) - (1 if len(starts) and starts[-1] == stops[-1] == len(content) else 0)
    out = []
    for row in _checked(rows, count, name, "lines"):
        low, high = int(starts[row - 1]), int(stops[row - 1])
        line = content[low:high]
        out.append(RawRow("line", row, low, line, line[: len(line) - len(line) % width].decode(codec, "replace")))
    return out


def _spans(content: bytes, mark: int, codec: str, *, feeds_only: bool) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Start and end of every line in bytes, line ends not included."""
    width = 2 if codec.startswith("utf-16") else 1
    kind = {"utf-16-le": "<u2", "utf-16-be": ">u2"}.get(codec, "u1")
    units = np.frombuffer(content, dtype=kind, offset=mark, count=(len(content) - mark) // width)
    feed, back = units == _LF, units == _CR
    if feeds_only:
        ends = np.flatnonzero(feed if feed.any() else back)
        pair = np.zeros(len(ends), dtype=np.int64)
        pair[ends > 0] = feed[ends[ends > 0]] & back[ends[ends > 0] - 1]
        return _between(ends - pair, ends + 1, mark, 1, len(content))
    paired = np.zeros(len(units), dtype=bool)
    paired[1:] = feed[1:] & back[:-1]  # the second half of CR LF
    last = np.flatnonzero((feed & ~paired) | back)
    pair = np.zeros(len(units) + 1, dtype=bool)
    pair[: len(units)] = paired
    after = last + 1 + pair[last + 1]
    return _between(last, after, mark, width, len(content))


def _between(
    ends: NDArray[np.int64], after: NDArray[np.int64], mark: int, width: int, size: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    starts = np.concatenate(([mark], mark + width * after)).astype(np.int64)
    stops = np.concatenate((mark + width * ends, [size])).astype(np.int64)
    return starts, stops


def _checked(rows: list[int], count: int, name: str, what: str) -> list[int]:
    for row in rows:
        if not 1 <= row <= count:
            raise InputError("no such row", where=name, found=str(row), allowed=f"1 to {count} ({what} of the file)")
    return rows
