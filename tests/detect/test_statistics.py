"""Statistics of a stretch: against closed forms, theory of autoregressive noise, and NumPy."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from trimshot.detect.autocorrelation import correlation_times
from trimshot.detect.statistics import SegmentStatistics, flown_statistic, statistic
from trimshot.shared.findings import Segment
from trimshot.shared.recording import Clock, Column, Recording, Source, Track
from trimshot.shared.vocabulary import unit_of_channel

SOURCE = Source("a.csv", "", 0, "test", 1, "test", Clock("utc"))


def autoregressive(rng: np.random.Generator, n: int, share: float) -> NDArray[np.float64]:
    """x[k] = share x[k-1] + noise, unit variance, started in its stationary state."""
    out = np.empty(n)
    out[0] = rng.standard_normal()
    noise = rng.standard_normal(n) * np.sqrt(1 - share**2)
    for k in range(1, n):
        out[k] = share * out[k - 1] + noise[k]
    return out


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-1e3, 1e3), min_size=3, max_size=60))
def test_mean_scatter_and_trend_equal_numpy(values: list[float]) -> None:
    series = np.array(values)
    time_s = np.linspace(1000.0, 1000.0 + 0.1 * (len(values) - 1), len(values))
    got = statistic(time_s, series)
    assert got.mean == pytest.approx(series.mean(), abs=1e-9)
    assert got.deviation == pytest.approx(series.std(), abs=1e-9)
    assert got.slope_per_s == pytest.approx(np.polyfit(time_s - 1000.0, series, 1)[0], abs=1e-6)
    assert (got.low, got.high, got.count) == (series.min(), series.max(), len(series))


def test_missing_samples_are_left_out() -> None:
    time_s = np.arange(6.0)
    got = statistic(time_s, np.array([1.0, np.nan, 3.0, 4.0, np.nan, 6.0]))
    assert got.mean == pytest.approx(3.5) and got.slope_per_s == pytest.approx(1.0) and got.count == 4
    none = statistic(time_s, np.full(6, np.nan))
    assert none.count == 0 and np.isnan(none.mean)


def test_angles_are_averaged_through_north() -> None:
    time_s = np.arange(4.0)
    got = statistic(time_s, np.radians([358.0, 0.0, 2.0, 4.0]), circular=True)
    assert np.degrees(got.mean) == pytest.approx(1.0)
    assert np.degrees(got.slope_per_s) == pytest.approx(2.0)
    assert np.degrees(got.high - got.low) == pytest.approx(6.0)
    degrees = statistic(time_s, np.array([358.0, 0.0, 2.0, 4.0]), unit="deg", circular=True)
    assert degrees.mean == pytest.approx(1.0)


def test_white_noise_has_the_textbook_standard_error() -> None:
    rng = np.random.default_rng(2)
    ratio = [statistic(np.arange(400.0), rng.standard_normal(400)).standard_error * 20.0 for _ in range(200)]
    assert np.median(ratio) == pytest.approx(1.0, abs=0.15)


@pytest.mark.parametrize("share", [0.5, 0.9])
def test_correlated_noise_has_the_standard_error_of_its_correlation(share: float) -> None:
    # integrated autocorrelation time of a first-order autoregression: (1 + share) / (1 - share)
    rng = np.random.default_rng(3)
    theory = (1 + share) / (1 - share)
    times = [correlation_times(autoregressive(rng, 4000, share)[None, :])[0] for _ in range(30)]
    assert np.median(times) == pytest.approx(theory, rel=0.2)


def test_the_band_holds_the_true_mean_as_often_as_it_says() -> None:
    # 95 % of a normal mean lies inside 1.96 standard errors; without the correlation it would be about 35 %
    rng = np.random.default_rng(4)
    inside = 0
    for _ in range(300):
        got = statistic(np.linspace(0.0, 59.9, 600), autoregressive(rng, 600, 0.9))
        inside += abs(got.mean) <= 1.96 * got.standard_error
    assert 0.88 <= inside / 300 <= 0.99


def test_what_was_really_flown_is_in_doubt_by_the_instrument_alone() -> None:
    """An airspeed that wanders by knots under noise of 0.2 m/s a sample: the mean of what was flown is known to
    0.2 / sqrt(n), 600 samples of it, whatever it wandered; taken for one condition's it is known far worse."""
    rng = np.random.default_rng(8)
    time_s = np.arange(600) / 10.0
    inside, ratios = 0, []
    for _ in range(300):
        flown = 45.0 + np.sin(2 * np.pi * time_s / rng.uniform(15.0, 40.0) + rng.uniform(0.0, 6.3)) + 0.02 * time_s
        got = flown_statistic(time_s, flown + rng.normal(0.0, 0.2, 600))
        inside += abs(got.mean - flown.mean()) <= 1.96 * got.standard_error
        ratios.append(got.standard_error / statistic(time_s, flown).standard_error)
    assert inside / 300 >= 0.95
    assert np.median(ratios) < 0.2


def test_a_steady_climb_leaves_no_doubt_of_its_mean_height() -> None:
    time_s = np.arange(300) / 10.0
    assert flown_statistic(time_s, 1000.0 + 5.0 * time_s).standard_error == pytest.approx(0.0, abs=1e-6)
    assert flown_statistic(time_s, 1000.0 + 5.0 * time_s, step=0.3).standard_error == pytest.approx(0.3 / np.sqrt(12))


