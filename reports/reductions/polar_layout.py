"""The linear fit of all glides together: a drag area at no lift for each condition, a k for each flap setting, all k much alike.

D/q = f(condition) + k(flap) (L/q)^2. The k of the flap settings scatter about one k by LIKE_K of it: the wing is the
same, a flap over part of its span loads it less evenly. Where the points of a setting tell their k, that hardly matters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import least_squares

from .resampling import draw_counts, seed_of

Floats = NDArray[np.float64]
Areas = tuple[Floats, Floats, Floats]

LIKE_K = 0.10  # share of k by which flap settings differ in it, one standard deviation; common practice, no source
LEAST_TOLD = 0.1  # of what all points tell of k, below which those drawn tell none
ROUNDS = 3  # until the size of k is known by which it may differ


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """Which parameter each point speaks of: (f of each condition ..., k of each flap setting ..., the k they scatter about).

    member, family: number of each point's condition, of its flap setting, shape (points,). flap_of: the flap setting
    of each condition, shape (conditions,).
    """

    member: NDArray[np.int64]
    family: NDArray[np.int64]
    flap_of: NDArray[np.int64]

    @property
    def size(self) -> int:
        """How many parameters there are."""
        return len(self.flap_of) + int(self.flap_of.max()) + 2

    def induced_of(self, condition: int) -> int:
        """The place of a condition's k among the parameters."""
        return len(self.flap_of) + int(self.flap_of[condition])

    def design(self, lift: Floats) -> Floats:
        """What each parameter adds to the drag area at each point, shape (points, parameters)."""
        columns = np.zeros((len(lift), self.size))
        columns[np.arange(len(lift)), self.member] = 1.0
        columns[np.arange(len(lift)), len(self.flap_of) + self.family] = lift**2
        return columns

    def likeness(self, spread: float) -> Floats:
        """Rows that hold every k near their middle, in standard deviations, shape (flap settings, parameters)."""
        settings = self.size - len(self.flap_of) - 1
        rows = np.zeros((settings, self.size))
        rows[:, len(self.flap_of) : -1] = np.eye(settings) / spread
        rows[:, -1] = -1 / spread
        return rows

    def solve(self, areas: Areas, *, robust: bool) -> Floats:
        """The parameters by weighted least squares, or with the soft-L1 loss."""
        lift, area, error = areas
        rows, wanted = self.design(lift) / error[:, np.newaxis], area / error
        spread = self.spread(areas)
        whole = np.vstack([rows, self.likeness(spread)])
        target = np.concatenate([wanted, np.zeros(len(whole) - len(rows))])
        plain = np.linalg.lstsq(whole, target, rcond=None)[0]
        if not robust:
            return np.asarray(plain)
        scale = np.maximum(np.abs(plain), 1e-12)
        found = least_squares(lambda x: whole @ (x * scale) - target, plain / scale, loss="soft_l1", f_scale=2.0)
        return np.asarray(found.x * scale)

    def spread(self, areas: Areas) -> float:
        """By how much the k of flap settings differ [1/m2], one standard deviation: a share of the k they scatter about."""
        lift, area, error = areas
        rows, wanted = self.design(lift) / error[:, np.newaxis], area / error
        middle = float("inf")
        for _ in range(ROUNDS):
            hold = self.likeness(LIKE_K * middle) if np.isfinite(middle) else self.likeness(1e-6)
            whole = np.vstack([rows, hold])
            found = np.linalg.lstsq(whole, np.concatenate([wanted, np.zeros(len(hold))]), rcond=None)[0]
            middle = max(abs(float(found[-1])), 1e-6)
        return LIKE_K * middle

    def solve_drawn(self, points: pd.DataFrame, areas: Areas) -> Floats:
        """The parameters from points drawn again level by level, and from k drawn unlike, shape (draws, parameters).

        NaN for a condition of which nothing was drawn, and throughout where what was drawn hardly tells any k.
        """
        lift, area, error = areas
        names = [str(name) for name in points["sortie"]]
        seed = seed_of(*names, *np.round(area, 9))
        counts = draw_counts(names, [str(day) for day in points["day"]], seed=seed)
        design, weights = self.design(lift), counts / error**2
        hold = self.likeness(self.spread(areas))
        off = np.random.default_rng(seed + 1).standard_normal((len(counts), len(hold)))
        left = np.einsum("dn,ni,nj->dij", weights, design, design) + hold.T @ hold
        right = (weights * area) @ design + off @ hold
        met = np.stack([weights[:, self.member == one].sum(axis=1) > 0 for one in range(len(self.flap_of))], axis=1)
        first = np.arange(len(self.flap_of))
        left[:, first, first] += np.where(met, 0.0, 1.0)
        whole = self._told(1 / error[np.newaxis] ** 2, lift**2).sum()
        tells = self._told(weights, lift**2).sum(axis=1) > LEAST_TOLD * whole
        drawn = np.full((len(counts), self.size), np.nan)
        drawn[tells] = np.linalg.solve(left[tells], right[tells, :, np.newaxis])[:, :, 0]
        drawn[:, : len(first)][~met] = np.nan
        return np.asarray(drawn)

    def told_by_its_own(self, areas: Areas) -> Floats:
        """How much of each condition's k the points of its own flap setting tell, the rest the other settings, shape (conditions,)."""
        lift, _, error = areas
        own = self._told(1 / error[np.newaxis] ** 2, lift**2)[0]
        others = 1 / self.spread(areas) ** 2 if len(own) > 1 else 0.0
        return np.asarray((own / (own + others))[self.flap_of])

    def _told(self, weights: Floats, square: Floats) -> Floats:
        """What rows of weights, shape (n, points), tell of the k of each flap setting inside its conditions, (n, flap settings)."""
        condition = np.eye(len(self.flap_of))[self.member]
        total, first = weights @ condition, (weights * square) @ condition
        spread = (weights * square**2) @ condition - first**2 / np.where(total > 0, total, 1.0)
        return np.asarray(spread @ np.eye(int(self.flap_of.max()) + 1)[self.flap_of])


def layout_of(flaps: Sequence[str], counts: Sequence[int]) -> Layout:
    """The layout of conditions in their order, from each one's flap setting and number of points."""
    settings = sorted(set(flaps))
    flap_of = np.array([settings.index(one) for one in flaps], dtype=np.int64)
    member = np.repeat(np.arange(len(flaps)), counts)
    return Layout(member, flap_of[member], flap_of)
