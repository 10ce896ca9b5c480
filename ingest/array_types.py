"""One array of a file (HDF5 dataset, MATLAB variable) with what the file says about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from numpy.typing import NDArray

from .text.timecolumns import TIME_WORDS, words_of

_DATE_WORDS = frozenset({"date", "datenum", "datetime", "datum", "stamp"})


@dataclass(frozen=True, slots=True, eq=False)
class NamedArray:
    """One array: its group ('' at the top, '/' between parts), name, values of shape (n,) or (n, k), unit as written.

    names: of the k columns where the file states them. by_column: writes a column's name, '{name}' and
    '{column}' (counted from `first`) put in.
    """

    group: str
    name: str
    values: NDArray[Any]
    unit: str | None = None
    names: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    by_column: str = "{name}[:,{column}]"
    first: int = 0

    @property
    def is_time(self) -> bool:
        """True for a vector that is named as a time, or holds moments."""
        if self.values.dtype.kind == "M":
            return True
        words = set(words_of(self.name))
        return self.values.ndim == 1 and bool(words & (TIME_WORDS | _DATE_WORDS))


def word_of(value: Any) -> str | None:
    """One text value of an array; None for a blank one."""
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace").strip("\0 ") or None
    return str(value).encode("utf-8", "replace").decode() if value is not None else None
