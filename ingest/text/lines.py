"""Every line of the body told apart exactly: rows, blanks, comments, repeated headers, damaged or odd lines.

Works on slices of about 16 MB with numpy; only odd lines are looked at one by one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ...shared.cores import each
from ...shared.spill import note_use
from .mapped import Text, holds_any, new_text
from .notes import Notes, lines_text
from .tokens import Kind, is_data_like, kind_of, split_line

SLICE_BYTES = 1 << 24
SHORT_SLICE_BYTES = 1 << 20  # of a text in memory: both cores have work
HIDDEN = 0x1F  # stands for a delimiter inside quotes while the fields are split
_QUOTE, _FEED = 34, 10
LAYOUT_RUN = 20
_AROUND = 1 << 16  # what the system maps around a byte of a file that is looked at
MOST_PIECES = 5000
Bytes = NDArray[np.uint8]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass
class Body:
    """The lines from the first row on: byte offsets, field counts and what each line is.

    start, stop: offsets of each line without its line end; count: its fields; line: its number from 1.
    """

    data: Bytes  # delimiters inside quotes hidden
    start: Integers
    stop: Integers
    count: Integers
    line: Integers
    quoted: bool
    unbalanced: Flags
    damaged: Flags
    first: Bytes  # first and last byte of every line, 0 of an empty one
    last: Bytes
    texts: list[tuple[int, str]] = field(default_factory=list)  # comments and headers among the rows

    def text(self, i: int) -> str:
        """One line's text."""
        note_use(_AROUND)
        raw = self.data[self.start[i] : self.stop[i]].tobytes()
        return raw.decode("utf-8", errors="replace")


def index_body(data: Text, offset: int, first_line: int, delimiter: str) -> Body:
    """Offsets and exact field counts of all lines from `offset` on; quotes are honoured within one line.

    The lines of a mapped text stay on disk, those with hidden delimiters as a copy.
    """
    raw = np.frombuffer(data, np.uint8)[offset:]
    quoted = holds_any(data, (b'"',), offset)
    hidden = new_text(data) if quoted else None
    mapped = not isinstance(data, bytes)
    parts = []
    for low, high in _slices(raw, SLICE_BYTES) if quoted or mapped else ():
        part = raw[low:high].copy() if quoted else raw[low:high]
        parts.append(_index_slice(part, low, ord(delimiter), quoted=quoted))
        if hidden is not None:
            hidden.append(part)
        if mapped:
            note_use(high - low)
    if not parts:
        slices = list(_slices(raw, SHORT_SLICE_BYTES))
        parts = each(
            lambda s: _index_slice(raw[s[0] : s[1]], s[0], ord(delimiter), quoted=False), slices, rows=SHORT_SLICE_BYTES
        )
    if not parts:
        parts = [(np.empty(0, np.int64),) * 3 + (np.empty(0, np.bool_),) * 2 + (np.empty(0, np.uint8),) * 2]
    start, stop, count = (np.concatenate([p[k] for p in parts]).astype(np.int64) for k in range(3))
    unbalanced, damaged = (np.concatenate([p[k] for p in parts]).astype(np.bool_) for k in (3, 4))
    first, last = (np.concatenate([p[k] for p in parts]) for k in (5, 6))
    out = raw if hidden is None else np.frombuffer(hidden.finish_bytes(), np.uint8)
    line = first_line + np.arange(len(start))
    return Body(out, start, stop, count, line, quoted, unbalanced, damaged, first, last)


def _slices(raw: Bytes, size: int) -> Iterator[tuple[int, int]]:
    low = 0
    while low < len(raw):
        high = min(low + size, len(raw))
        while high < len(raw) and raw[high - 1] != _FEED:
            step = raw[high : high + size]
            hit = int(np.argmax(step == _FEED))
            high = high + hit + 1 if step[hit] == _FEED else high + len(step)
        yield low, high
        low = high


