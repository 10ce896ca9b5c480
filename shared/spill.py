"""Large arrays kept on disk instead of in memory, as plain read-only numpy arrays.

A column of a few million samples is written to a nameless temporary file and mapped; its pages are
given back to the system whenever enough of such arrays have been looked at, so that a log larger
than the memory can be worked on column by column. Smaller arrays are left alone.
"""

from __future__ import annotations

import ctypes
import mmap
import sys
import tempfile
import threading
import weakref
from collections.abc import Callable
from typing import Any, Protocol, TypeVar

import numpy as np
import pyarrow as pa
from numpy.typing import DTypeLike, NDArray

SPILL_BYTES = 16 << 20  # two million numbers: no sortie of a few hours at ten rows a second comes near
RELEASE_BYTES = 64 << 20
KEEP_BELOW_BYTES = 16 << 20
KEEP_BYTES = 128 << 20
GROW_BYTES = 32 << 20

T = TypeVar("T")

_maps: weakref.WeakSet[mmap.mmap] = weakref.WeakSet()
_lock = threading.Lock()  # files are written beside the work on the columns
_looked_at = 0


def _c_library() -> Any:
    """The C library where it is glibc's or may be, None elsewhere."""
    return ctypes.CDLL(None) if sys.platform.startswith("linux") else None


def _find_trim() -> Callable[[int], int] | None:
    """The C library's call that gives freed memory back to the system, where there is one (glibc)."""
    found: Callable[[int], int] | None = getattr(_c_library(), "malloc_trim", None)
    return found


def _keep_freed() -> None:
    """Let the next array take the memory of the last: every page the system hands out anew costs a fault and zeros.

    Arrays of up to KEEP_BELOW_BYTES, KEEP_BYTES in all; `release_pages` gives back all the same. Of glibc's own accord
    half of what reading and detecting an hour takes from the system is taken over and over.
    """
    adjust = getattr(_c_library(), "mallopt", None)
    if _find_trim() is not None and adjust is not None:
        for parameter, size in ((-3, KEEP_BELOW_BYTES), (-1, KEEP_BYTES), (-2, GROW_BYTES)):  # see mallopt(3)
            adjust(parameter, size)


_trim = _find_trim()
_keep_freed()


class SpillWriter:
    """A column of numbers of one type written piece by piece."""

    def __init__(self, dtype: DTypeLike = np.float64) -> None:
        self._dtype = np.dtype(dtype)
        self._stream = tempfile.TemporaryFile(prefix="trimshot-")  # noqa: SIM115, closed by `finish`

    def append(self, values: NDArray[Any]) -> None:
        """Add samples, shape (k,)."""
        self._stream.write(np.ascontiguousarray(values, dtype=self._dtype).data)

    def close(self) -> None:
        """Let the file go; what `finish` gave stays."""
        self._stream.close()

    def finish(self) -> NDArray[Any]:
        """All samples, shape (n,), read-only. The file is gone with the last array that looks at it."""
        return np.frombuffer(self.finish_bytes(), dtype=self._dtype)

    def finish_bytes(self) -> bytes | mmap.mmap:
        """The same as the bytes they are, mapped."""
        size = self._stream.tell()
        self._stream.flush()
        with self._stream:
            return map_file(self._stream.fileno(), size) if size else b""


def map_file(handle: int, size: int) -> mmap.mmap:
    """The first bytes of an open file, read-only; `release_pages` gives its pages back."""
    mapped = mmap.mmap(handle, size, access=mmap.ACCESS_READ)
    with _lock:
        _maps.add(mapped)
    return mapped


class _Sized(Protocol):
    @property
    def nbytes(self) -> int: ...


def is_large(values: _Sized) -> bool:
    """Whether an array of this size belongs on disk."""
    return values.nbytes >= SPILL_BYTES


def spill(values: NDArray[Any]) -> NDArray[Any]:
    """The array itself when it is small, no numbers, or on disk already; else its copy on disk."""
    if not is_large(values) or values.dtype.kind not in "fi" or values.ndim != 1 or _is_mapped(values):
        return values
    writer = SpillWriter(values.dtype)
    writer.append(values)
    note_use(values.nbytes)
    return writer.finish()


def note_use(size: int) -> None:
    """Count bytes of arrays read that may be mapped, and give pages back when there are enough."""
    global _looked_at
    _looked_at += size
    if _looked_at > RELEASE_BYTES:
        if _maps:
            release_pages()
        _looked_at = 0


def release_pages() -> None:
    """Give back the memory of all mapped pages; their content stays on disk and comes back when it is read."""
    global _looked_at
    _looked_at = 0
    if hasattr(mmap, "MADV_DONTNEED"):  # elsewhere the system trims on its own
        with _lock:
            known = list(_maps)
        for mapped in known:
            mapped.madvise(mmap.MADV_DONTNEED)
    pa.default_memory_pool().release_unused()  # what Arrow has freed and holds ready
    if _trim is not None:
        _trim(0)


def _is_mapped(values: NDArray[Any]) -> bool:
    base: Any = values
    while isinstance(base, np.ndarray):
        base = base.base
    return isinstance(base.obj if isinstance(base, memoryview) else base, mmap.mmap)


class _Samples:
    """An attribute that holds an array kept by `spill`, counted whenever it is read."""

    def __init__(self, name: str) -> None:
        self._name = f"_{name}"

    def __get__(self, instance: object | None, owner: type) -> Any:
        if instance is None:
            return self
        values = vars(instance)[self._name]
        if values is not None and is_large(values):
            note_use(values.nbytes)
        return values

    def __set__(self, instance: object, values: NDArray[Any] | None) -> None:
        vars(instance)[self._name] = values if values is None else spill(values)


def keep_large(name: str) -> Callable[[type[T]], type[T]]:
    """Class decorator: the dataclass (one without slots) keeps its array of this name on disk when it is large."""

    def apply(owner: type[T]) -> type[T]:
        setattr(owner, name, _Samples(name))
        return owner

    return apply
