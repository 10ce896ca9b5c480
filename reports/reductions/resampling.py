"""Bands from repeats: points in flights in days, drawn again level by level.

Two points of one flight share its air, its loading and its instruments' mood, two flights of one day share its
weather: drawing points as if independent gives bands several times too narrow. Days are drawn with
replacement, in each its flights, in each flight its points.
Source: A. Davison and D. Hinkley, Bootstrap Methods and their Application, 1997, section 3.8 (hierarchical data).
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special  # scipy.stats takes half a second to load

Floats = NDArray[np.float64]

DRAWS = 600


def seed_of(*parts: object) -> int:
    """A seed from the data: the same points give the same draws on any machine."""
    text = "\x1f".join(str(part) for part in parts)
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big")


def draw_counts(flights: Sequence[str], days: Sequence[str], *, seed: int, draws: int = DRAWS) -> NDArray[np.int64]:
    """How often each point was drawn, shape (draws, points).

    With one flight alone its points are drawn; with one day its flights and their points.
    """
    random = np.random.default_rng(seed)
    tree: dict[str, dict[str, list[int]]] = {}
    for index, (flight, day) in enumerate(zip(flights, days, strict=True)):
        tree.setdefault(day, {}).setdefault(flight, []).append(index)
    names = list(tree)
    counts = np.zeros((draws, len(flights)), dtype=np.int64)
    for draw in range(draws):
        for day in random.integers(len(names), size=len(names)):
            branches = list(tree[names[day]].values())
            for branch in random.integers(len(branches), size=len(branches)):
                points = branches[branch]
                np.add.at(counts[draw], [points[i] for i in random.integers(len(points), size=len(points))], 1)
    return counts


def redraw(
    points: pd.DataFrame,
    estimate: Floats,
    solve: Callable[[NDArray[np.int64]], Floats],
    *,
    marks: Iterable[object],
    parameters: int,
    draws: int,
) -> Floats:
    """Draws of an estimate, shape (draws, parameters): solved again for how often each point was drawn, and widened.

    points: with columns sortie and day; estimate: what all points once give; marks: what tells these points
    from others, for the seed; parameters: how many the points were fitted with.
    """
    names = [str(name) for name in points["sortie"]]
    days = [str(day) for day in points["day"]]
    drawn = np.array([solve(counts) for counts in draw_counts(names, days, seed=seed_of(*names, *marks), draws=draws)])
    factor = small_sample_factor(len(points), parameters, points["sortie"].nunique())
    return np.asarray(estimate + (drawn - np.median(drawn, axis=0)) * factor, dtype=np.float64)


def small_sample_factor(points: int, parameters: float, flights: int) -> float:
    """What drawn deviations are widened by: draws from few flights or points scatter too little.

    The flight level's variance is short by (g - 1)/g, the points' by (n - p)/n: the larger of the two counts; and
    the quantile of a normal distribution is short of Student's with what is left over. How often the bands then
    hold the truth is measured by `python -m tests.coverage`.
    """
    left = max(points - parameters, 1)
    widen = np.sqrt(points / left)
    if flights > 1:
        widen = max(widen, np.sqrt(flights / (flights - 1)))
    return float(widen * student_factor(left))


def spread_of(draws: Floats) -> float:
    """Standard uncertainty from the middle 95 % of draws, shape (n,): a few drawn from hardly any points must not stand for all."""
    low, high = np.quantile(draws, [0.025, 0.975])
    return float(high - low) / (2 * float(special.ndtri(0.975)))


def student_factor(freedom: float) -> float:
    """Student's 95 % limit for these degrees of freedom over the normal one."""
    return float(special.stdtrit(freedom, 0.975) / special.ndtri(0.975))
