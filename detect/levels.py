"""Piecewise-constant levels of a noisy signal: the best of all step functions, exactly.

Every sample may take any of a set of levels; a change of level costs `penalty`, whatever its
size; a sample costs its squared distance in units of its own noise. The cheapest path over all of
them is found by dynamic programming (the Viterbi recursion), so no step is lost to a greedy choice.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..shared.recording import Floats


@dataclass(frozen=True, slots=True)
class Plateau:
    """Samples [first, stop) assigned to the level of index `number`; `level` is their own mean."""

    first: int
    stop: int
    level: float
    number: int


def find_plateaus(values: Floats, levels: Floats, *, noise: Floats, penalty: float) -> tuple[Plateau, ...]:
    """Plateaus covering values (n,); NaN samples cost nothing. levels (k,), noise (n,) > 0."""
    if not len(values) or not len(levels):
        return ()
    known = np.isfinite(values)
    distance = np.where(known, values, 0.0)[:, None] - levels[None, :]
    cost = np.where(known[:, None], (distance / noise[:, None]) ** 2, 0.0)
    path = _cheapest_path(cost, penalty)
    cuts = [0, *(np.flatnonzero(np.diff(path)) + 1).tolist(), len(values)]
    return tuple(
        Plateau(a, b, float(np.nanmean(values[a:b])) if known[a:b].any() else float(levels[path[a]]), int(path[a]))
        for a, b in pairwise(cuts)
    )


def _cheapest_path(cost: Floats, penalty: float) -> NDArray[np.int64]:
    came_from = np.empty(cost.shape, np.int64)
    own = np.arange(cost.shape[1])
    best = cost[0].copy()
    for k in range(1, len(cost)):
        cheapest = int(np.argmin(best))
        change = best[cheapest] + penalty < best
        came_from[k] = np.where(change, cheapest, own)
        best = np.where(change, best[cheapest] + penalty, best) + cost[k]
    path = np.empty(len(cost), np.int64)
    path[-1] = int(np.argmin(best))
    for k in range(len(cost) - 1, 0, -1):
        path[k - 1] = came_from[k, path[k]]
    return path


def cluster_levels(levels: Floats, weights: Floats, apart: float) -> Floats:
    """Rising centres at least `apart` from each other: the two nearest join until none is nearer."""
    order = np.argsort(levels, kind="stable")
    centres, masses = levels[order].astype(np.float64), weights[order].astype(np.float64)
    while len(centres) > 1:
        gaps = np.diff(centres)
        k = int(np.argmin(gaps))
        if gaps[k] >= apart:
            break
        mass = masses[k] + masses[k + 1]
        centres[k] = (masses[k] * centres[k] + masses[k + 1] * centres[k + 1]) / mass
        masses[k] = mass
        centres, masses = np.delete(centres, k + 1), np.delete(masses, k + 1)
    return centres
