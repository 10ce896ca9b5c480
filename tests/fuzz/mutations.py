"""Damage done to a seed, told by a random generator alone: the same generator gives the same input."""

from __future__ import annotations

import io
import random
import re
import struct
import zipfile
import zlib
from collections.abc import Callable

from .repairs import repair
from .words import DATES, DELIMITERS, ENCODINGS, ENTITY_BOMB, EVERY, LINE_ENDS, NUMBERS, TIMES

Change = Callable[[random.Random, bytes, bytes], bytes]
_FIELD = re.compile(rb"[^,;\t|\r\n<>\"=* ]+")
_NUMBER = re.compile(rb"[+-]?\d+(?:\.\d+)?")
MOST_BYTES = 1 << 18


def mutate(rng: random.Random, content: bytes, other: bytes) -> tuple[bytes, list[str]]:
    """(the damaged bytes, names of what was done) from a seed and a second one to splice with."""
    done = []
    for _ in range(rng.choice((1, 1, 1, 2, 2, 3, 5, 8))):
        change = rng.choice(_choices(content))
        content = change(rng, content, other)[:MOST_BYTES]
        done.append(change.__name__)
    if rng.random() < 0.6:
        content = repair(content)
        done.append("repair")
    return content, done


def _choices(content: bytes) -> tuple[Change, ...]:
    if content[:2] == b"PK":
        return (*BYTE_CHANGES, *(damage_member,) * 20)
    is_binary = b"\0" in content[:512]
    return BYTE_CHANGES * 3 + LINE_CHANGES if is_binary else BYTE_CHANGES + WORD_CHANGES * 2 + LINE_CHANGES


def _span(rng: random.Random, content: bytes, most: int = 400) -> tuple[int, int]:
    start = rng.randint(0, len(content))
    return start, min(len(content), start + rng.randint(0, rng.choice((1, 4, 40, most))))


# -- bytes ----------------------------------------------------------------------------------------


def flip_bits(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """One to sixteen bits turned over."""
    out = bytearray(content)
    for _n in range(rng.choice((1, 1, 2, 4, 16)) if out else 0):
        out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out)