def _index_slice(
    part: Bytes, low: int, delimiter: int, *, quoted: bool
) -> tuple[Integers, Integers, Integers, Flags, Flags, Bytes, Bytes]:
    stop = np.flatnonzero(part == _FEED)
    start = np.concatenate(([0], stop[:-1] + 1)) if len(stop) else stop
    unbalanced = np.zeros(len(start), np.bool_)
    damaged = np.zeros(len(start), np.bool_)
    if np.count_nonzero(part < 32) > len(stop) or (part == 127).any():  # more than the line feeds
        control = np.flatnonzero(((part < 32) & (part != 9) & (part != _FEED)) | (part == 127))
        damaged[np.searchsorted(stop, control)] = True
    if quoted:
        unbalanced = _hide_quoted(part, start, stop, delimiter)
    hits = np.flatnonzero(part == delimiter)
    count = (
        np.diff(np.searchsorted(hits, stop), prepend=0) + 1
    )  # a line's first delimiter comes behind the last line's end
    filled = stop > start
    first = np.where(filled, part[start], 0).astype(np.uint8)
    last = np.where(filled, part[np.maximum(stop - 1, 0)], 0).astype(np.uint8)
    return start + low, stop + low, count, unbalanced, damaged, first, last


def _hide_quoted(part: Bytes, start: Integers, stop: Integers, delimiter: int) -> Flags:
    """Hide delimiters inside quotes, in place; lines with an odd number of quotes are left alone and flagged."""
    quotes = np.flatnonzero(part == _QUOTE)
    before = np.searchsorted(quotes, start)
    odd = ((np.searchsorted(quotes, stop) - before) % 2).astype(np.bool_)
    hits = np.flatnonzero(part == delimiter)
    line = np.searchsorted(stop, hits)
    inside = (np.searchsorted(quotes, hits) - before[line]) % 2 == 1
    part[hits[inside & ~odd[line]]] = HIDDEN
    return odd


@dataclass(frozen=True)
class Expected:
    """What a row of this file should be: field count, and the header and units lines that may come again."""

    fields: int
    delimiter: str
    header: str | None
    units: str | None
    trailing: bool  # rows end with an extra delimiter
    names: tuple[str, ...] = ()


@dataclass(frozen=True)
class Block:
    """Rows of one layout: field count, their indices in the body, and the names of a header of their own."""

    fields: int
    index: Integers
    names: tuple[str, ...] = ()


def sort_lines(body: Body, expected: Expected, notes: Notes) -> list[Block]:
    """Blocks of good rows, everything else accounted for in the notes."""
    count = body.count.copy()
    ends_open = body.last == ord(expected.delimiter)
    trim = ends_open & (count == expected.fields + 1)
    body.stop = body.stop - trim
    count = count - trim
    if trim.any():
        notes.find(
            "TRAILING_DELIMITER",
            f"{int(trim.sum())} rows end with an extra delimiter; the empty field was left out",
            count=int(trim.sum()),
        )
    kind = np.where(count == expected.fields, 0, 1)  # 0 row, 1 odd, 2 accounted for
    _take_texts(body, expected, kind, notes)
    _take_repeated_preamble(body, expected, kind, notes)
    _take_damaged(body, kind, notes)
    blocks = _layout_blocks(body, count, kind, expected, notes)
    _drop_odd(body, count, kind, expected, notes)
    _report_quotes(body, kind, notes)
    return [Block(expected.fields, np.flatnonzero(kind == 0)), *blocks]


