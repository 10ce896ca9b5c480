"""How well the stretches of a recorder agree with what is known, for any clock error of each of them.

A witness weighs one way the clock may have run: every stretch has the common error plus what the
clock was set by before it. The weight is a log-likelihood over the common errors, on one grid of
whole seconds, so that witnesses can be added and ways compared.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from ...shared.recording import Floats
from .air import GRID_S, Balance
from .drivers import Drivers
from .series import Signal
from .shared_channel import CORRELATION_S, EVIDENCE, GUARD_S, SEARCH_S, Comparison

REACH = int(SEARCH_S)
ERRORS_S = np.arange(-REACH, REACH + 1, dtype=np.float64)  # common clock errors that are weighed
THIN = 4  # rows of the balance's grid taken: half a box apart
NEAR = 6  # a shared quantity is weighed this many seconds around its own answer
LEAST_MISFIT = 0.005  # below half a per cent both agree perfectly


def likeliest_error(weight: Floats) -> float | None:
    """The best of ERRORS_S when it beats every distant one that was weighed, else None."""
    if not np.isfinite(weight).any():
        return None
    best = int(np.nanargmax(weight))
    far = np.isfinite(weight) & (np.abs(ERRORS_S - ERRORS_S[best]) > GUARD_S)
    if far.any() and weight[best] - weight[far].max() < EVIDENCE / 2:
        return None
    return float(ERRORS_S[best])


class Witness(Protocol):
    """Something that weighs clock errors."""

    def weigh(self, set_s: Sequence[int]) -> Floats:
        """Log-likelihood over ERRORS_S; set_s: seconds every stretch's clock is ahead of the first's; NaN untold."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class ResponseWitness:
    """The airframe's response: one linear model for all stretches.

    sums: (errors, stretches, q, q), products of all columns of the model (base, drivers, measured)
    with each other, summed over the rows of each stretch. rows: (errors, stretches).
    """

    sums: Floats
    rows: NDArray[np.int64]
    base: int

    def weigh(self, set_s: Sequence[int]) -> Floats:
        """See Witness."""
        place = np.arange(len(ERRORS_S))[:, None] + np.asarray(set_s)[None, :]
        inside = (place >= 0) & (place < len(ERRORS_S))
        place = np.where(inside, place, 0)
        which = np.arange(len(set_s))[None, :]
        rows = np.where(inside, self.rows[place, which], 0)
        total = np.where(inside[:, :, None, None], self.sums[place, which], 0.0).sum(axis=1)
        count = rows.sum(axis=1)
        enough = count >= max(0.5 * count.max(), 4 * self.sums.shape[-1])
        out = np.full(len(ERRORS_S), np.nan)
        if enough.any():
            left = _left(total[enough], total.shape[-1] - 1) / _left(total[enough], self.base)
            looks = count[enough] * THIN * GRID_S / CORRELATION_S
            out[enough] = -0.5 * looks * np.log(np.clip(left, 1e-6, 1.0))
        return out


def _left(total: Floats, columns: int) -> Floats:
    """What a model of the first `columns` columns leaves of the last one, squared, (m,)."""
    matrix = total[:, :columns, :columns].copy()
    right = total[:, :columns, -1]
    diagonal = np.arange(columns)
    matrix[:, diagonal, diagonal] = matrix[:, diagonal, diagonal] * (1 + 1e-8) + 1e-9
    beta = np.linalg.solve(matrix, right[:, :, None])[:, :, 0]
    return np.asarray(np.maximum(total[:, -1, -1] - np.sum(beta * right, axis=1), 1e-12))


