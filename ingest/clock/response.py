"""Time shift of a recorder that shares no quantity with the others: the airframe's response tells.

The measured side of a balance is explained by a linear model of what the main recorder holds and
of the other recorder's channels shifted in time; the shift that explains most is the clock's error.
The first guess comes from `witnesses`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ...shared.recording import Floats
from .air import LEAST_ROWS, Balance
from .drivers import Drivers
from .line import ClockLine, Shifts, fit_line
from .shared_channel import Comparison, solve_windows

STEPS = 5
NEAR_S = 6.0  # an answer further from the likeliest clock error than this is another minimum

# the airframe answers at once, instruments do not quite: what is left of their lags, one standard deviation
HOW: dict[str, Comparison] = {
    "energy_climb_rate": Comparison(bias=True, floor_s=0.25, wander=0.5, window_s=60.0),
    "pitch": Comparison(bias=True, floor_s=0.35, wander=0.5, window_s=60.0),
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


def fine_response(balance: Balance, drivers: Drivers, start_s: float) -> ClockLine | None:
    """Clock error of the drivers' recorder from a first guess good to a second or two.

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
        if found is None or abs(float(found.error_at(np.array([found.middle_s]))[0]) - start_s) > NEAR_S:
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