def _take_texts(body: Body, expected: Expected, kind: Integers, notes: Notes) -> None:
    """Blank lines, comments and repeated headers among the rows."""
    length = body.stop - body.start
    if not len(length):
        return
    first = np.where(length > 0, body.first, 0)
    notes.not_rows["blank"] += int((length == 0).sum())
    kind[length == 0] = 2
    suspects = (first == 35) | (first == 37) | ((first == 47) & (kind == 1))
    known = [text for text in (expected.header, expected.units) if text]
    for text in known:
        suspects |= (first == text.encode()[0]) & (length >= len(text.encode())) & (length <= len(text.encode()) + 2)
    repeated: list[int] = []
    for i in np.flatnonzero(suspects & (kind != 2)):
        text = body.text(int(i)).strip().replace(chr(HIDDEN), expected.delimiter)
        plain = text.rstrip(expected.delimiter)
        if text in known or plain in known:
            label = "header" if text == expected.header or plain == expected.header else "units"
            if label == "header":
                repeated.append(int(body.line[i]))
        elif text.startswith(("#", "%", "//")):
            label = "comment"
            body.texts.append((int(body.line[i]), text))
        else:
            continue
        notes.not_rows[label] += 1
        kind[i] = 2
    if repeated:
        notes.find(
            "HEADER_REPEATED", "the header came again among the rows", where=lines_text(repeated), count=len(repeated)
        )


def _take_repeated_preamble(body: Body, expected: Expected, kind: Integers, notes: Notes) -> None:
    """Lines of words right above a header that came again belong to it: a recorder that restarts writes them anew."""
    if expected.header is None or not notes.not_rows["header"] or _first_kind(body, 0, expected) == "word":
        return
    for header in np.flatnonzero((kind == 2) & (body.stop - body.start >= len(expected.header.encode()))):
        if body.text(int(header)).strip().replace(chr(HIDDEN), expected.delimiter) != expected.header:
            continue
        i = int(header) - 1
        while i >= 0 and not body.damaged[i]:
            if kind[i] != 2:
                if _first_kind(body, i, expected) != "word":
                    break
                body.texts.append((int(body.line[i]), body.text(i).replace(chr(HIDDEN), expected.delimiter)))
                notes.not_rows["preamble"] += 1
                kind[i] = 2
            i -= 1
    body.texts.sort()


def _first_kind(body: Body, i: int, expected: Expected) -> Kind:
    return kind_of(split_line(body.text(i), expected.delimiter)[0])


def _take_damaged(body: Body, kind: Integers, notes: Notes) -> None:
    bad = np.flatnonzero(body.damaged & (kind != 2))
    binary: list[int] = []
    zeros: list[int] = []
    for i in bad:
        text = body.text(int(i))
        zero = "\0" in text
        notes.drop(int(body.line[i]), "zero bytes" if zero else "bytes that are not text", text.replace("\0", "␀"))
        (zeros if zero else binary).append(int(body.line[i]))
        kind[i] = 2
    if zeros:
        text = "lines with zero bytes among their text were dropped"
        notes.find("ROW_DROPPED", text, level="doubt", where=lines_text(zeros), count=len(zeros))
    if binary:
        notes.find(
            "BINARY_BYTES",
            "lines with bytes that are not text were dropped",
            where=lines_text(binary),
            count=len(binary),
        )


def _layout_blocks(body: Body, count: Integers, kind: Integers, expected: Expected, notes: Notes) -> list[Block]:
    """Stretches where the field count changed and stayed changed."""
    order = np.flatnonzero(kind != 2)
    blocks: list[Block] = []
    if not (kind == 1).any():
        return blocks
    edges = np.flatnonzero(np.diff(count[order])) + 1
    runs = np.split(order, edges)
    for number, run in enumerate(runs):
        fields = int(count[run[0]])
        last = number == len(runs) - 1
        long = len(run) >= LAYOUT_RUN or (last and len(run) >= 2)
        if fields == expected.fields or fields < 2 or not long:
            continue
        names = split_line(body.text(int(run[0])), expected.delimiter)
        if is_data_like(names):
            names = []
        elif is_data_like(split_line(body.text(int(run[1])), expected.delimiter)):
            kind[run[0]] = 2
            notes.not_rows["header"] += 1
            run = run[1:]
        else:
            continue
        kind[run] = 2
        blocks.append(Block(fields, run, tuple(names)))
        _report_layout(int(body.line[run[0]]), expected.fields, fields, named=bool(names), notes=notes)
    return blocks


