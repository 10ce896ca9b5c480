"""The cheapest course through a few states: which one held at each step, when every change has its price.

Found exactly by dynamic programming (the Viterbi recursion), so no change is lost to a greedy choice.
"""

from __future__ import annotations

import numpy as np

from ..shared.recording import Floats
from .signal import Indices


def cheapest_states(cost: Floats, penalty: float) -> Indices:
    """The state of every step that together cost least: int64 (n,).

    cost: float64 (n, k), finite, of each state at each step; penalty: of a change, whatever its size.
    Of equally cheap courses one that changes later is given.
    """
    if not len(cost):
        return np.empty(0, np.int64)
    rows = cost.tolist()  # plain numbers: a handful of states is too few for array arithmetic to pay
    best = rows[0]
    reached = [best]
    for row in rows[1:]:
        limit = min(best) + penalty
        best = [(value if value <= limit else limit) + more for value, more in zip(best, row, strict=True)]
        reached.append(best)
    state = best.index(min(best))
    path = [state]
    for before in reversed(reached[:-1]):
        least = min(before)
        if before[state] > least + penalty:
            state = before.index(least)
        path.append(state)
    return np.array(path[::-1], dtype=np.int64)
