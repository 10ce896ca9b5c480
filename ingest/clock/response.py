"""Time shift of a recorder that shares no quantity with the others: the airframe's response tells.

The measured side of a balance is explained by a linear model of what the main recorder holds and
of the other recorder's channels shifted in time; the shift that explains most is the clock's error.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ...shared.recording import Floats
from .air import GRID_S, LEAST_ROWS, Balance
from .drivers import Drivers
from .line import ClockLine, Shifts, fit_line
from .shared_channel import CORRELATION_S, EVIDENCE, GUARD_S, SEARCH_S, Comparison, solve_windows

COARSE_S = 2.0
STEPS = 5
APART_S = 5.0  # given starts are searched this far around, and told apart only beyond it
FEW_EVIDENCE = 2.0  # e^2: odds of seven to one between two ways a clock may have run over a gap
THIN = 4  # rows of the grid taken for the coarse search: half a box apart

# the airframe answers at once, instruments do not quite: what is left of their lags, one standard deviation
HOW: dict[str, Comparison] = {
    "energy_climb_rate": Comparison(bias=True, floor_s=0.25, wander=0.5, window_s=60.0),
    "pitch": Comparison(bias=True, floor_s=0.25, wander=0.5, window_s=60.0),
}


# how far unexplained motion as large as the explained may pull the answer (measured on simulated flights)
PULL_S = {"energy_climb_rate": 0.6, "pitch": 0.3}


def explain(balance: Balance, known: Sequence[Drivers]) -> Balance:
    """The balance with the settled recorders' drivers among its regressors, where they cover it."""
    base, usable = balance.base, balance.usable
    for drivers in known:
        columns = drivers.signal.at(balance.time_s) * balance.speed[:, None] ** drivers.exponents
        covered = usable & np.isfinite(columns).all(axis=1)
        if covered.sum() > 0.7 * usable.sum():
            base, usable = np.column_stack([base, columns]), covered
    return Balance(balance.name, balance.time_s, balance.left, balance.speed, base, usable)


def coarse_response(balance: Balance, drivers: Drivers, starts: Sequence[float] = ()) -> float | None:
    """The shift, to two seconds, whose model explains the balance best; None when none stands out.

    starts: when given, only shifts near these are tried, and less evidence is needed to choose.
    """
    thin = np.flatnonzero(balance.usable)[::THIN]
    around = np.arange(-APART_S + 1, APART_S, COARSE_S)
    shifts = np.unique(np.add.outer(starts, around)) if starts else np.arange(-SEARCH_S, SEARCH_S + 1, COARSE_S)
    left = np.full(len(shifts), np.nan)
    rows = np.zeros(len(shifts))
    for place, shift in enumerate(shifts):
        columns = drivers.signal.at(balance.time_s[thin] + shift) * balance.speed[thin, None] ** drivers.exponents
        good = np.isfinite(columns).all(axis=1)
        if good.sum() < max(LEAST_ROWS / THIN, 0.4 * len(thin)):
            continue
        base, measured = balance.base[thin[good]], balance.left[thin[good]]
        _, without = _solve(base, measured)
        _, with_own = _solve(np.column_stack([base, columns[good]]), measured)
        left[place], rows[place] = with_own / without, good.sum()
    if not np.isfinite(left).any():
        return None
    best = int(np.nanargmin(left))
    far = np.isfinite(left) & (np.abs(shifts - shifts[best]) > (APART_S if starts else GUARD_S))
    looks = rows[best] * THIN * GRID_S / CORRELATION_S
    evidence = 0.5 * looks * np.log(left[far] / left[best])
    if not starts and not far.any():
        return None
    if far.any() and evidence.min() < (FEW_EVIDENCE if starts else EVIDENCE / 2):
        return None
    return float(shifts[best])


def fine_response(balance: Balance, drivers: Drivers, start_s: float) -> ClockLine | None:
    """Clock error of the drivers' recorder from a first guess good to a few seconds.

    Its uncertainty allows for the part of the balance that stays unexplained: gusts and the pilot's
    answer to them go with the drivers at a delay, and the less the drivers explain, the more that pulls.
    """
    how = HOW[balance.name]
    line = ClockLine(start_s, 0.0, 0.0, 0.0, 0.0, 0)
    pull_s = 0.0
    for _ in range(STEPS):
        shifts, unexplained = _window_shifts(balance, drivers, line)
        pull_s = PULL_S[balance.name] * float(np.sqrt(unexplained / max(1.0 - unexplained, 1e-3)))
        found = fit_line(shifts, float(np.hypot(how.floor_s * how.wander, 0.5 * pull_s)))
        if found is None or abs(found.offset_s - start_s) > GUARD_S / 2:
            return None
        line = found
    return replace(line, uncertainty_s=float(np.hypot(line.uncertainty_s, pull_s)))


def _solve(base: Floats, measured: Floats) -> tuple[Floats, float]:
    """Least-squares coefficients and mean squared residual."""
    matrix, right = base.T @ base, base.T @ measured
    firm = matrix.copy()
    firm[np.diag_indices_from(firm)] *= 1 + 1e-8
    firm[np.diag_indices_from(firm)] += 1e-9
    beta = np.linalg.solve(firm, right)
    return np.asarray(beta), float(measured @ measured - 2 * beta @ right + beta @ matrix @ beta) / len(measured)


def _window_shifts(balance: Balance, drivers: Drivers, line: ClockLine) -> tuple[Shifts, float]:
    """One Gauss-Newton step in every window, and the share left unexplained; only the other recorder's channels move with the shift."""
    use: NDArray[np.bool_] = balance.usable
    time_s, powers = balance.time_s[use], balance.speed[use][:, None] ** drivers.exponents
    at = time_s + line.error_at(time_s)
    columns, rates = drivers.signal.at(at) * powers, drivers.signal.slopes().at(at) * powers
    good = np.isfinite(columns).all(axis=1) & np.isfinite(rates).all(axis=1)
    if good.sum() < LEAST_ROWS:
        return Shifts(np.zeros(0), np.zeros(0), np.zeros(0)), 1.0
    base = balance.base[use][good]
    whole = np.column_stack([base, columns[good]])
    beta, with_own = _solve(whole, balance.left[use][good])
    _, without = _solve(base, balance.left[use][good])
    slope = rates[good] @ beta[base.shape[1] :]
    error = whole @ beta - balance.left[use][good]
    shifts = solve_windows(time_s[good], error[:, None], (slope[:, None], slope[:, None]), HOW[balance.name], line)
    return shifts, float(np.clip(with_own / max(without, 1e-12), 0.0, 1.0))