def _report_layout(line: int, before: int, after: int, *, named: bool, notes: Notes) -> None:
    how = "under a header of their own" if named else "without a new header; extra fields have no name"
    notes.find(
        "LAYOUT_CHANGED",
        f"rows have {after} fields instead of {before} from line {line} on, {how}; "
        "fields a row does not have are missing values",
        level="doubt",
        where=f"line {line}",
        before=before,
        after=after,
    )


def _drop_odd(body: Body, count: Integers, kind: Integers, expected: Expected, notes: Notes) -> None:
    groups: dict[str, list[int]] = {}
    for i in np.flatnonzero(kind == 1):
        text, line, fields = body.text(int(i)), int(body.line[i]), int(count[i])
        shown = text.replace(chr(HIDDEN), expected.delimiter)
        if not text.strip():
            notes.not_rows["blank"] += 1
            continue
        data = is_data_like(split_line(text, expected.delimiter))
        if not data:
            body.texts.append((line, shown))
        code = ("RAGGED_ROW" if fields > expected.fields else "SHORT_ROW") if data else "ROW_DROPPED"
        notes.drop(line, f"{fields} fields instead of {expected.fields}" if data else "not a row of samples", shown)
        groups.setdefault(code, []).append(int(i))
    for code, rows in groups.items():
        fields = int(count[rows[0]])
        notes.find(
            code,
            f"{len(rows)} of the lines {_WHAT[code]} (first: {fields} fields instead of {expected.fields}) were dropped",
            where=lines_text(body.line[rows]),
            count=len(rows),
            fields=fields,
            expected=expected.fields,
        )


_WHAT = {
    "RAGGED_ROW": "with too many fields",
    "SHORT_ROW": "with too few fields",
    "ROW_DROPPED": "that are not rows",
}


def _report_quotes(body: Body, kind: Integers, notes: Notes) -> None:
    lines = body.line[body.unbalanced & (kind == 0)]
    if len(lines):
        notes.rows_repaired += len(lines)
        notes.find(
            "UNBALANCED_QUOTE",
            "a quote that is never closed was read as an ordinary character",
            where=lines_text(lines),
            count=len(lines),
        )


def gather(body: Body, index: Integers, like: Text) -> Text:
    """The bytes of the lines at `index` (rising), one after the other, each with a line feed; mapped where `like` is."""
    out = new_text(like)
    for piece in _pieces(body, index):
        out.append(piece)
        if not isinstance(like, bytes):
            note_use(len(piece))
    return out.finish_bytes()


def _pieces(body: Body, index: Integers) -> Iterator[Bytes]:
    if not len(index):
        return
    breaks = np.flatnonzero(body.stop[index[:-1]] + 1 != body.start[index[1:]]) + 1
    if len(breaks) < MOST_PIECES:  # few lines were taken out: whole stretches stay together
        low = body.start[index[np.concatenate(([0], breaks))]]
        high = body.stop[index[np.concatenate((breaks - 1, [len(index) - 1]))]]
        feed = np.full(1, _FEED, np.uint8)
        for first, last in zip(low.tolist(), high.tolist(), strict=True):
            for at in range(first, last, SLICE_BYTES):
                yield body.data[at : min(at + SLICE_BYTES, last)]
            yield feed
        return
    size = max(1, int(body.stop[index[-1]] - body.start[index[0]]) // SLICE_BYTES)
    for some in np.array_split(index, size):
        if len(some):
            yield _gather_part(body, some)


def _gather_part(body: Body, index: Integers) -> Bytes:
    low, high = int(body.start[index[0]]), int(body.stop[index[-1]])
    part = body.data[low:high]
    change = np.zeros(high - low + 1, np.int8)
    change[body.start[index] - low] += 1
    change[body.stop[index] - low] -= 1
    keep = np.cumsum(change[:-1], dtype=np.int8).astype(np.bool_)
    feeds = body.stop[index[:-1]] - low  # the byte after each line becomes its line feed
    keep[feeds] = True
    out = part.copy()
    out[feeds] = _FEED
    return np.append(out[keep], np.uint8(_FEED))
