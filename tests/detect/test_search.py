"""Change points: brute-force oracles, published annotated series, and properties every search must have."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from trimshot.detect.changepoints import drawn_in, find_changes, noise_scale
from trimshot.detect.cost import LineCost, MeanCost
from trimshot.detect.kernel import kernel_search
from trimshot.detect.search import Search, two_line_gain, two_line_search

DATA = Path(__file__).parents[1] / "data" / "changepoints"
SEARCHES: list[Search] = [two_line_search, kernel_search]
Floats = NDArray[np.float64]
Marks = Mapping[Any, Sequence[int]]


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


def f1(annotations: Marks, changes: Iterable[int], margin: int = 5) -> float:
    """F1 with 0 added to every set, precision against the union, recall averaged over annotators (TCPDBench)."""
    marks = {k: {0, *v} for k, v in annotations.items()}
    found = {0, *changes}
    precision = len(hits(set().union(*marks.values()), found, margin)) / len(found)
    recall = float(np.mean([len(hits(m, found, margin)) / len(m) for m in marks.values()]))
    return 2 * precision * recall / (precision + recall)


def hits(marks: set[int], found: set[int], margin: int) -> set[int]:
    left, out = set(found), set[int]()
    for mark in sorted(marks):
        near = [(abs(mark - x), x) for x in left if abs(mark - x) <= margin]
        if near:
            left.remove(min(near)[1])
            out.add(mark)
    return out


def covering(annotations: Marks, found: Iterable[int], n: int) -> float:
    """Mean over annotators of the length-weighted best Jaccard index (TCPDBench)."""

    def parts(changes: Iterable[int]) -> list[set[int]]:
        borders = [0, *sorted(set(changes) - {0}), n]
        return [set(range(a, b)) for a, b in pairwise(borders)]

    theirs = parts(found)
    each = [
        sum(len(a) * max(len(a & b) / len(a | b) for b in theirs) for a in parts(marks)) / n
        for marks in annotations.values()
    ]
    return float(np.mean(each))


def test_the_metrics_give_the_published_worked_examples() -> None:
    three = {1: [10, 20], 2: [11, 20], 3: [10], 4: [0, 5]}
    assert f1(three, [10, 20]) == pytest.approx(1.0, abs=1e-12)
    assert f1({1: [], 2: [10], 3: [50]}, [10]) == pytest.approx(0.9090909090909091, abs=1e-12)
    assert f1({1: [], 2: [10], 3: [50]}, []) == pytest.approx(0.8, abs=1e-12)
    assert covering({1: [10, 20], 2: [10], 3: [0, 5]}, [10, 20], 45) == pytest.approx(0.7962962962962963, abs=1e-12)
    assert covering({1: [], 2: [10], 3: [40]}, [10], 45) == pytest.approx(0.7954144620811286, abs=1e-12)
    assert covering({1: [], 2: [10], 3: [40]}, [], 45) == pytest.approx(0.8189300411522634, abs=1e-12)


def load(name: str) -> Floats:
    file = json.loads((DATA / f"{name}.json").read_text(encoding="utf-8"))
    return np.array(file["series"][0]["raw"], dtype=float)


ANNOTATIONS: dict[str, dict[str, list[int]]] = json.loads((DATA / "annotations.json").read_text(encoding="utf-8"))


def test_no_changes_at_all_scores_what_was_published() -> None:
    # TCPDBench output/scores, method "zero", well_log: F1 0.237023, cover 0.224575
    marks, series = ANNOTATIONS["well_log"], load("well_log")
    assert f1(marks, []) == pytest.approx(0.237023, abs=1e-6)
    assert covering(marks, [], len(series)) == pytest.approx(0.224575, abs=1e-6)


def test_well_log_against_the_published_scores_of_other_methods() -> None:
    # F1 at default settings (TCPDBench): BINSEG 0.5342, PELT 0.5546; at the best of many settings: PELT 0.9120; the
    # library's binary segmentation of the plain series, best of ten penalties, has 0.867 (computed with ruptures 1.1.10)
    marks, series = ANNOTATIONS["well_log"], load("well_log")
    assert f1(marks, find_changes({"x": series}, factor=2).tolist()) > 0.867
    assert f1(marks, find_changes({"x": series}, factor=10, search=kernel_search).tolist()) > 0.9120


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
    found = find_changes({"x": load(name)}, factor=10, search=kernel_search).tolist()
    assert f1(ANNOTATIONS[name], found) == pytest.approx(1.0)


def test_the_same_answer_twice() -> None:
    series = load("well_log")
    assert np.array_equal(find_changes({"x": series}, factor=2), find_changes({"x": series.copy()}, factor=2))
