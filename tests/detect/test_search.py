"""Change points: brute-force oracles, published annotated series, and properties every search must have."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
import ruptures
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from tests.change_scores import ANNOTATIONS, SERIES, covering, f1, load
from trimshot.detect.changepoints import (
    LARGEST_FACTOR,
    PENALTY_FACTOR,
    drawn_in,
    find_changes,
    long_run_share,
    noise_scale,
)
from trimshot.detect.cost import LineCost, MeanCost
from trimshot.detect.kernel import kernel_search
from trimshot.detect.search import Search, two_line_gain, two_line_search

SEARCHES: list[Search] = [two_line_search, kernel_search]
Floats = NDArray[np.float64]


def optimum(cost: LineCost | MeanCost, penalty: float, minimum: int) -> tuple[list[int], float]:
    """Exact dynamic programme over all sets of change points: the oracle."""
    n = cost.length
    best, last = np.full(n + 1, np.inf), np.zeros(n + 1, int)
    best[0] = -penalty
    for stop in range(minimum, n + 1):
        for first in [0, *range(minimum, stop - minimum + 1)]:
            if stop - first < minimum or not np.isfinite(best[first]):
                continue
            total = best[first] + penalty + float(cost.error(np.array([first]), np.array([stop]))[0])
            if total < best[stop] - 1e-12:
                best[stop], last[stop] = total, first
    changes, at = [], n
    while last[at] > 0:
        at = last[at]
        changes.append(int(at))
    return changes[::-1], float(best[n])


def description(cost: LineCost | MeanCost, changes: Sequence[int], penalty: float) -> float:
    borders = np.array([0, *changes, cost.length])
    return float(cost.error(borders[:-1], borders[1:]).sum()) + penalty * len(changes)


def broken_line(rng: np.random.Generator, n: int, channels: int, noise: float) -> tuple[Floats, list[int]]:
    """Straight pieces with jumps and bends of at least eight noise widths, and where they break."""
    count = rng.integers(1, 4)
    changes = np.sort(rng.choice(np.arange(1, n // 12), count, replace=False)) * 12
    rows = np.zeros((channels, n))
    for row in rows:
        level = 0.0
        for first, stop in zip([0, *changes], [*changes, n], strict=True):
            level += rng.choice([-1, 1]) * rng.uniform(8, 15)
            row[first:stop] = level + rng.choice([-1, 0, 1]) * 0.5 * np.arange(stop - first)
    return rows + noise * rng.standard_normal(rows.shape), [int(c) for c in changes]


@pytest.mark.parametrize("seed", range(12))
def test_the_line_cost_equals_a_fit(seed: int) -> None:
    rng = np.random.default_rng(seed)
    signals = rng.standard_normal((3, 30)).cumsum(axis=1)
    cost, mean = LineCost(signals), MeanCost(signals)
    for first in range(0, 30, 3):
        for stop in range(first + 1, 31, 4):
            part = signals[:, first:stop]
            x = np.arange(stop - first)
            fits = [np.polyval(np.polyfit(x, row, min(1, len(x) - 1)), x) for row in part]
            expected = sum(float(((row - fit) ** 2).sum()) for row, fit in zip(part, fits, strict=True))
            assert cost.error(np.array([first]), np.array([stop]))[0] == pytest.approx(expected, abs=1e-7)
            spread = float(((part - part.mean(axis=1, keepdims=True)) ** 2).sum())
            assert mean.error(np.array([first]), np.array([stop]))[0] == pytest.approx(spread, abs=1e-7)


def test_the_gain_of_two_lines_is_what_the_fits_gain() -> None:
    rng = np.random.default_rng(5)
    signals = rng.standard_normal((2, 60)).cumsum(axis=1)
    cost, width = LineCost(signals), 8
    gain = two_line_gain(cost, [width])
    for at in range(width, 60 - width + 1):
        a, b, c = np.array([at - width]), np.array([at]), np.array([at + width])
        expected = cost.error(a, c) - cost.error(a, b) - cost.error(b, c)
        if at < 60:
            assert gain[at] == pytest.approx(float(expected[0]), abs=1e-8)


@pytest.mark.parametrize("seed", range(20))
def test_the_two_line_search_finds_the_optimum_of_clear_changes(seed: int) -> None:
    rng = np.random.default_rng(seed)
    signals, _ = broken_line(rng, 72, 2, 0.5)
    cost, penalty = LineCost(signals), 60.0
    wanted, least = optimum(cost, penalty, 4)
    found = two_line_search(signals, penalty, 4, widths=(6, 12)).tolist()
    assert found == wanted
    assert description(cost, found, penalty) == pytest.approx(least, rel=1e-9)


@pytest.mark.parametrize("seed", range(10))
def test_the_kernel_search_finds_the_optimum(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    signals = np.repeat(rng.normal(0, 3, (2, 6)), 8, axis=1) + rng.standard_normal((2, 48))
    cost, penalty = MeanCost(signals), 12.0
    _, least = optimum(cost, penalty, 2)
    found = kernel_search(signals, penalty, 2).tolist()
    assert description(cost, found, penalty) == pytest.approx(least, rel=1e-9)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.floats(-1e4, 1e4), st.floats(0.01, 100))
def test_offset_and_scale_do_not_matter(seed: int, offset: float, scale: float) -> None:
    signals, _ = broken_line(np.random.default_rng(seed), 96, 2, 0.3)
    plain = find_changes({"a": signals[0], "b": signals[1]}, factor=5)
    moved = find_changes({"a": signals[0] * scale + offset, "b": signals[1] * scale}, factor=5)
    assert np.array_equal(plain, moved)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000))
def test_a_removed_or_moved_change_is_never_better(seed: int) -> None:
    signals, _ = broken_line(np.random.default_rng(seed), 120, 2, 1.0)
    cost, penalty = LineCost(signals), 40.0
    found = two_line_search(signals, penalty, 3).tolist()
    own = description(cost, found, penalty)
    for k, change in enumerate(found):
        rest = found[:k] + found[k + 1 :]
        assert description(cost, rest, penalty) >= own - 1e-6
        for other in (change - 1, change + 1):
            moved = sorted([*rest, other])
            if np.diff([0, *moved, 120]).min() >= 3:
                assert description(cost, moved, penalty) >= own - 1e-6


@pytest.mark.parametrize("seed", range(6))
def test_backwards_in_time_the_clear_changes_are_the_same(seed: int) -> None:
    signals, changes = broken_line(np.random.default_rng(seed), 96, 2, 0.1)
    forward = two_line_search(signals, 60.0, 4)
    backward = 96 - two_line_search(signals[:, ::-1], 60.0, 4)[::-1]
    assert forward.tolist() == changes
    assert np.array_equal(forward, backward)


@pytest.mark.parametrize("search", SEARCHES)
@pytest.mark.parametrize(
    ("values", "expected"),
    [([0, 0, 0, 1, 1, 1], [3]), ([0] * 60, []), ([0] * 33 + [1] * 27, [33]), ([1.0], []), ([], []), ([2.0, 3.0], [])],
)
def test_short_and_flat_signals(search: Search, values: list[float], expected: list[int]) -> None:
    # a six-row session, a switch that never moves, one that moves once: no invented change, no stride, no error
    found = find_changes({"gear": np.array(values, dtype=float)}, search=search, factor=5)
    assert found.tolist() == expected


def test_a_gap_is_no_change() -> None:
    signal = np.full(100, 5.0) + 0.01 * np.random.default_rng(0).standard_normal(100)
    signal[40:55] = np.nan
    assert find_changes({"a": signal}).tolist() == []
    signal[75:] += 3.0
    assert find_changes({"a": signal}).tolist() == [75]
    assert noise_scale(np.full(10, np.nan)) == 0.0


# ---- published annotations: metrics and worked examples of van den Burg & Williams, arXiv 2003.06222 ----


def test_the_metrics_give_the_published_worked_examples() -> None:
    three = {1: [10, 20], 2: [11, 20], 3: [10], 4: [0, 5]}
    assert f1(three, [10, 20]) == pytest.approx(1.0, abs=1e-12)
    assert f1({1: [], 2: [10], 3: [50]}, [10]) == pytest.approx(0.9090909090909091, abs=1e-12)
    assert f1({1: [], 2: [10], 3: [50]}, []) == pytest.approx(0.8, abs=1e-12)
    assert covering({1: [10, 20], 2: [10], 3: [0, 5]}, [10, 20], 45) == pytest.approx(0.7962962962962963, abs=1e-12)
    assert covering({1: [], 2: [10], 3: [40]}, [10], 45) == pytest.approx(0.7954144620811286, abs=1e-12)
    assert covering({1: [], 2: [10], 3: [40]}, [], 45) == pytest.approx(0.8189300411522634, abs=1e-12)


def test_no_changes_at_all_scores_what_was_published() -> None:
    # TCPDBench output/scores, method "zero", well_log: F1 0.237023, cover 0.224575
    marks, series = ANNOTATIONS["well_log"], load("well_log")
    assert f1(marks, []) == pytest.approx(0.237023, abs=1e-6)
    assert covering(marks, [], len(series)) == pytest.approx(0.224575, abs=1e-6)


# TCPDBench output/scores at default settings, well_log: F1 and covering
PUBLISHED_WELL_LOG = {"PELT": (0.5546, 0.6786), "BINSEG": (0.5342, 0.6954)}


def textbook_changes(series: Floats) -> list[int]:
    """Exact mean shifts by another program: the series in its own deviations, penalty 3 log n, the library's search."""
    scaled = (series - series.mean()) / series.std(ddof=1)
    return [int(i) for i in ruptures.KernelCPD("linear", min_size=2).fit(scaled).predict(pen=3 * np.log(len(scaled)))][
        :-1
    ]


