"""Reads every byte of an HDF5 file that the reader would, in a process of its own, and says nothing.

A damaged file can crash the HDF5 library, and with it the program that called it. So a short-lived
process goes first: `python probe.py FILE` ends with 0, or with an error, or is killed. It uses
nothing of this package, to start quickly.
"""

from __future__ import annotations

import sys
from typing import Any

import h5py

_ERRORS = (OSError, RuntimeError, ValueError, KeyError, TypeError, IndexError, AttributeError, NotImplementedError)
MOST_OBJECTS = 20_000
FLOOR_BYTES, MOST_RATIO = 1 << 28, 200


def walk(group: Any, left: list[int]) -> None:
    """Touch every attribute and every dataset under a group."""
    touch_attributes(group)
    for name in group:
        left[0] -= 1
        if left[0] < 0 or group.get(name, getlink=True).__class__ is not h5py.HardLink:
            continue
        item = group[name]
        if isinstance(item, h5py.Group):
            walk(item, left)
        elif isinstance(item, h5py.Dataset):
            touch_attributes(item)
            touch_samples(item)


def touch_attributes(item: Any) -> None:
    """Read all attributes of an object."""
    for key in item.attrs:
        try:
            item.attrs[key]
        except _ERRORS:
            continue


def touch_samples(item: Any) -> None:
    """Read one dataset."""
    try:
        if item.shape is not None and not _is_left_out(item):
            item[()]
    except _ERRORS:
        return


def _is_left_out(item: Any) -> bool:
    """As the reader: samples in other files, and those declared and never written, are not asked for."""
    size = item.size * item.dtype.itemsize
    return (
        bool(item.external)
        or item.is_virtual
        or (size > FLOOR_BYTES and size > MOST_RATIO * max(1, item.id.get_storage_size()))
    )


def main(path: str) -> int:
    """0 when the file could be walked through, 1 when the library refused it."""
    try:
        with h5py.File(path, "r") as file:
            walk(file, [MOST_OBJECTS])
    except (*_ERRORS, MemoryError, RecursionError):
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
