"""A large text that is not plain (another encoding, a byte-order mark, zero bytes, mixed line ends), made plain on disk.

Block by block, and with the same decisions and findings as `encoding.clean` has for a text in memory.
"""

from __future__ import annotations

import codecs
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path

from ...shared.errors import ParseError
from ...shared.spill import map_file
from .encoding import (
    Coding,
    count_damage,
    drop_cut_line,
    find_coding,
    holds_words,
    looks_binary,
    reencoded,
    report_cp1252,
    report_utf16,
    report_zero_bytes,
    wide_runs,
)
from .mapped import LARGE_BYTES, Text, blocks_of
from .notes import Notes


def map_recoded(path: Path, size: int, notes: Notes) -> Text | None:
    """The whole file as UTF-8 with line feeds, without its mark, zero-byte tail and cut last line, mapped.

    None for a file that is not large. Raises ParseError for an empty or binary one.
    """
    if size < LARGE_BYTES:
        return None
    with path.open("rb") as stream:
        raw = map_file(stream.fileno(), size)
    if not any(holds_words(block) for block in blocks_of(raw)):
        raise ParseError("the file is empty", where=notes.file, code="EMPTY_FILE", do="check the recorder's card")
    if looks_binary(raw[:4096]):
        raise ParseError("the file is not text", where=notes.file, found="control bytes", code="BINARY_BYTES")
    with tempfile.TemporaryFile(prefix="trimshot-") as out:
        for block in _with_feeds(_decoded(raw, notes)):
            out.write(block)
        out.flush()
        data = map_file(out.fileno(), out.tell())
        length = _without_zeros(data)
        cut = data.rfind(b"\n", 0, length) + 1
        _account(data, length, cut, notes)
        return map_file(out.fileno(), cut) if cut else b""


def _decoded(raw: Text, notes: Notes) -> Iterator[bytes]:
    """The text as UTF-8, its encoding decided once for the whole of it."""
    coding = find_coding(raw[:4096])
    if coding is not None and coding.codec.startswith("utf-16"):
        report_utf16(coding, notes)
        yield from _of_utf16(raw, coding)
        return
    start = coding.mark if coding is not None else 0
    if _is_utf8(raw, start):
        notes.decide("encoding", "utf-8", coding.because if coding else "every byte sequence is valid UTF-8")
        yield from blocks_of(raw, start)
        return
    broken = wide = 0
    for block in blocks_of(raw, start):
        counts = count_damage(block, wide_runs(block))
        broken, wide = broken + counts[0], wide + counts[1]
    codec = "utf-8" if wide > 3 * broken else "cp1252"
    if codec == "utf-8":
        notes.decide("encoding", "utf-8", f"{wide} valid multi-byte characters, {broken} damaged ones")
    else:
        report_cp1252(_line_of(raw, start), notes)
    for block in blocks_of(raw, start):
        yield reencoded(block, wide_runs(block), codec)


def _of_utf16(raw: Text, coding: Coding) -> Iterator[bytes]:
    decoder = codecs.getincrementaldecoder(coding.codec)(errors="replace")
    stop = coding.mark + ((len(raw) - coding.mark) & ~1)
    at = coding.mark
    for block in blocks_of(raw, coding.mark):
        part = block[: max(0, stop - at)]
        at += len(block)
        yield decoder.decode(part, final=at >= stop).encode("utf-8")


def _is_utf8(raw: Text, start: int) -> bool:
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        for block in blocks_of(raw, start):
            decoder.decode(block)
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def _line_of(raw: Text, start: int) -> int:
    """Line of the first byte beyond ASCII, counted from 1."""
    line = 1
    for block in blocks_of(raw, start):
        runs = wide_runs(block)
        if runs:
            return line + block.count(b"\n", 0, runs[0][0])
        line += block.count(b"\n")
    return line


def _with_feeds(blocks: Iterable[bytes]) -> Iterator[bytes]:
    """Line feeds for every kind of line end; one cut between two blocks stays one."""
    held = b""
    for block in blocks:
        block = held + block
        held = b"\r" if block.endswith(b"\r") else b""
        block = block[: len(block) - len(held)]
        yield block.replace(b"\r\n", b"\n").replace(b"\r", b"\n") if b"\r" in block else block
    if held:
        yield b"\n"


def _without_zeros(data: Text) -> int:
    """Length of the text without the zero bytes at its end."""
    stop = len(data)
    while stop:
        block = data[max(0, stop - (1 << 20)) : stop]
        kept = len(block.rstrip(b"\0"))
        if kept:
            return stop - len(block) + kept
        stop -= len(block)
    return 0


def _account(data: Text, length: int, cut: int, notes: Notes) -> None:
    """Count the lines; tell of zero bytes and of a last line without its end."""
    feeds = zeros = 0
    first_zero = None
    at = 0
    for block in blocks_of(data):
        block = block[: max(0, length - at)]
        at += len(block)
        if b"\0" in block:
            zeros += block.count(0)
            if first_zero is None:
                first_zero = feeds + block.count(b"\n", 0, block.find(0)) + 1
        feeds += block.count(b"\n")
    last = data[cut:length]
    notes.lines = feeds + (1 if last else 0)
    if zeros or length < len(data):
        report_zero_bytes(zeros + len(data) - length, first_zero, notes)
    if last:
        drop_cut_line(last, notes)
