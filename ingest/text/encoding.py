"""From bytes to clean text: byte-order marks, UTF-16, UTF-8, cp1252, zero bytes, line ends, a cut last line.

The text stays bytes (UTF-8, line feeds only, last line whole): everything after works on that buffer.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from ...shared.errors import ParseError
from .notes import Notes

_UTF8_MARK = b"\xef\xbb\xbf"
_CONTROL = bytes(range(1, 9)) + bytes((11, 12)) + bytes(range(14, 32)) + b"\x7f"
_CP1252_HOLES = b"\x81\x8d\x8f\x90\x9d"
_HOLE_MARK = "�"
_SOLID = re.compile(rb"[^ \t\r\n\x00\xef\xbb\xbf\xfe\xff]")
_FEED, _RETURN = b"\n\r"
BINARY_SHARE = 0.02


@dataclass(frozen=True, slots=True)
class Coding:
    """How a file's bytes spell characters: Python's codec name and the bytes of its mark."""

    codec: str
    mark: int
    because: str


def find_coding(head: bytes) -> Coding | None:
    """The encoding the first bytes show by a mark or by UTF-16's pattern of zero bytes; None: not shown."""
    if head.startswith(_UTF8_MARK):
        return Coding("utf-8", 3, "byte-order mark")
    if head.startswith(b"\xff\xfe"):
        return Coding("utf-16-le", 2, "byte-order mark")
    if head.startswith(b"\xfe\xff"):
        return Coding("utf-16-be", 2, "byte-order mark")
    sample = head[: 4096 & ~1]
    even, odd = sample[0::2].count(0), sample[1::2].count(0)
    half = len(sample) // 2
    if half >= 4 and odd > 0.6 * half and even < 0.1 * half:
        return Coding("utf-16-le", 0, "every second byte is zero")
    if half >= 4 and even > 0.6 * half and odd < 0.1 * half:
        return Coding("utf-16-be", 0, "every second byte is zero")
    return None


def looks_binary(head: bytes) -> bool:
    """True when the first bytes hold too many control characters to be text (zero bytes at the end allowed)."""
    if find_coding(head) is not None:
        return False
    sample = head.rstrip(b"\0")
    if not sample:
        return False
    bad = len(sample) - len(sample.translate(None, _CONTROL))
    holes = 0 if _is_utf8(sample) else len(sample) - len(sample.translate(None, _CP1252_HOLES))
    return bad + holes + sample.count(0) > max(2, BINARY_SHARE * len(sample)) and bad + holes > 0


def _is_utf8(data: bytes) -> bool:
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        return len(data) - error.start < 4 and error.reason == "unexpected end of data"
    return True


def decode_head(head: bytes) -> str:
    """The first bytes as text for a first look; a character cut at the end is left out."""
    coding = find_coding(head)
    if coding is not None:
        body = head[coding.mark :]
        if coding.codec.startswith("utf-16"):
            body = body[: len(body) & ~1]
        text = body.decode(coding.codec, errors="ignore")
    elif _is_utf8(head):
        text = head.decode("utf-8", errors="ignore")
    else:
        text = head.decode("cp1252", errors="replace")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def clean(content: bytes, notes: Notes) -> bytes:
    """The whole file as UTF-8 bytes with line feeds, without its mark, zero-byte tail and cut last line.

    Raises ParseError for an empty or binary file.
    """
    if not holds_words(content):
        raise ParseError("the file is empty", where=notes.file, code="EMPTY_FILE", do="check the recorder's card")
    if looks_binary(content[:4096]):
        raise ParseError("the file is not text", where=notes.file, found="control bytes", code="BINARY_BYTES")
    data = _to_utf8(content, notes)
    if b"\r" in data:
        data = _with_line_feeds(data)
    tail = len(data) - len(data.rstrip(b"\0")) if data.endswith(b"\0") else 0
    if tail:
        data = data[: len(data) - tail]
    inner = data.count(0) if b"\0" in data else 0
    cut = data.rfind(b"\n") + 1
    last = data[cut:]
    notes.lines = count_feeds(data) + (1 if last else 0)
    if tail + inner:
        first = data.count(b"\n", 0, data.find(0)) + 1 if inner else None
        report_zero_bytes(tail + inner, first, notes)
    if last:
        drop_cut_line(last, notes)
        data = data[:cut]
    return data


def _with_line_feeds(data: bytes) -> bytes:
    """Every carriage return and line feed, and every carriage return alone, as one line feed."""
    letters = np.frombuffer(data, np.uint8)
    returns = np.flatnonzero(letters == _RETURN)
    if returns[-1] + 1 < len(letters) and (letters[returns + 1] == _FEED).all():
        return data.translate(None, b"\r")  # the usual case, in a third of the time
    return data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")


