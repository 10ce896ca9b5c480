"""The time axis checks that every format shares, on made-up stamps whose right answer is known by construction."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from trimshot.ingest.raw import RawColumn, RawTime, RawTrack
from trimshot.ingest.timeline import (
    find_duplicates,
    find_gaps,
    find_restarts,
    join_clock_steps,
    mend_late_dates,
    settle_track,
    sort_track,
    spread_equal_stamps,
    unroll_midnight,
    unwrap_counter,
)

Floats = NDArray[np.float64]


def _rows(n: int) -> NDArray[np.int64]:
    return np.arange(2, n + 2)


def _track(seconds: Floats, values: Floats | None = None) -> RawTrack:
    seconds = np.asarray(seconds, np.float64)
    column = RawColumn("x", np.arange(len(seconds), dtype=np.float64) if values is None else values)
    return RawTrack(RawTime("utc", seconds), (column,), _rows(len(seconds)))


@given(st.floats(0, 86399), st.floats(0.1, 20.0), st.integers(10, 400))
def test_midnight_is_unrolled(start: float, step: float, n: int) -> None:
    true: Floats = np.asarray(start + np.arange(n) * step, np.float64)
    out, findings = unroll_midnight(true % 86400.0, _rows(n))
    np.testing.assert_allclose(out, true, atol=1e-6)
    assert sum(f.count for f in findings) == int(true[-1] // 86400)


def test_late_row_around_midnight_is_no_second_day() -> None:
    clock = np.array([86398.0, 86399.0, 0.0, 86399.5, 1.0, 2.0])
    out, findings = unroll_midnight(clock, _rows(6))
    assert list(out) == [86398.0, 86399.0, 86400.0, 86399.5, 86401.0, 86402.0]
    assert findings[0].count == 1


def test_date_that_changes_late_is_mended() -> None:
    true: Floats = np.asarray(86400.0 * 3 - 5 + np.arange(10), np.float64)
    wrong = true.copy()
    wrong[5:8] -= 86400.0  # the date column still shows the day before
    out, findings = mend_late_dates(wrong, _rows(10))
    np.testing.assert_array_equal(out, true)
    assert findings[0].code == "MIDNIGHT_ROLLOVER"


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_counter_wraps(bits: int) -> None:
    true: Floats = np.asarray(2.0**bits - 3000 + np.arange(100) * 100.0, np.float64)
    out, findings = unwrap_counter(true % 2.0**bits, _rows(100))
    np.testing.assert_array_equal(out, true)
    assert findings[0].facts["modulus"] == 2.0**bits


def test_restart_is_not_a_wrap_nor_the_other_way_round() -> None:
    restart = np.concatenate((np.arange(0, 500.0), np.arange(0, 300.0)))
    assert find_restarts(restart) == [500]
    assert unwrap_counter(restart, _rows(800))[1] == []


def test_swapped_rows_are_no_restart() -> None:
    assert find_restarts(np.array([0.0, 1, 4, 3, 2, 5, 6, 7])) == []


def test_clock_set_back_is_joined() -> None:
    true: Floats = np.asarray(np.arange(1600) / 10, np.float64)
    wrong = np.where(np.arange(1600) > 800, true - 37.0, true)
    out, findings = join_clock_steps(wrong, _rows(1600))
    assert (np.diff(out) > 0).all()
    np.testing.assert_allclose(np.diff(out), 0.1, atol=1e-9)
    assert out[-1] == wrong[-1]  # the clock after it is kept
    assert findings[0].code == "CLOCK_STEP"
    assert findings[0].facts["seconds"] == pytest.approx(-37.0, abs=0.1)
    assert findings[0].where == "line 803"


def test_swapped_blocks_are_sorted_not_joined() -> None:
    order = np.array([*range(40, 45), *range(50, 55), *range(45, 50), *range(55, 80)], dtype=float)
    _, findings = join_clock_steps(order, _rows(len(order)))
    assert findings == []
    track, late = sort_track(_track(order))
    assert list(track.time.seconds) == sorted(order)
    assert late[0].code == "TIME_REVERSAL"
    assert late[0].count == 5
    assert list(track.row[5:10]) == [12, 13, 14, 15, 16]


def test_shuffled_rows_are_sorted_quickly_and_stably() -> None:
    shuffled = np.random.default_rng(5).permutation(50_000).astype(float)
    track, findings = settle_track(_track(shuffled))
    assert list(track.time.seconds[:3]) == [0.0, 1.0, 2.0]
    np.testing.assert_array_equal(shuffled[track.row - 2], track.time.seconds)
    assert {f.code for f in findings} == {"TIME_REVERSAL"}


@pytest.mark.parametrize(("rate", "grid", "rows"), [(5, 1.0, 503), (8, 0.5, 403), (8, 1.0, 800), (10, 1.0, 999)])
@pytest.mark.parametrize("phase", [0.0, 0.13, 0.63])
def test_coarse_stamps_are_spread_evenly(rate: int, grid: float, rows: int, phase: float) -> None:
    true: Floats = np.asarray(1000.0 + phase + np.arange(rows) / rate, np.float64)
    stamps = np.floor(true / grid) * grid
    out, resolution, findings = spread_equal_stamps(stamps, _rows(rows), 1.0)
    assert findings[0].code == "COARSE_TIMESTAMP"
    assert findings[0].facts["step_s"] == grid
    assert resolution == max(grid, 1.0)
    # the phase inside a stamp is not known, so a shift of up to one row is allowed; the rate is not
    np.testing.assert_allclose(np.diff(out), 1 / rate, atol=1e-9)
    assert np.abs(out - true).max() <= 1.0 / rate + 1e-9


def test_uneven_rate_keeps_its_mean() -> None:
    true: Floats = np.asarray(1000.0 + np.arange(1000) / 5.3, np.float64)
    out, _, findings = spread_equal_stamps(np.floor(true), _rows(1000), 1.0)
    assert findings[0].level == "note"
    assert (np.diff(out) > 0).all()
    assert np.abs(out - true).max() < 0.25


def test_irregular_counts_are_not_spread() -> None:
    counts = np.random.default_rng(2).integers(1, 12, 60)
    stamps = np.repeat(np.arange(60.0), counts)
    out, _, findings = spread_equal_stamps(stamps, _rows(len(stamps)), 1.0)
    np.testing.assert_array_equal(out, stamps)
    assert findings[0].level == "doubt"


def test_a_stamp_that_stood_still_is_filled_up() -> None:
    true: Floats = np.asarray(np.arange(400) * 0.125, np.float64)
    stuck = true.copy()
    stuck[100:141] = stuck[100]
    out, _, findings = spread_equal_stamps(stuck, _rows(400), 0.001)
    np.testing.assert_allclose(out, true, atol=1e-9)
    assert findings[0].count == 40


def test_rounding_jitter_of_a_one_second_recorder() -> None:
    rng = np.random.default_rng(7)
    true: Floats = np.asarray(100.0 + np.arange(3000) * 1.0 + 0.97 + rng.normal(0, 0.02, 3000), np.float64)
    stamps = np.floor(true)
    track, findings = settle_track(_track(stamps))
    out = track.time.seconds
    assert (np.diff(out) > 0).all()
    # how much the floor takes off is not known, but it is the same for every row
    assert np.std(out - true) < 0.05
    assert [f.code for f in findings] == ["COARSE_TIMESTAMP"]


def test_a_receiver_that_misses_a_second_is_not_evened() -> None:
    exact = np.delete(np.arange(2000.0), 1000)
    track, findings = settle_track(_track(exact))
    np.testing.assert_array_equal(track.time.seconds, exact)
    assert findings == []


def test_repeats_and_conflicts_are_told_apart() -> None:
    seconds = np.array([0.0, 1, 2, 2, 3, 4, 4, 5, 6, 7])
    values = np.array([9.0, 8, 7, 7, 6, 5, 55, 4, 3, 2])
    found = {f.code: f for f in find_duplicates(_track(seconds, values))}
    assert found["DUPLICATE_ROW"].where == "line 5"
    assert found["DUPLICATE_TIME_CONFLICT"].where == "line 8"
    assert found["DUPLICATE_TIME_CONFLICT"].facts["values"] == [5.0, 55.0]


def test_missing_samples_that_repeat_are_equal() -> None:
    found = find_duplicates(_track(np.array([0.0, 1, 1, 2]), np.array([1.0, np.nan, np.nan, 2.0])))
    assert [f.code for f in found] == ["DUPLICATE_ROW"]


def test_gaps() -> None:
    seconds = np.concatenate((np.arange(0, 50) * 0.2, 20.0 + np.arange(50) * 0.2))
    (finding,) = find_gaps(_track(seconds))
    assert finding.where == "between lines 51 and 52"
    assert finding.facts["gaps"][0]["length_s"] == pytest.approx(10.2)
    assert finding.facts["missing_rows"] == 50


def test_one_missing_second_is_no_gap() -> None:
    assert find_gaps(_track(np.array([0.0, 1, 2, 4, 5, 6]))) == []


def test_a_single_row_and_none_at_all() -> None:
    for n in (0, 1, 2):
        track, findings = settle_track(_track(np.arange(n, dtype=float)))
        assert len(track.row) == n
        assert findings == []


def test_a_coarse_clock_that_stood_still_is_filled_up() -> None:
    true = 1000.0 + np.arange(500) / 5
    stamps = np.floor(true)
    stamps[200:219] = stamps[200]  # nineteen rows on one stamp, then the clock is right again
    out, _, findings = spread_equal_stamps(stamps, _rows(500), 1.0)
    np.testing.assert_allclose(out, true, atol=1e-9)
    assert [f.code for f in findings] == ["COARSE_TIMESTAMP"]


def test_stamps_rounded_to_a_tenth_that_stood_still() -> None:
    true = 1.7e9 + np.arange(3000) / 8
    stamps = np.round(true, 1)
    stamps[1000:1047] = stamps[1000]
    out, _, _ = spread_equal_stamps(stamps, _rows(3000), 0.1)
    assert (np.diff(out) > 0).all()
    assert np.abs(out - true).max() < 0.15