@pytest.mark.parametrize("search", SEARCHES)
def test_default_settings_are_not_below_the_published_defaults(search: Search) -> None:
    marks, series = ANNOTATIONS["well_log"], load("well_log")
    found = find_changes({"x": series}, search=search).tolist()
    for published_f1, published_cover in PUBLISHED_WELL_LOG.values():
        assert f1(marks, found) > published_f1
        assert covering(marks, found, len(series)) > published_cover


@pytest.mark.parametrize("name", SERIES)
def test_default_settings_are_not_below_the_textbook_on_any_annotated_series(name: str) -> None:
    marks, series = ANNOTATIONS[name], load(name)
    found, textbook = find_changes({"x": series}).tolist(), textbook_changes(series)
    assert f1(marks, found) >= f1(marks, textbook)
    assert covering(marks, found, len(series)) >= covering(marks, textbook, len(series)) - 1e-9


@pytest.mark.parametrize("memory", [0.0, 0.3, 0.6, 0.8])
def test_the_memory_of_noise_is_told_and_steps_do_not_hide_it(memory: float) -> None:
    rng = np.random.default_rng(int(100 * memory))
    noise = np.zeros(6000)
    for i, shock in enumerate(rng.standard_normal(6000)):
        noise[i] = memory * noise[i - 1] + shock
    expected = (1 + memory) / (1 - memory)  # long-run variance of a first-order scheme, known by algebra
    steps = 8.0 * (np.arange(6000) // 500 % 2)
    assert long_run_share(noise) == pytest.approx(expected, rel=0.2)
    assert long_run_share(noise + steps) == pytest.approx(expected, rel=0.2)


def test_the_memory_of_noise_has_bounds() -> None:
    rng = np.random.default_rng(2)
    largest = LARGEST_FACTOR / PENALTY_FACTOR
    assert long_run_share(rng.standard_normal(6000).cumsum()) == pytest.approx(largest, rel=0.01)
    assert long_run_share(np.repeat([0.0, 1.0], 50)) == long_run_share(np.array([1.0, 2.0, 1.5])) == 1.0
    assert long_run_share(np.full(9, np.nan)) == 1.0


def test_noise_with_memory_is_not_taken_for_changes() -> None:
    found = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        noise = np.zeros(1000)
        for i, shock in enumerate(rng.standard_normal(1000)):
            noise[i] = 0.7 * noise[i - 1] + shock
        found.append(len(find_changes({"x": noise})))
    assert sum(count > 0 for count in found) <= 4


def test_a_wild_sample_is_drawn_in_and_a_step_is_not() -> None:
    signal = np.concatenate((np.zeros(40), np.full(40, 10.0)))
    signal[20] = 500.0
    signal[60:62] = np.nan
    got = drawn_in(signal, 0.5)
    expected = np.where(np.arange(80) == 20, 1.5, signal)
    assert np.array_equal(got, expected, equal_nan=True)
    rng = np.random.default_rng(5)
    noisy = 0.5 * rng.standard_normal(400)
    wild = noisy.copy()
    wild[[50, 51, 180, 300]] += 60.0
    assert find_changes({"x": wild}, factor=5).tolist() == find_changes({"x": noisy}, factor=5).tolist() == []


@pytest.mark.parametrize("name", ["quality_control_1", "quality_control_2", "quality_control_3", "quality_control_5"])
def test_the_series_with_known_answers_are_answered(name: str) -> None:
    # one known change each (the fifth has none); most annotators agree within five samples
    found = find_changes({"x": load(name)}).tolist()
    assert f1(ANNOTATIONS[name], found) == pytest.approx(1.0)


def test_the_same_answer_twice() -> None:
    series = load("well_log")
    assert np.array_equal(find_changes({"x": series}), find_changes({"x": series.copy()}))