def test_two_samples_give_no_noise() -> None:
    assert np.isnan(flown_statistic(np.array([0.0, 1.0]), np.array([3.0, 4.0])).standard_error)


def test_resolution_is_a_floor_of_the_standard_error() -> None:
    # a display of whole knots that stands still: step / sqrt(12), JCGM 100:2008 F.2.2.1
    got = statistic(np.arange(300.0), np.full(300, 95.0), step=1.0)
    assert got.standard_error == pytest.approx(1 / np.sqrt(12))
    assert got.deviation == 0.0


def test_bounds_of_the_correlation_time() -> None:
    assert correlation_times(np.full((1, 50), 3.0))[0] == 1.0
    assert correlation_times(np.tile([1.0, -1.0], 50)[None, :])[0] >= 1.0
    assert correlation_times(np.linspace(0, 1, 50)[None, :])[0] <= 50


def test_every_numeric_channel_of_every_recorder_is_measured_at_its_own_rate() -> None:
    fast, slow = np.arange(0, 60, 0.1), np.arange(0.0, 60.0)
    heading = np.radians((350 + fast) % 360)
    main = Track(
        "main",
        fast,
        {
            "indicated_airspeed": Column("indicated_airspeed", 50 + 0.1 * fast, "m/s", "v", None, 0.05),
            "heading_magnetic": Column("heading_magnetic", heading, "rad", "h"),
            "gear_reported": Column("gear_reported", np.full(len(fast), "up", dtype=object), None, "g"),
            "raw_x": Column("raw_x", fast, None, "x"),
        },
        (SOURCE,),
        np.arange(len(fast)),
        np.zeros(len(fast), np.int16),
    )
    spiky = np.full(60, 40.0)
    spiky[15] = 900.0
    engine = Track(
        "engine",
        slow,
        {
            "engine_speed": Column("engine_speed", spiky + 0.1 * (np.arange(60) % 2), "1/s", "n"),
            "oil_pressure": Column("oil_pressure", np.full(60, np.nan), "Pa", "p"),
        },
        (SOURCE,),
        np.arange(60),
        np.zeros(60, np.int16),
    )
    recording = Recording("s", dt.datetime(2026, 1, 1, tzinfo=dt.UTC), (main, engine), "main")
    found = SegmentStatistics(recording).over(Segment(10.0, 20.0))
    assert set(found) == {"indicated_airspeed", "heading_magnetic", "engine_speed"}
    assert found["indicated_airspeed"].count == 100
    assert found["indicated_airspeed"].mean == pytest.approx(50 + 0.1 * 14.95)
    assert found["indicated_airspeed"].unit == "m/s"
    assert np.degrees(found["heading_magnetic"].mean) == pytest.approx(4.95)
    assert found["engine_speed"].count == 9  # the spike is left out
    assert found["engine_speed"].high == pytest.approx(40.1)
    assert SegmentStatistics(recording).over(Segment(100.0, 110.0)) == {}


def recording_of(time_s: NDArray[np.float64], columns: dict[str, NDArray[np.float64]]) -> Recording:
    shown = {name: Column(name, values, unit_of_channel(name), name) for name, values in columns.items()}
    n = len(time_s)
    track = Track("main", time_s, shown, (SOURCE,), np.arange(n), np.zeros(n, np.int16))
    return Recording("s", dt.datetime(2026, 1, 1, tzinfo=dt.UTC), (track,), "main")


def test_many_segments_at_once_are_the_same_as_one_by_one() -> None:
    """Holes, angles, stretches of all lengths, one longer than the lags looked at first."""
    rng = np.random.default_rng(11)
    n = 4000
    time_s = np.arange(n) / 10.0
    speed = np.convolve(rng.normal(0, 1, n + 200), np.ones(201) / 201, "valid") * 10 + 50
    speed[1200:1210] = np.nan
    heading = np.radians((355.0 + 0.05 * np.arange(n)) % 360.0)
    recording = recording_of(time_s, {"calibrated_airspeed": speed, "heading_magnetic": heading})
    segments = [
        Segment(0.0, 0.1),
        Segment(3.0, 20.0),
        Segment(115.0, 125.0),
        Segment(0.0, 390.0),
        Segment(900.0, 910.0),
    ]
    together = SegmentStatistics(recording).over_all(segments)
    assert together[-1] == {}
    for segment, many in zip(segments[:-1], together, strict=False):
        rows = (time_s >= segment.start_s) & (time_s < segment.stop_s)
        for name, values in (("calibrated_airspeed", speed), ("heading_magnetic", heading)):
            seen = rows & np.isfinite(values)
            if name.startswith("heading"):
                alone = statistic(time_s[seen], values[seen], unit=many[name].unit, circular=True)
            else:
                alone = flown_statistic(time_s[seen], values[seen], unit=many[name].unit)
            assert many[name].count == alone.count
            for field in ("mean", "deviation", "slope_per_s", "standard_error"):
                assert getattr(many[name], field) == pytest.approx(
                    getattr(alone, field), rel=1e-7, abs=1e-9, nan_ok=True
                ), (segment, name, field)


def test_only_the_channels_asked_for_are_measured() -> None:
    time_s = np.arange(100) / 10.0
    recording = recording_of(time_s, {"calibrated_airspeed": time_s + 1.0, "pressure_altitude": time_s})
    (found,) = SegmentStatistics(recording).over_all([Segment(0.0, 5.0)], ("pressure_altitude",))
    assert list(found) == ["pressure_altitude"]
