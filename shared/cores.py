"""Work on many columns of one table by as many threads as there are cores: numpy and Arrow let each other run."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

FEWEST_ROWS = 4000  # of shorter columns a thread costs more than it saves
MOST_ROWS = 2_000_000  # longer columns lie on disk (see spill): only one is looked at at a time
_MOST_THREADS = 4

Item = TypeVar("Item")
Result = TypeVar("Result")


def each(work: Callable[[Item], Result], items: Sequence[Item], *, rows: int) -> list[Result]:
    """What `work` gives for every item, in their order; work must not depend on the order. rows: of each column (of each stretch, its bytes)."""
    threads = min(os.cpu_count() or 1, _MOST_THREADS, len(items))
    if threads < 2 or not FEWEST_ROWS <= rows <= MOST_ROWS:
        return [work(item) for item in items]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(work, items))
