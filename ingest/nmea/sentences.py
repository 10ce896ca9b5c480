"""Finding NMEA 0183 sentences in a file's bytes and telling the whole ones from the damaged.

A sentence runs from '$' (or '!' for an encapsulated one) to '*' and two hex digits, the exclusive
or of all bytes between. Only sentences whose checksum holds are trusted: one cut in the middle
looks exactly like one with empty fields. Source: NMEA 0183 version 4, sections on characters and
the checksum field.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

_DOLLAR, _BANG, _STAR, _COMMA, _LF, _CR = 36, 33, 42, 44, 10, 13
_PROPRIETARY = ord("P")
LEAST_UNSEALED, USUAL_SHARE = 10, 0.9  # sentences without a checksum that prove each other; share of a type alike
_HEX = np.full(256, -1, dtype=np.int16)
for _value, _digit in enumerate(b"0123456789ABCDEF"):
    _HEX[_digit] = _value
    _HEX[ord(chr(_digit).lower())] = _value

Integers = NDArray[np.int64]
Booleans = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Sentences:
    """Every sentence of a file in file order; all arrays have shape (n,).

    start, stop: offsets of the text between '$' and '*'. after: offset behind the checksum.
    line: line number from 1. sealed: a checksum is written; good: it is right.
    """

    content: bytes
    start: Integers
    stop: Integers
    after: Integers
    line: Integers
    sealed: Booleans
    good: Booleans
    formatter: NDArray[np.int64]

    def text(self, index: int) -> bytes:
        """One sentence with its '$' and checksum."""
        return self.content[self.start[index] - 1 : self.after[index]]

    def address(self, index: int) -> str:
        """Talker and type, 'GNRMC', of one sentence."""
        body = self.content[self.start[index] : self.stop[index]]
        return body.partition(b",")[0].decode("latin-1")

    def of_type(self, name: str) -> Integers:
        """Indices of the good sentences of a type, 'RMC', from any talker but a proprietary one."""
        return np.flatnonzero(self.good & (self.formatter == code_of(name)))

    def fields(self, indices: Integers) -> list[list[bytes]]:
        """The comma-separated fields of sentences; field 0 is the address."""
        content = self.content
        spans = zip(self.start[indices].tolist(), self.stop[indices].tolist(), strict=True)
        return [content[a:b].split(b",") for a, b in spans]


def code_of(formatter: str) -> int:
    """Three letters as one number, the form in which `Sentences.formatter` holds them."""
    first, second, third = formatter.encode("ascii")
    return first << 16 | second << 8 | third


def find_sentences(content: bytes) -> Sentences:
    """All sentences of a file, two on one line included, whatever lies between them."""
    buffer = np.frombuffer(content + b"\n" * 8, dtype=np.uint8)
    first = _starts(buffer)
    ends = np.flatnonzero((buffer == _STAR) | (buffer == _CR) | (buffer == _LF))
    ends = np.union1d(ends, first)
    start = first + 1
    stop = ends[np.searchsorted(ends, start)] if len(first) else start
    high, low = _HEX[buffer[stop + 1]], _HEX[buffer[stop + 2]]
    star = buffer[stop] == _STAR
    sealed = star & (high >= 0) & (low >= 0)
    good = sealed & (_exclusive_or(buffer, start, stop) == high * 16 + low)
    after = np.minimum(np.where(sealed, stop + 3, stop + star), len(content))
    mark = _LF if b"\n" in content else _CR
    line = np.searchsorted(np.flatnonzero(buffer == mark), start) + 1
    return Sentences(content, start, stop, after, line.astype(np.int64), sealed, good, _formatters(buffer, start))


def trust_unsealed(sentences: Sentences) -> Sentences:
    """The sentences of a file in which none has a checksum (it is optional for most of them): those with as many fields
    as nearly all of their type, up to the end of their line, count as whole. Few sentences prove nothing."""
    if sentences.sealed.any() or len(sentences.start) < LEAST_UNSEALED:
        return sentences
    buffer = np.frombuffer(sentences.content + b"\0", dtype=np.uint8)
    ended = (buffer[sentences.stop] == _CR) | (buffer[sentences.stop] == _LF)
    commas = np.flatnonzero(buffer == _COMMA)
    fields = np.searchsorted(commas, sentences.stop) - np.searchsorted(commas, sentences.start)
    good = np.zeros(len(fields), dtype=np.bool_)
    for formatter in np.unique(sentences.formatter[sentences.formatter > 0]):
        same = sentences.formatter == formatter
        usual = same & (fields == np.bincount(fields[same]).argmax())
        if usual.sum() > USUAL_SHARE * same.sum():
            good |= usual & ended
    return replace(sentences, sealed=good, good=good)


def _starts(buffer: NDArray[np.uint8]) -> Integers:
    found = np.flatnonzero((buffer == _DOLLAR) | (buffer == _BANG))
    letters = np.ones(len(found), dtype=bool)
    for ahead in (1, 2):
        byte = buffer[found + ahead]
        letters &= (byte >= ord("A")) & (byte <= ord("Z"))
    # '!' is an ordinary character inside a text field: it opens a sentence at the head of a line only
    before = buffer[np.maximum(found - 1, 0)]
    heads_line = (found == 0) | (before == _LF) | (before == _CR)
    opens = letters & ((buffer[found] == _DOLLAR) | heads_line)
    return np.asarray(found[opens], dtype=np.int64)


def _exclusive_or(buffer: NDArray[np.uint8], start: Integers, stop: Integers) -> NDArray[np.int16]:
    if not len(start):
        return np.empty(0, dtype=np.int16)
    edges = np.column_stack([start, stop]).ravel()
    return np.bitwise_xor.reduceat(buffer, edges)[::2].astype(np.int16)


def _formatters(buffer: NDArray[np.uint8], start: Integers) -> Integers:
    """Code of each sentence's type; 0 for proprietary ones and for addresses of another length."""
    byte = [buffer[start + ahead].astype(np.int64) for ahead in range(6)]
    standard = (byte[0] != _PROPRIETARY) & (byte[5] == _COMMA) & (buffer[start - 1] == _DOLLAR)
    return np.where(standard, byte[2] << 16 | byte[3] << 8 | byte[4], 0)
