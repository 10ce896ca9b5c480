"""Window arithmetic against plain NumPy, and the window search against trying every set of windows."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from trimshot.detect.windows import Family, Series, best_windows, lattice_lengths, next_true

SAMPLES = st.lists(st.one_of(st.floats(-20, 20), st.just(float("nan"))), min_size=1, max_size=40)


@settings(max_examples=80, deadline=None)
@given(SAMPLES, st.data())
def test_every_measure_equals_numpy_on_the_slice(values: list[float], data: st.DataObject) -> None:
    series = Series(np.array(values))
    first = data.draw(st.integers(0, len(values) - 1))
    stop = data.draw(st.integers(first + 1, len(values)))
    i, j = np.array([first]), np.array([stop])
    part = np.array(values)[first:stop]
    known = np.isfinite(part)
    assert series.count(i, j)[0] == known.sum()
    if not known.any():
        assert np.isnan(series.mean(i, j)[0]) and series.width(i, j)[0] == 0.0
        return
    assert series.mean(i, j)[0] == pytest.approx(part[known].mean(), abs=1e-9)
    assert series.deviation(i, j)[0] == pytest.approx(part[known].std(), abs=1e-6)
    assert series.highest(i, j)[0] == part[known].max()
    assert series.lowest(i, j)[0] == part[known].min()
    if known.sum() > 1:
        expected = np.polyfit(np.flatnonzero(known), part[known], 1)[0]
        assert series.slope(i, j)[0] == pytest.approx(expected, abs=1e-6)


@settings(max_examples=80, deadline=None)
@given(SAMPLES, st.floats(0, 30), st.booleans())
def test_the_reach_is_the_last_stop_a_loop_finds(values: list[float], width: float, gaps: bool) -> None:
    array = np.array(values)
    starts = np.arange(len(values))
    got = Series(array).reach(starts, width, gaps=gaps)
    for start in starts:
        stop = start
        while stop < len(values):
            part = array[start : stop + 1]
            part = part[np.isfinite(part)] if gaps else part
            if np.isnan(part).any() or (len(part) and part.max() > part.min() + width):
                break
            stop += 1
        assert got[start] == stop


def test_the_next_true_place() -> None:
    assert next_true(np.array([0, 1, 0, 0, 1, 0], dtype=bool)).tolist() == [1, 1, 4, 4, 4, 6]
    assert next_true(np.array([1, 1], dtype=bool)).tolist() == [0, 1]
    assert next_true(np.zeros(2, dtype=bool)).tolist() == [2, 2]
    assert next_true(np.zeros(0, dtype=bool)).tolist() == []


def test_the_lengths_of_the_lattice() -> None:
    assert lattice_lengths(3, 20, 6, 5).tolist() == [3, 4, 5, 6, 11, 16, 20]
    assert lattice_lengths(15, 15, 60, 5).tolist() == [15]


Floats = NDArray[np.float64]


def worth_of(weights: Floats, chosen: Iterable[tuple[int, int]], cost: float) -> float:
    return sum(float((stop - first) * weights[first, stop]) - cost for first, stop in chosen)


def brute_force(weights: Floats, n: int, shortest: int, longest: int, cost: float) -> float:
    """Every set of windows that do not overlap: the oracle."""
    good = [
        (first, first + length)
        for first in range(n)
        for length in range(shortest, longest + 1)
        if first + length <= n and weights[first, first + length] > 0
    ]
    best = 0.0
    for size in range(1, n // shortest + 1):
        for chosen in combinations(good, size):
            if all(a[1] <= b[0] for a, b in pairwise(chosen)):
                best = max(best, worth_of(weights, chosen, cost))
    return best


@pytest.mark.parametrize("seed", range(25))
def test_the_search_finds_the_best_set_there_is(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n, step, cost = 13, 5, float(rng.choice([0.5, 2.0]))
    weights = np.where(rng.random((n + 1, n + 1)) < 0.35, rng.uniform(0.5, 1, (n + 1, n + 1)), 0.0)
    starts = np.arange(n, dtype=np.int64) * step
    family = Family("any", np.full(n, n * step), lambda i, j: weights[i // step, j // step])
    found = best_windows([family], starts, step=step, lengths=np.arange(3, 8), cost=cost)
    chosen = [(w.first // step, w.stop // step) for w in found]
    assert all(a[1] <= b[0] for a, b in pairwise(chosen))
    assert worth_of(weights, chosen, cost) == pytest.approx(brute_force(weights, n, 3, 7, cost))


def test_two_families_share_the_time_and_nothing_is_found_in_nothing() -> None:
    starts = np.arange(40, dtype=np.int64)
    left = Family("left", np.where(starts < 20, 20, 0), lambda i, j: np.where(j <= 20, 1.0, 0.0))
    right = Family("right", np.full(40, 40), lambda i, j: np.where(i >= 15, 0.9, 0.0))
    found = best_windows([left, right], starts, step=1, lengths=np.arange(5, 31), cost=2.0)
    assert [(w.first, w.stop, w.family) for w in found] == [(0, 20, "left"), (20, 40, "right")]
    none = Family("none", np.full(40, 40), lambda i, j: np.zeros(len(i)))
    assert best_windows([none], starts, step=1, lengths=np.arange(5, 31), cost=2.0) == []


def test_a_long_good_stretch_is_one_window_and_not_several() -> None:
    starts = np.arange(100, dtype=np.int64)
    family = Family("any", np.full(100, 100), lambda i, j: 1.0 - 0.05 * (j - i) / 100)
    found = best_windows([family], starts, step=1, lengths=np.arange(15, 101), cost=12.0)
    assert [(w.first, w.stop) for w in found] == [(0, 100)]
