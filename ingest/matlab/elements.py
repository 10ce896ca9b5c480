"""Elements of a MATLAB 5 file to plain values: numpy arrays, text, dicts for structs, None for what is no channel.

Layout: MAT-File Format, version 5 (The MathWorks, publicly available); own reader, because a damaged
file must end in an error and never in a crash of a compiled one.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from math import prod
from typing import Any

import numpy as np
from numpy.typing import NDArray

HEADER_BYTES = 128
MOST_UNPACKED = 4 << 30
DEEPEST = 16
MOST_CELLS, MOST_STRUCTS = 1_000_000, 10_000
_MATRIX, _COMPRESSED = 14, 15
_STORED = {1: "i1", 2: "u1", 3: "i2", 4: "u2", 5: "i4", 6: "u4", 7: "f4", 9: "f8", 12: "i8", 13: "u8"}
_TEXT = {1: "latin-1", 2: "latin-1", 4: "utf-16", 16: "utf-8", 17: "utf-16", 18: "utf-32"}
_CELL, _STRUCT, _OBJECT, _CHAR, _NUMERIC = 1, 2, 3, 4, range(6, 16)
_CLASSES = {
    6: "f8", 7: "f4", 8: "i1", 9: "u1", 10: "i2", 11: "u2", 12: "i4", 13: "u4", 14: "i8", 15: "u8",
}  # fmt: skip
_KINDS = {3: "an object", 5: "a sparse matrix", 16: "a function", 17: "an object"}


class BrokenElement(Exception):
    """An element that does not hold together; caught inside this reader."""


@dataclass(frozen=True, slots=True)
class Unusable:
    """A variable that is no channel, and what it is."""

    kind: str


@dataclass
class Variables:
    """All whole variables by name, and where the file breaks off or does not hold together (byte, what)."""

    values: dict[str, Any] = field(default_factory=dict)
    broken: tuple[int, str] | None = None


@dataclass(frozen=True, slots=True)
class _Element:
    kind: int
    data: memoryview


def read_variables(content: bytes, order: str) -> Variables:
    """Variables up to the end of the file, or to the first element that is broken. order: '<' or '>'."""
    out = Variables()
    view, at = memoryview(content), HEADER_BYTES
    while at + 8 <= len(view):
        try:
            element, after = _next(view, at, order, padded=False)
            if element.kind == _COMPRESSED:
                element, _ = _next(memoryview(_unpack(element.data)), 0, order, padded=True)
            if element.kind == _MATRIX:
                name, value = _matrix(element.data, order, 0)
                if name:
                    out.values[name] = value
        except (BrokenElement, struct.error, UnicodeDecodeError, MemoryError, OverflowError) as error:
            out.broken = (at, str(error) or type(error).__name__)
            return out
        at = after
    if at < len(view) and any(view[at:]):
        out.broken = (at, "the file ends inside an element")
    return out


def _next(view: memoryview, at: int, order: str, *, padded: bool = True) -> tuple[_Element, int]:
    """The element at an offset and the offset behind it; short ones hold their data in the tag."""
    if at + 8 > len(view):
        raise BrokenElement("the file ends inside an element")
    first, size = struct.unpack_from(f"{order}II", view, at)
    if first >> 16:
        size = first >> 16
        if size > 4:
            raise BrokenElement(f"a short element of {size} bytes")
        return _Element(first & 0xFFFF, view[at + 4 : at + 4 + size]), at + 8
    stop = at + 8 + size
    if stop > len(view):
        raise BrokenElement("the file ends inside an element")
    # compressed variables follow each other without filling, and everything else is filled up to 8 bytes
    after = stop + (-size % 8 if padded or first != _COMPRESSED else 0)
    return _Element(first, view[at + 8 : stop]), after


def _unpack(data: memoryview) -> bytes:
    unpacker = zlib.decompressobj()
    try:
        whole = unpacker.decompress(bytes(data), MOST_UNPACKED)
    except zlib.error as error:
        raise BrokenElement(f"a compressed variable cannot be unpacked: {error}") from None
    if unpacker.unconsumed_tail:
        raise BrokenElement(f"a variable unpacks to more than {MOST_UNPACKED >> 30} GiB")
    return whole


def _matrix(view: memoryview, order: str, depth: int) -> tuple[str, Any]:
    """(name, value) of one matrix element."""
    if not len(view):  # an empty field
        return "", np.empty(0)
    if depth > DEEPEST:
        raise BrokenElement("nested too deeply")
    flags, at = _next(view, 0, order)
    if len(flags.data) < 8:
        raise BrokenElement("no array flags")
    word = struct.unpack_from(f"{order}I", flags.data)[0]
    kind, is_complex = word & 0xFF, bool(word & 0x0800)
    if kind == 17:  # written differently from here on
        return _opaque_name(view, at, order), Unusable(_KINDS[kind])
    shape, at = _next(view, at, order)
    dimensions = [int(n) for n in _numbers(shape, order)]
    name_element, at = _next(view, at, order)
    name = bytes(name_element.data).rstrip(b"\0").decode("latin-1")
    if kind in _NUMERIC:
        return name, Unusable("complex numbers") if is_complex else _array(view, at, order, kind, dimensions)
    if kind == _CHAR:
        return name, _characters(view, at, order, dimensions)
    if kind == _CELL:
        return name, _cells(view, at, order, dimensions, depth)
    if kind == _STRUCT:
        return name, _struct(view, at, order, dimensions, depth)
    return name, Unusable(_KINDS.get(kind, f"class {kind}"))


def _opaque_name(view: memoryview, at: int, order: str) -> str:
    element, _ = _next(view, at, order)
    return bytes(element.data).decode("latin-1") if element.kind == 1 else ""


def _numbers(element: _Element, order: str) -> NDArray[Any]:
    stored = _STORED.get(element.kind)
    if stored is None:
        raise BrokenElement(f"numbers of type {element.kind}")
    kind = np.dtype(f"{order}{stored}")
    return np.frombuffer(element.data, kind, len(element.data) // kind.itemsize)


def _array(view: memoryview, at: int, order: str, kind: int, dimensions: list[int]) -> NDArray[Any]:
    """Numbers in their dimensions; they are stored in the smallest type that holds them."""
    element, _ = _next(view, at, order)
    values = _numbers(element, order)
    if any(n < 0 for n in dimensions) or prod(dimensions) != len(values):
        raise BrokenElement(f"{len(values)} numbers in dimensions {dimensions[:6]}")
    return values.astype(_CLASSES[kind]).reshape(dimensions, order="F")


def _characters(view: memoryview, at: int, order: str, dimensions: list[int]) -> str | NDArray[np.object_]:
    """Text; rows of a character matrix are words."""
    if at >= len(view):
        return ""
    element, _ = _next(view, at, order)
    coding = _TEXT.get(element.kind, "latin-1")
    if coding in ("utf-16", "utf-32"):
        coding += "-le" if order == "<" else "-be"
    text = bytes(element.data).decode(coding, "replace")
    rows = dimensions[0] if dimensions else 1
    if rows <= 1 or len(text) % rows:
        return text.strip("\0 ")
    return np.array([text[k::rows].strip("\0 ") for k in range(rows)], dtype=object)


def _cells(view: memoryview, at: int, order: str, dimensions: list[int], depth: int) -> Any:
    """A cell array of words as words, of single numbers as numbers; other cells are no channel."""
    count = prod(dimensions)
    if not 0 <= count <= MOST_CELLS:
        raise BrokenElement(f"cells in dimensions {dimensions[:6]}")
    values = []
    for _ in range(count):
        member, at = _next(view, at, order)
        value = _matrix(member.data, order, depth + 1)[1]
        single = isinstance(value, np.ndarray) and value.dtype.kind in "biuf" and value.size <= 1
        if not isinstance(value, str) and not single:
            return Unusable("cells")
        values.append(value if isinstance(value, str) else float(value.reshape(-1)[0]) if value.size else None)
    if all(value is None or isinstance(value, float) for value in values):
        return np.array(values, dtype=np.float64)
    return np.array([value if isinstance(value, str) else "" for value in values], dtype=object)


def _struct(view: memoryview, at: int, order: str, dimensions: list[int], depth: int) -> Any:
    """One struct as a dict, an array of structs as a list of them."""
    count = prod(dimensions)
    if not 0 <= count <= MOST_STRUCTS:
        return Unusable("an array of structs")
    length_element, at = _next(view, at, order)
    names_element, at = _next(view, at, order)
    lengths = _numbers(length_element, order)
    length = int(lengths[0]) if len(lengths) else 0
    names = list(_field_names(bytes(names_element.data), length)) if length > 0 else []
    out: list[dict[str, Any]] = []
    for _ in range(count):
        out.append({})
        for name in names:
            member, at = _next(view, at, order)
            if member.kind != _MATRIX:
                raise BrokenElement("a field that is no matrix")
            out[-1][name] = _matrix(member.data, order, depth + 1)[1]
    return out[0] if count == 1 else out


def _field_names(names: bytes, length: int) -> Iterator[str]:
    for at in range(0, len(names) - length + 1, length):
        yield names[at : at + length].split(b"\0")[0].decode("latin-1")