def set_bytes(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """A run of bytes made equal, or random."""
    start, stop = _span(rng, content)
    size = stop - start
    filling = rng.randbytes(size) if rng.random() < 0.5 else bytes([rng.choice((0, 1, 127, 128, 255))]) * size
    return content[:start] + filling + content[stop:]


def set_integer(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """A count or offset of 1 to 8 bytes at a place set to an edge value."""
    size = rng.choice((1, 2, 4, 4, 8))
    at = rng.randint(0, max(0, len(content) - size))
    value = rng.choice(
        (0, 1, (1 << 8 * size) - 1, (1 << 8 * size - 1) - 1, 1 << 8 * size - 1, rng.getrandbits(8 * size))
    )
    return content[:at] + value.to_bytes(size, rng.choice(("little", "big"))) + content[at + size :]


def truncate(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """Cut short, now and then to almost nothing."""
    return content[: rng.randint(0, rng.choice((8, 200, len(content), len(content))))]


def behead(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """The beginning lost."""
    return content[rng.randint(0, rng.choice((8, 200, len(content)))) :]


def cut_out(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """A piece lost."""
    start, stop = _span(rng, content, 4000)
    return content[:start] + content[stop:]


def repeat_piece(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """A piece written several times."""
    start, stop = _span(rng, content)
    return content[:start] + content[start:stop] * rng.choice((2, 2, 3, 50)) + content[stop:]


def insert_noise(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """Random, zero or high bytes put in."""
    at, size = rng.randint(0, len(content)), rng.choice((1, 2, 7, 100, 3000))
    noise = rng.choice((rng.randbytes(size), bytes(size), b"\xff" * size, b" " * size, b"\n" * size))
    return content[:at] + noise + content[at:]


def splice(rng: random.Random, content: bytes, other: bytes) -> bytes:
    """The beginning of one file and the end of another."""
    return content[: rng.randint(0, len(content))] + other[rng.randint(0, len(other)) :]


def insert_other(rng: random.Random, content: bytes, other: bytes) -> bytes:
    """A piece of another file put in."""
    at, (start, stop) = rng.randint(0, len(content)), _span(rng, other, 2000)
    return content[:at] + other[start:stop] + content[at:]


# -- words and numbers ----------------------------------------------------------------------------


def _replace(rng: random.Random, content: bytes, shape: re.Pattern[bytes], words: tuple[str, ...]) -> bytes:
    found = [match.span() for match in shape.finditer(content)]
    if not found:
        return content + rng.choice(words).encode()
    for start, stop in sorted(rng.sample(found, min(len(found), rng.choice((1, 1, 2, 5)))), reverse=True):
        content = content[:start] + rng.choice(words).encode() + content[stop:]
    return content


def edit_number(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """Numbers replaced by numbers at the limits."""
    return _replace(rng, content, _NUMBER, NUMBERS)


def edit_field(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """Fields replaced by words, dates, times, markup."""
    return _replace(rng, content, _FIELD, rng.choice((DATES, TIMES, EVERY)))


def edit_header(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """The same near the head, where formats state what follows."""
    head = rng.choice((60, 300, 1000))
    return _replace(rng, content[:head], _FIELD, EVERY) + content[head:]


def set_column(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """One field of every line replaced by the same word, or by one that counts."""
    delimiter = rng.choice((b",", b";", b"\t", b"|"))
    lines, word = content.split(b"\n"), rng.choice(EVERY).encode()
    place = rng.randrange(max(1, max(line.count(delimiter) for line in lines) + 1))
    scale = rng.choice((0, 1, -1, 1000, 10**15))
    for number, line in enumerate(lines):
        fields = line.split(delimiter)
        if place < len(fields) and number > rng.choice((0, 2)):
            fields[place] = word if scale == 0 else str(number * scale).encode()
            lines[number] = delimiter.join(fields)
    return b"\n".join(lines)


def swap_delimiter(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """One separator exchanged for another, in the whole file or in its second half."""
    old, new = (rng.choice(DELIMITERS).encode() for _n in range(2))
    at = rng.choice((0, len(content) // 2))
    return content[:at] + content[at:].replace(old, new)


def swap_encoding(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """Written in another encoding, in the whole file or in its second half."""
    at, name = rng.choice((0, 0, len(content) // 2)), rng.choice(ENCODINGS)
    text = content[at:].decode("utf-8", errors="replace")
    return content[:at] + text.encode(name, errors="replace")


# -- lines ----------------------------------------------------------------------------------------


def shuffle_lines(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """Some neighbouring lines in another order."""
    lines = content.split(b"\n")
    start = rng.randrange(len(lines))
    piece = lines[start : start + rng.choice((2, 5, 50))]
    rng.shuffle(piece)
    lines[start : start + len(piece)] = piece
    return b"\n".join(lines)


def repeat_header(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """The first lines again, at one or many places."""
    lines = content.split(b"\n")
    head = lines[: rng.choice((1, 2, 3))]
    for _n in range(rng.choice((1, 1, 5))):
        at = rng.randint(0, len(lines))
        lines[at:at] = head
    return b"\n".join(lines)


def repeat_line(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """One line many times."""
    lines = content.split(b"\n")
    at = rng.randrange(len(lines))
    lines[at:at] = [lines[at][:500]] * rng.choice((1, 2, 100))
    return b"\n".join(lines)


def swap_line_ends(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """Other line ends, in the whole file or in its second half."""
    at = rng.choice((0, len(content) // 2))
    return content[:at] + content[at:].replace(b"\n", rng.choice(LINE_ENDS))


def nest_deeply(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """Thousands of brackets, tags or table names opened one inside the other."""
    at, depth = rng.randint(0, len(content)), rng.choice((50, 2000, 20000))
    opening = rng.choice((b"[", b"{", b'{"a":', b"<a>", b"(", b"a.", b'"', b"[[", b"x=["))
    return content[:at] + opening * depth + content[at:]


def add_entities(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """Declared entities that grow when they are expanded."""
    text = re.sub(rb"<\?xml[^>]*>", b"", content, count=1)
    return ENTITY_BOMB + _replace(rng, text, _NUMBER, ("&j;", "&a;", "&nosuch;", "&#0;", "&#x110000;"))


def lengthen(rng: random.Random, content: bytes, _: bytes) -> bytes:
    """One field or line of a hundred thousand characters."""
    at = rng.randint(0, len(content))
    return content[:at] + rng.choice((b"9", b"a", b",", b"1,", b" ", b'"', b"\t")) * 100_000 + content[at:]


def damage_member(rng: random.Random, content: bytes, other: bytes) -> bytes:
    """One file of a zip archive (a spreadsheet is one) damaged, the archive around it whole."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            members = {name: archive.read(name)[:MOST_BYTES] for name in archive.namelist()}
    except (OSError, ValueError, RuntimeError, struct.error, EOFError, zlib.error, zipfile.BadZipFile):
        return content
    if not members:
        return content
    hit, change = rng.choice(sorted(members)), rng.choice(BYTE_CHANGES + WORD_CHANGES * 2 + LINE_CHANGES)
    members[hit] = change(rng, members[hit], other)[:MOST_BYTES]
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, member in members.items():
            archive.writestr(zipfile.ZipInfo(name), member, zipfile.ZIP_DEFLATED)
    return out.getvalue()


BYTE_CHANGES: tuple[Change, ...] = (
    *(flip_bits, set_bytes, set_integer, truncate, behead, cut_out, repeat_piece, insert_noise, splice, insert_other),
)
WORD_CHANGES: tuple[Change, ...] = (*(edit_number, edit_field, edit_header, set_column, swap_delimiter, swap_encoding),)
LINE_CHANGES: tuple[Change, ...] = (
    *(shuffle_lines, repeat_header, repeat_line, swap_line_ends, nest_deeply, add_entities, lengthen),
)
