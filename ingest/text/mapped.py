"""Text files of hundreds of megabytes: looked over block by block and read from disk, never whole in memory.

Only plain files go this way: UTF-8 without a mark, one kind of line end, no zero bytes. What is not
plain is read whole, as every smaller file is.
"""

from __future__ import annotations

import codecs
import mmap
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ...shared.spill import SpillWriter, map_file, release_pages
from .encoding import drop_cut_line
from .notes import Notes

LARGE_BYTES = 128 << 20
SCAN_BYTES = 8 << 20

Text = bytes | mmap.mmap


def map_plain(path: Path, size: int, notes: Notes) -> mmap.mmap | None:
    """A large plain file up to its last whole line, mapped; None when the file is small or not plain.

    Line ends may still be carriage return and line feed.
    """
    if size < LARGE_BYTES:
        return None
    with path.open("rb") as stream:
        whole = map_file(stream.fileno(), size)
        feeds = _count_lines(whole)
        stop = whole.rfind(b"\n") + 1
        if feeds is None or not stop:
            return None
        notes.decide("encoding", "utf-8", "every byte sequence is valid UTF-8")
        notes.lines = feeds + (stop < size)
        if stop == size:
            return whole
        drop_cut_line(whole[stop:], notes)
        return map_file(stream.fileno(), stop)


class TextParts:
    """A text put together piece by piece in memory; `SpillWriter` does the same on disk."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []

    def append(self, piece: NDArray[np.uint8]) -> None:
        """Add bytes, shape (k,)."""
        self._parts.append(piece.tobytes())

    def finish_bytes(self) -> bytes:
        """The whole text."""
        return b"".join(self._parts)


def new_text(like: Text) -> TextParts | SpillWriter:
    """What to write a text as long as `like` into: on disk where that lies on disk."""
    return TextParts() if isinstance(like, bytes) else SpillWriter(np.uint8)


def whole_text(data: Text) -> bytes:
    """The text in memory, line feeds only."""
    return data if isinstance(data, bytes) else data[:].replace(b"\r\n", b"\n")


def with_feeds(data: Text) -> Text:
    """The text with line feeds only, where it lay before."""
    if isinstance(data, bytes) or not holds_any(data, (b"\r",), 0):
        return data
    out = SpillWriter(np.uint8)
    for block in blocks_of(data):
        out.append(np.frombuffer(block.replace(b"\r\n", b"\n"), np.uint8))
    return out.finish_bytes()


def lines_of(data: Text, numbers: NDArray[np.int64]) -> Iterator[tuple[int, str]]:
    """(number, text) of the lines with these rising numbers, counted from 1."""
    before, wanted = 0, [int(number) for number in numbers]
    for block in (data,) if isinstance(data, bytes) else blocks_of(data):
        feeds = np.flatnonzero(np.frombuffer(block, np.uint8) == ord("\n"))
        while wanted and wanted[0] <= before + len(feeds):
            number = wanted.pop(0)
            low = int(feeds[number - before - 2]) + 1 if number - before > 1 else 0
            text = block[low : int(feeds[number - before - 1])].decode("utf-8", errors="replace")
            yield number, text.removesuffix("\r")
        before += len(feeds)


def blocks_of(data: Text, offset: int = 0) -> Iterator[bytes]:
    """The text piece by piece, cut behind line feeds where there is one."""
    while offset < len(data):
        stop = min(offset + SCAN_BYTES, len(data))
        feed = data.rfind(b"\n", offset, stop) + 1
        stop = feed if feed > offset else stop
        yield data[offset:stop]
        offset = stop
        if isinstance(data, mmap.mmap):
            release_pages()


def holds_any(data: Text, marks: tuple[bytes, ...], offset: int) -> bool:
    """Whether one of the marks (none holds a line feed) stands anywhere in the text from `offset` on."""
    if isinstance(data, bytes):
        return any(data.find(mark, offset) >= 0 for mark in marks)
    return any(mark in block for block in blocks_of(data, offset) for mark in marks)


def _count_lines(data: mmap.mmap) -> int | None:
    """Line feeds of a plain text; None for a text that is not plain."""
    if data[:3] == codecs.BOM_UTF8:
        return None
    decoder = codecs.getincrementaldecoder("utf-8")()
    feeds = returns = pairs = 0
    for block in blocks_of(data):
        feeds += block.count(b"\n")
        if b"\0" in block:
            return None
        if b"\r" in block:
            returns, pairs = returns + block.count(b"\r"), pairs + block.count(b"\r\n")
        try:
            decoder.decode(block)
        except UnicodeDecodeError:
            return None
    return feeds if pairs == returns and returns in (0, feeds) else None
