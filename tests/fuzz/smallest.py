"""A fault's input made smaller while the fault stays the same."""

from __future__ import annotations

import dataclasses
import time
from pathlib import Path

from trimshot.ingest.raw import Adapter

from .trial import Input, run_trial

MOST_SECONDS = 20.0


def shrink(one: Input, adapter: Adapter, folder: Path, signature: str) -> Input:
    """The input with pieces left out, halves first, single bytes last, for at most 20 seconds."""
    end = time.monotonic() + MOST_SECONDS
    piece = max(1, len(one.content) // 2)
    while piece >= 1 and time.monotonic() < end:
        smaller = _without_piece(one, adapter, folder, signature=signature, piece=piece, end=end)
        if smaller is None:
            piece //= 2
        else:
            one = smaller
    return one


def _without_piece(
    one: Input, adapter: Adapter, folder: Path, *, signature: str, piece: int, end: float
) -> Input | None:
    for at in range(0, len(one.content), piece):
        if time.monotonic() > end:
            return None
        shorter = dataclasses.replace(one, content=one.content[:at] + one.content[at + piece :])
        if run_trial(shorter, adapter, folder).signature == signature:
            return shorter
    return None
