"""Columns of a fixed-width table: places in the line that are blank in (nearly) every row separate them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..text.tokens import is_comment, is_data_like, kind_of

FEWEST_ROWS = 5
WIDEST = 4096
BLANK_SHARE = 0.98  # rows that must be blank at a separating place; one row in fifty may be damaged
SOLID_SHARE = 0.8  # cells of a column that must look alike
BLOCK_ROWS = 20_000


@dataclass(frozen=True, slots=True)
class Columns:
    """Where each column begins and ends in the line (half-open), and the first line of samples, from 0."""

    spans: tuple[tuple[int, int], ...]
    first_row: int


def find_columns(lines: Sequence[str]) -> Columns | None:
    """The columns of a table that blanks alone cannot split: rows differ in their number of words.

    None when there is no such table: too few rows, tabs or delimiters, one word per column everywhere,
    or columns whose cells do not look alike.
    """
    first = _first_row(lines)
    if first is None:
        return None
    rows = [line.rstrip() for line in lines[first:] if _is_row(line)]
    if len(rows) < FEWEST_ROWS or any("\t" in row for row in rows) or max(map(len, rows)) > WIDEST:
        return None
    if len({len(row.split()) for row in rows}) == 1:
        return None
    spans = spans_of([occupied(rows)], len(rows))
    if len(spans) < 2 or not _are_alike(rows, spans):
        return None
    return Columns(tuple(spans), first)


def _first_row(lines: Sequence[str]) -> int | None:
    """The first line that looks like samples and is followed by more of them."""
    data = [_is_row(line) for line in lines]
    for k, is_data in enumerate(data):
        filled = [d for d, line in zip(data[k:], lines[k:], strict=True) if line.strip()]
        if is_data and sum(filled) >= FEWEST_ROWS and sum(filled) >= 0.8 * len(filled):
            return k
    return None


def _is_row(line: str) -> bool:
    return bool(line.strip()) and not is_comment(line) and is_data_like(line.split())


def occupied(rows: Sequence[str]) -> NDArray[np.int64]:
    """How many rows have a character that is not blank at each place."""
    return np.asarray((_matrix(rows) != ord(" ")).sum(axis=0), dtype=np.int64)


def _matrix(rows: Sequence[str]) -> NDArray[np.uint32]:
    """Characters of rows filled up with blanks, shape (rows, widest)."""
    width = max(map(len, rows), default=1) or 1
    padded = np.array([row.ljust(width) for row in rows], dtype=f"U{width}")
    return padded.view(np.uint32).reshape(len(rows), width)


def spans_of(counts: Sequence[NDArray[np.int64]], rows: int) -> list[tuple[int, int]]:
    """Stretches of places that are not blank in more than one row in fifty."""
    width = max(len(count) for count in counts)
    total = np.zeros(width, np.int64)
    for count in counts:
        total[: len(count)] += count
    solid = total > (1 - BLANK_SHARE) * rows
    edges = np.flatnonzero(np.diff(np.concatenate(([False], solid, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _are_alike(rows: Sequence[str], spans: Sequence[tuple[int, int]]) -> bool:
    """True when the cells of each column are of one kind, and at least half of the columns hold numbers or stamps."""
    solid = 0
    for low, high in spans:
        kinds = [kind_of(row[low:high]) for row in rows[:200]]
        filled = [kind for kind in kinds if kind not in ("blank", "mark")]
        if not filled:
            continue
        most = max(set(filled), key=filled.count)
        if filled.count(most) < SOLID_SHARE * len(filled):
            return False
        solid += most in ("number", "stamp")
    return 2 * solid >= len(spans)


def cut(lines: Sequence[str], spans: Sequence[tuple[int, int]]) -> list[str]:
    """Each line's cells with tabs between; a line with text between the columns stays as it is, as one cell."""
    if not lines:
        return []
    out: list[str] = []
    for low in range(0, len(lines), BLOCK_ROWS):
        out += _cut_block(lines[low : low + BLOCK_ROWS], spans)
    return out


def _cut_block(lines: Sequence[str], spans: Sequence[tuple[int, int]]) -> list[str]:
    matrix = _matrix(lines)
    between = np.ones(matrix.shape[1], np.bool_)
    for low, high in spans:
        between[low:high] = False
    stray = (matrix[:, between] != ord(" ")).any(axis=1)
    parts = []
    for low, high in spans:
        cell = matrix[:, low:high]
        width = cell.shape[1]
        texts = np.ascontiguousarray(cell).view(f"U{width}").reshape(-1) if width else np.full(len(lines), "")
        parts.append(np.char.strip(texts).tolist())
    joined = ["\t".join(cells) for cells in zip(*parts, strict=True)]
    return [line.strip() if odd else text for line, odd, text in zip(lines, stray.tolist(), joined, strict=True)]


def cut_header(line: str, spans: Sequence[tuple[int, int]]) -> str:
    """A line of names with tabs between them: each word goes to the column it stands over, or is nearest to."""
    cells = [""] * len(spans)
    at = 0
    for word in line.split():
        low = line.index(word, at)
        at = low + len(word)
        best = min(range(len(spans)), key=lambda k: _distance((low, at), spans[k]))
        cells[best] = f"{cells[best]} {word}".strip()
    return "\t".join(cells)


def _distance(word: tuple[int, int], span: tuple[int, int]) -> tuple[int, float]:
    """Blanks between a word and a column (negative: how far they overlap), then the distance of their middles."""
    gap = max(word[0], span[0]) - min(word[1], span[1])
    return gap, abs(sum(word) - sum(span)) / 2
