"""Windows that are not measured because they cannot be in the best set: the answer is that of measuring all."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from trimshot.detect.criteria import FAMILIES, weigh_windows
from trimshot.detect.pruning import least_lengths, stretches_of
from trimshot.detect.quantities import Quantities, quantities_of
from trimshot.detect.signal import Grid
from trimshot.detect.windows import Family, best_windows
from trimshot.shared.settings import PointCriteria

LENGTHS = np.arange(6, 61)
COST = 5.0


def best_worth(weight: NDArray[np.float64], reach: NDArray[np.int64]) -> float:
    """The largest total of length times weight less cost over windows that do not overlap, window by window."""
    n = len(reach)
    total = np.zeros(n + int(LENGTHS[-1]) + 1)
    for first in range(n - 1, -1, -1):
        lengths = LENGTHS[first + LENGTHS <= reach[first]]
        ways = lengths * weight[first, lengths] - COST + total[first + lengths]
        total[first] = max([total[first + 1], *ways.tolist()])
    return float(total[0])


@pytest.mark.parametrize("seed", range(8))
def test_the_best_set_is_found_although_few_windows_are_measured(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = 400
    edges = np.sort(rng.choice(np.arange(1, n), 12, replace=False))  # no window crosses one of these
    reach = np.append(edges, n)[np.searchsorted(edges, np.arange(n), side="right")]
    rough = rng.uniform(0.0, 1.0, n) ** 4
    spread = np.concatenate(([0.0], np.cumsum(rough)))
    weight = np.zeros((n, LENGTHS[-1] + 1))
    for length in LENGTHS:
        first = np.arange(n - length + 1)
        weight[first, length] = np.clip(1.0 - 0.5 * (spread[first + length] - spread[first]) / length, 0.0, 1.0)
    measured: list[int] = []

    def weigh(i: NDArray[np.int64], j: NDArray[np.int64]) -> NDArray[np.float64]:
        measured.append(len(i))
        return np.asarray(weight[i, j - i], dtype=np.float64)

    found = best_windows([Family("any", reach, weigh)], np.arange(n), step=1, lengths=LENGTHS, cost=COST)
    assert sum((w.stop - w.first) * w.weight - COST for w in found) == pytest.approx(best_worth(weight, reach))
    every = int(np.count_nonzero(np.arange(n)[:, None] + LENGTHS <= reach[:, None]))
    assert sum(measured) < 0.95 * every


def test_stretches_end_where_no_window_goes_on() -> None:
    # a window 0..3, one 2..5, none at 5, one 6..8
    stretches = stretches_of(np.array([3, 1, 5, 3, 4, 5, 8, 7]))
    assert stretches.first.tolist() == [0, 5, 6] and stretches.stop.tolist() == [5, 5, 8]
    assert stretches.member.tolist() == [0, 0, 0, 0, 0, 1, 2, 2]
    assert stretches.worths(np.array([0, 2, 6]), np.array([1.0, 2.0, 4.0])).tolist() == [3.0, 0.0, 4.0]


def test_what_is_worth_less_than_a_set_already_found_is_not_measured() -> None:
    stretches = stretches_of(np.concatenate((np.full(100, 100),)))
    least = least_lengths(stretches, np.array([85.0]), 10.0)
    # from the first step only windows worth 85 alone may do: 95 steps and more, 10 of them the cost
    assert least[0] == pytest.approx(95.0, abs=1e-5)
    assert least[4] == pytest.approx(95.0, abs=1e-5) and least[20] > 80.0  # what is before 20 is worth 10 at most


def quantities(seed: int) -> Quantities:
    """Twenty minutes of an aircraft whose speed, height and rpm wander, some of it steady."""
    rng = np.random.default_rng(seed)
    n = 6000
    wander = np.cumsum(rng.normal(0.0, 0.02, n)) * rng.uniform(0.0, 1.0)
    columns = {
        "calibrated_airspeed": 45.0 + wander + rng.normal(0.0, 0.1, n),
        "true_airspeed": 50.0 + wander + rng.normal(0.0, 0.1, n),
        "pressure_altitude": 1000.0 + np.cumsum(0.4 * np.sin(np.arange(n) / 700.0) + 0.02 * rng.normal(0.0, 1.0, n)),
        "engine_speed": 40.0 + 0.3 * wander + 0.2 * np.sin(np.arange(n) / 400.0) + 0.01 * rng.normal(0.0, 1.0, n),
    }
    columns["pressure_altitude"][100:103] = np.nan
    grid = Grid(0.2, np.linspace(0.0, 0.2 * (n - 1), n), columns)
    return quantities_of(grid, {}, np.ones(n, dtype=bool))


@pytest.mark.parametrize("seed", range(6))
def test_a_criterion_taken_as_met_is_met(seed: int) -> None:
    q, limits = quantities(seed), PointCriteria()
    rng = np.random.default_rng(seed)
    i = rng.integers(0, 4000, 3000)
    j = i + rng.integers(30, 1500, 3000)
    met = refused = 0
    for family in ("level", "slope"):
        got = weigh_windows(q, family, i, j, limits) > 0
        expected = np.ones(len(i), dtype=bool)
        if family == "slope":
            expected = np.abs(q.climb_rate.mean(i, j)) > limits.level_vertical_speed
        for criterion in FAMILIES[family]:
            measured, allowed = criterion.measure(q, i.copy(), j.copy(), limits)
            expected &= ~(measured > allowed)
        assert np.array_equal(got, expected)
        met, refused = met + int(got.sum()), refused + int((~got).sum())
    assert refused and met
