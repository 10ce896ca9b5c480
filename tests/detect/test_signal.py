"""The grid and its gap-aware arithmetic: checked against plain loops and hand-worked cases."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimshot.detect import signal
from trimshot.detect.robust import medians_along
from trimshot.detect.signal import windowed_sums
from trimshot.detect.spikes import despike
from trimshot.shared.recording import Clock, Column, Recording, Source, Track

SOURCE = Source("a.csv", "", 0, "test", 1, "test", Clock("utc"))


def make_track(name: str, times: Any, **columns: Any) -> Track:
    time_s = np.asarray(times, dtype=float)
    made = {n: Column(n, np.asarray(v), None if np.asarray(v).dtype == object else "x", n) for n, v in columns.items()}
    return Track(name, time_s, made, (SOURCE,), np.arange(len(time_s)), np.zeros(len(time_s), np.int16))


def make_recording(*tracks: Track) -> Recording:
    return Recording("s", dt.datetime(2026, 1, 1, tzinfo=dt.UTC), tracks, tracks[0].name)


def test_a_faster_track_is_averaged_over_each_step() -> None:
    time_s = np.arange(0, 2, 0.05)
    track = make_track("main", time_s, indicated_airspeed=time_s * 10)
    grid = signal.make_grid(make_recording(track), 0.2)
    assert grid.time_s == pytest.approx(np.arange(0, 2.0, 0.2)[: len(grid)])
    # a straight line keeps its value under averaging over a step centred on the sample, save at
    # the first one (half a step is missing) and half a sample's shift: 0.025 s x 10
    assert grid.columns["indicated_airspeed"][1:-1] == pytest.approx(grid.time_s[1:-1] * 10 - 0.25, abs=1e-9)


def test_a_slower_track_is_read_between_its_rows_and_a_gap_stays_a_gap() -> None:
    main = make_track("main", np.arange(0, 20, 0.2), indicated_airspeed=np.zeros(100))
    engine = make_track("engine", [0, 1, 2, 3, 10, 11, 12], engine_speed=[0.0, 10, 20, 30, 100, 110, 120])
    grid = signal.make_grid(make_recording(main, engine), 0.2)
    speed = grid.columns["engine_speed"]
    assert speed[grid.index(2.4)] == pytest.approx(24.0)
    assert np.isnan(speed[grid.index(5.0)])
    assert np.isnan(speed[grid.index(15.0)])


def test_headings_are_averaged_through_north() -> None:
    heading = np.radians(np.tile([359.0, 1.0], 50))
    track = make_track("main", np.arange(100) * 0.1, heading_magnetic=heading)
    grid = signal.make_grid(make_recording(track), 0.2)
    away = np.degrees(np.minimum(grid.columns["heading_magnetic"], 2 * np.pi - grid.columns["heading_magnetic"]))
    assert away[1:-1].max() <= 1.0 + 1e-9


def test_words_are_held_and_missing_channels_are_missing() -> None:
    words = np.array(["up", "up", "down", None, "down"], dtype=object)
    track = make_track("main", [0.0, 1, 2, 3, 4], indicated_airspeed=[1.0, 2, 3, 4, 5], gear_reported=words)
    grid = signal.make_grid(make_recording(track), 0.5)
    assert grid.columns["gear_reported"].tolist()[:5] == ["up", "up", "up", "up", "down"]
    assert "bank" not in grid.columns
    assert np.isnan(grid.numbers("bank")).all()
    assert grid.first("bank", "indicated_airspeed") == "indicated_airspeed"


def test_an_empty_track_gives_an_empty_grid() -> None:
    grid = signal.make_grid(make_recording(make_track("main", [], indicated_airspeed=np.empty(0))))
    assert len(grid) == 0
    assert grid.index(3.0) == 0


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.one_of(st.floats(-50, 50), st.just(float("nan"))), min_size=2, max_size=40),
    st.integers(1, 11),
)
def test_windowed_arithmetic_equals_plain_loops(values: list[float], width: int) -> None:
    series = np.array(values)
    half = width // 2
    means, slopes, scatter = (
        signal.smooth(series, width),
        signal.slope(series, width, 0.5),
        signal.deviation(series, width),
    )
    for k in range(len(series)):
        window = series[max(k - half, 0) : k + half + 1]
        times = 0.5 * np.arange(max(k - half, 0), max(k - half, 0) + len(window))
        known = np.isfinite(window)
        if not np.isfinite(series[k]):
            assert np.isnan(means[k]) and np.isnan(slopes[k]) and np.isnan(scatter[k])
            continue
        if width > 1:
            assert means[k] == pytest.approx(window[known].mean(), abs=1e-9)
        assert scatter[k] == pytest.approx(window[known].std(), abs=1e-5)
        if known.sum() >= max(2, width // 2):
            expected = np.polyfit(times[known], window[known], 1)[0]
            assert slopes[k] == pytest.approx(expected, abs=1e-6)
        else:
            assert np.isnan(slopes[k])


def test_one_missing_sample_does_not_spoil_what_follows() -> None:
    # SciPy's Savitzky-Golay filter and numpy's unwrap both lose everything after one missing sample
    series = np.arange(50.0)
    series[20] = np.nan
    assert np.isfinite(signal.smooth(series, 5)).sum() == 49
    assert signal.slope(series, 5, 1.0)[30] == pytest.approx(1.0)
    angle = np.radians(np.arange(340.0, 400.0, 5.0) % 360)
    angle[3] = np.nan
    assert np.degrees(signal.unwrap(angle)[-1]) == pytest.approx(395.0)


def test_a_single_spike_goes_and_a_step_stays() -> None:
    rng = np.random.default_rng(1)
    series = 90 + 0.1 * rng.standard_normal(300)
    series[100] = 240.0
    series[200:] += 30.0
    clean = despike(series)
    assert np.isnan(clean[100])
    assert np.isfinite(clean[195:205]).all()


def test_runs_and_hysteresis() -> None:
    flags = np.array([1, 1, 0, 1, 0, 0, 1], dtype=bool)
    assert signal.runs(flags).tolist() == [[0, 2], [3, 4], [6, 7]]
    assert signal.runs(np.zeros(3, dtype=bool)).shape == (0, 2)
    assert signal.runs_of_equal(np.array(["a", "a", "b"], dtype=object)).tolist() == [[0, 2], [2, 3]]
    values = np.array([0, 0.5, 1.1, 0.6, np.nan, 0.4, 0.1, 0.6])
    assert signal.hysteresis(values, 0.3, 1.0).tolist() == [False, False, True, True, True, True, False, False]
    assert signal.keep_long(flags, 2).tolist() == [True, True, False, False, False, False, False]
    assert signal.close_short(flags, 1).tolist() == [True, True, True, True, False, False, True]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.one_of(st.floats(-9, 9), st.just(float("nan"))), min_size=1, max_size=60), st.integers(1, 9))
def test_medians_along_equal_a_loop(values: list[float], half: int) -> None:
    array = np.array(values)
    got = medians_along(array, half, 2)
    plain = []
    for k in range(0, len(array), half):
        near = array[max(0, k - half) : k + half]
        near = near[np.isfinite(near)]
        plain.append(float(np.median(near)) if len(near) >= 2 else float("nan"))
    known = [value for value in plain if np.isfinite(value)]
    filled = [value if np.isfinite(value) else (float(np.median(known)) if known else float("nan")) for value in plain]
    np.testing.assert_allclose(got, np.repeat(filled, half)[: len(array)])


@settings(max_examples=60, deadline=None)
@given(st.lists(st.one_of(st.floats(-9, 9), st.just(float("nan"))), min_size=1, max_size=40), st.integers(1, 9))
def test_windowed_sums_equal_a_loop(values: list[float], width: int) -> None:
    array = np.array(values)
    total, count = windowed_sums(array, width)
    half = width // 2
    for k in range(len(array)):
        near = array[max(0, k - half) : k + half + 1]
        assert count[k] == np.isfinite(near).sum()
        assert total[k] == pytest.approx(np.nansum(near), abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.one_of(st.floats(-2, 2), st.just(float("nan"))), max_size=30), st.booleans())
def test_hysteresis_equals_a_loop(values: list[float], start: bool) -> None:
    state, expected = start, []
    for value in values:
        state = True if value > 1.0 else False if value < 0.3 else state
        expected.append(state)
    assert signal.hysteresis(np.array(values), 0.3, 1.0, start=start).tolist() == expected


def test_steps_of_the_grid_are_means_of_their_rows() -> None:
    # two to three rows a step, rows past the grid's end, and a hole that only its own channel feels
    time_s = np.arange(0, 3.05, 0.07)
    speed, pitch = np.sin(time_s), np.cos(time_s)
    pitch[5:12] = np.nan
    grid = signal.make_grid(make_recording(make_track("main", time_s, indicated_airspeed=speed, pitch=pitch)), 0.2)
    for place in range(1, len(grid)):
        rows = np.floor(time_s / 0.2 + 0.5) == place
        assert grid.columns["indicated_airspeed"][place] == pytest.approx(speed[rows].mean(), abs=1e-12)
        if np.isfinite(pitch[rows]).any():
            assert grid.columns["pitch"][place] == pytest.approx(np.nanmean(pitch[rows]), abs=1e-12)