def response_witness(balance: Balance, drivers: Drivers, bounds: Sequence[float]) -> ResponseWitness:
    """bounds: (stretches - 1,), times of the drivers' recorder between one stretch and the next."""
    thin = np.flatnonzero(balance.usable)[::THIN]
    time_s, base, measured = balance.time_s[thin], balance.base[thin], balance.left[thin]
    powers = balance.speed[thin, None] ** drivers.exponents
    width, stretches = base.shape[1] + powers.shape[1] + 1, len(bounds) + 1
    sums = np.zeros((len(ERRORS_S), stretches, width, width))
    rows = np.zeros((len(ERRORS_S), stretches), dtype=np.int64)
    shifted = _Shifted(drivers, time_s)
    for place, error_s in enumerate(ERRORS_S):
        columns = shifted.by(error_s)
        good = np.flatnonzero(np.isfinite(columns[:, 0]))
        whole = np.column_stack([base[good], columns[good] * powers[good], measured[good]])
        cuts = np.searchsorted(time_s[good] + error_s, bounds)
        for stretch, part in enumerate(np.split(whole, cuts)):
            sums[place, stretch], rows[place, stretch] = part.T @ part, len(part)
    return ResponseWitness(sums, rows, base.shape[1])


class _Shifted:
    """Drivers at times of the balance's grid, moved by whole seconds: both lie on multiples of GRID_S."""

    def __init__(self, drivers: Drivers, time_s: Floats) -> None:
        known = np.rint(drivers.signal.time_s / GRID_S).astype(np.int64)
        wanted = np.rint(time_s / GRID_S).astype(np.int64)
        margin = round(REACH / GRID_S)
        first = min(known[0], wanted[0] - margin)
        count = max(known[-1], wanted[-1] + margin) - first + 1
        self._dense = np.full((count, drivers.signal.values.shape[1]), np.nan)
        self._dense[known - first] = drivers.signal.values
        self._wanted = wanted - first

    def by(self, error_s: float) -> Floats:
        """(len(time_s), k), NaN where the recorder says nothing."""
        return np.asarray(self._dense[self._wanted + round(error_s / GRID_S)])


@dataclass(frozen=True, slots=True, eq=False)
class SharedWitness:
    """A quantity both recorders hold. lead: the stretch whose own clock error is known: lead_s."""

    own: Signal
    reference: Signal
    how: Comparison
    bounds: tuple[float, ...]
    lead: int
    lead_s: float

    def weigh(self, set_s: Sequence[int]) -> Floats:
        """See Witness; only errors near the one the lead stretch shows."""
        out = np.full(len(ERRORS_S), np.nan)
        middle = round(self.lead_s) - set_s[self.lead] + REACH
        for place in range(max(middle - NEAR, 0), min(middle + NEAR + 1, len(ERRORS_S))):
            out[place] = self._weight(float(ERRORS_S[place]), set_s)
        return out

    def _weight(self, error_s: float, set_s: Sequence[int]) -> float:
        """Laplace likelihood of the misfit, as the coarse search weighs it."""
        misfit, spread, rows = 0.0, 0.0, 0
        edges = [-np.inf, *self.bounds, np.inf]
        first, last = self.own.time_s[0], self.own.time_s[-1]
        for stretch, ahead_s in enumerate(set_s):
            low, high = max(first, edges[stretch]), min(last, edges[stretch + 1])
            time_s = np.arange(np.ceil(low), high)
            a, b = self.own.at(time_s), self.reference.at(time_s - error_s - ahead_s)
            good = np.isfinite(a).all(axis=1) & np.isfinite(b).all(axis=1)
            if good.sum() < 10:
                continue
            a, b = a[good], b[good]
            misfit += _misfit(a - b, self.own.turn, bias=self.how.bias)
            spread += float(sum(np.abs(x - np.median(x, axis=0)).sum() for x in (a, b)))
            rows += len(a)
        if spread <= 0.0:
            return float("nan")
        return -rows / CORRELATION_S * float(np.log(np.clip(misfit / spread, LEAST_MISFIT, 1.0)))


def _misfit(difference: Floats, turn: float, *, bias: bool) -> float:
    if turn:
        difference = (difference + turn / 2) % turn - turn / 2
    if bias:
        difference = difference - np.median(difference, axis=0)
    return float(np.abs(difference).sum())