def count_feeds(data: bytes) -> int:
    """Line feeds in a text."""
    return int(np.count_nonzero(np.frombuffer(data, np.uint8) == _FEED))


def drop_cut_line(last: bytes, notes: Notes) -> None:
    """Account for a last line without a line end, number `notes.lines`."""
    text = last.decode("utf-8", errors="replace")
    notes.drop(notes.lines, "no line end at the end of the file", text)
    notes.find(
        "TRUNCATED_LAST_LINE",
        f"the last line has no line end and was dropped: {text[:60]!r}",
        where=f"line {notes.lines}",
    )


def holds_words(content: bytes) -> bool:
    """Whether there is anything but blanks, zero bytes and marks."""
    return _SOLID.search(content) is not None


def report_zero_bytes(count: int, line: int | None, notes: Notes) -> None:
    """Tell of zero bytes; line: the first one inside the text, None when they are all behind it."""
    where = f"bytes after line {notes.lines}" if line is None else f"first in line {line}"
    notes.find("NUL_BYTES", f"{count} zero bytes were removed", where=where, count=count)


def _to_utf8(content: bytes, notes: Notes) -> bytes:
    coding = find_coding(content[:4096])
    if coding is not None and coding.codec.startswith("utf-16"):
        return _from_utf16(content, coding, notes)
    if coding is not None:
        content = content[coding.mark :]
    if content.isascii() or _decodes(content):
        notes.decide("encoding", "utf-8", coding.because if coding else "every byte sequence is valid UTF-8")
        return content
    runs = wide_runs(content)
    broken, wide = count_damage(content, runs)
    if wide > 3 * broken:
        notes.decide("encoding", "utf-8", f"{wide} valid multi-byte characters, {broken} damaged ones")
        return reencoded(content, runs, "utf-8")
    report_cp1252(content.count(b"\n", 0, runs[0][0]) + 1, notes)
    return reencoded(content, runs, "cp1252")


def count_damage(content: bytes, runs: list[tuple[int, int]]) -> tuple[int, int]:
    """Sequences that are not UTF-8, and characters beyond ASCII that are; runs: of the bytes beyond ASCII."""
    text = b"\n".join([content[a:b] for a, b in runs]).decode(
        "utf-8", errors="replace"
    )  # what else there is tells nothing
    return text.count(_HOLE_MARK), _count_wide(text)


def report_cp1252(line: int, notes: Notes) -> None:
    """Tell that the text was read as Windows code page 1252; line: of the first byte beyond ASCII."""
    notes.decide("encoding", "cp1252", "not valid UTF-8; Windows code page 1252 assumed")
    notes.find(
        "ENCODING_DETECTED",
        "the text is not UTF-8; it was read as Windows code page 1252 (cp1252)",
        where=f"first in line {line}",
        encoding="cp1252",
    )


def wide_runs(content: bytes) -> list[tuple[int, int]]:
    """Start and stop of every run of bytes beyond ASCII."""
    places = np.flatnonzero(np.frombuffer(content, np.uint8) >= 0x80)
    breaks = np.flatnonzero(np.diff(places) > 1)
    starts = places[np.concatenate(([0], breaks + 1))] if len(places) else places
    stops = places[np.concatenate((breaks, [-1]))] + 1 if len(places) else places
    return list(zip(starts.tolist(), stops.tolist(), strict=True))


def reencoded(content: bytes, runs: list[tuple[int, int]], codec: str) -> bytes:
    """The text as UTF-8, what is not of the codec replaced; between the runs it is ASCII and stays."""
    pieces, last = [], 0
    for start, stop in runs:
        pieces += [content[last:start], content[start:stop].decode(codec, errors="replace").encode("utf-8")]
        last = stop
    return b"".join([*pieces, content[last:]])


def _count_wide(text: str) -> int:
    """Characters beyond ASCII other than the replacement mark and the two that are none."""
    others = sum(text.count(mark) for mark in ("\ufffd", "\ufffe", "\uffff"))
    return len(text) - len(text.encode("ascii", "ignore")) - others


def _decodes(content: bytes) -> bool:
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _from_utf16(content: bytes, coding: Coding, notes: Notes) -> bytes:
    body = content[coding.mark :]
    text = body[: len(body) & ~1].decode(coding.codec, errors="replace")
    report_utf16(coding, notes)
    return text.encode("utf-8")


def report_utf16(coding: Coding, notes: Notes) -> None:
    """Tell that the text was converted from UTF-16."""
    notes.decide("encoding", "utf-16", coding.because)
    notes.find("ENCODING_DETECTED", f"the text is UTF-16 ({coding.because}); it was converted", encoding="utf-16")
