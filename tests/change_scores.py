"""How well change points agree with people's annotations: metrics and series of van den Burg & Williams, arXiv 2003.06222.

F1 and covering as in TCPDBench; the series lie in tests/data/changepoints.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

DATA = Path(__file__).parent / "data" / "changepoints"
SERIES = ("well_log", *(f"quality_control_{number}" for number in range(1, 6)))
Floats = NDArray[np.float64]
Marks = Mapping[Any, Sequence[int]]


def load(name: str) -> Floats:
    """A series by its name."""
    file = json.loads((DATA / f"{name}.json").read_text(encoding="utf-8"))
    return np.array(file["series"][0]["raw"], dtype=float)


ANNOTATIONS: dict[str, dict[str, list[int]]] = json.loads((DATA / "annotations.json").read_text(encoding="utf-8"))


def f1(annotations: Marks, changes: Iterable[int], margin: int = 5) -> float:
    """F1 with 0 added to every set, precision against the union, recall averaged over annotators (TCPDBench)."""
    marks = {k: {0, *v} for k, v in annotations.items()}
    found = {0, *changes}
    precision = len(hits(set().union(*marks.values()), found, margin)) / len(found)
    recall = float(np.mean([len(hits(m, found, margin)) / len(m) for m in marks.values()]))
    return 2 * precision * recall / (precision + recall)


def hits(marks: set[int], found: set[int], margin: int) -> set[int]:
    """The marks that have a change of their own within the margin."""
    left, out = set(found), set[int]()
    for mark in sorted(marks):
        near = [(abs(mark - x), x) for x in left if abs(mark - x) <= margin]
        if near:
            left.remove(min(near)[1])
            out.add(mark)
    return out


def covering(annotations: Marks, found: Iterable[int], n: int) -> float:
    """Mean over annotators of the length-weighted best Jaccard index (TCPDBench)."""

    def parts(changes: Iterable[int]) -> list[set[int]]:
        borders = [0, *sorted(set(changes) - {0}), n]
        return [set(range(a, b)) for a, b in pairwise(borders)]

    theirs = parts(found)
    each = [
        sum(len(a) * max(len(a & b) / len(a | b) for b in theirs) for a in parts(marks)) / n
        for marks in annotations.values()
    ]
    return float(np.mean(each))
