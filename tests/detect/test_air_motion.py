"""The doubt moving air leaves in the sink, against integrals of the correlations and against made-up air."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import integrate

from tests.detect.conftest import RecordingBuilder
from trimshot.detect.air_motion import (
    CALM,
    NAME,
    ORDINARY,
    SCALE,
    TOLD_FROM,
    AirMotion,
    share_in_difference,
    share_in_sink,
    share_of_mean,
)
from trimshot.detect.statistics import SegmentStatistics
from trimshot.shared.findings import Segment

Floats = NDArray[np.float64]
GRAVITY = 9.80665
STEP_S = 0.2


def vertical(path: Floats | float) -> Floats:
    """Correlation of vertical gusts, Dryden form: the transform of (1 + 3 x^2) / (1 + x^2)^2 (MIL-F-8785C, 3.7.2)."""
    return np.asarray((1 - np.abs(path) / 2) * np.exp(-np.abs(path)))


def along(path: Floats | float) -> Floats:
    """Correlation of gusts along the path, the transform of 1 / (1 + x^2)."""
    return np.asarray(np.exp(-np.abs(path)))


def covariance_of_means(path: float, *, apart: float) -> float:
    """Of the means of unit vertical gusts over two stretches of this length, their beginnings so far apart.

    The double integral over both, as one over the distance: it occurs with a weight that falls to zero at `path`.
    """
    weighted = lambda x: (path - abs(x)) * float(vertical(x + apart))  # noqa: E731
    value, _ = integrate.quad(weighted, -path, path, points=[0.0, -apart] if apart < path else [0.0])
    return float(value / path**2)


@pytest.mark.parametrize("path", [0.3, 1.0, 4.0])
def test_the_mean_of_vertical_gusts_varies_as_their_correlation_integrates(path: float) -> None:
    assert share_of_mean(np.array(path)) == pytest.approx(covariance_of_means(path, apart=0.0), rel=1e-6)


def test_neighbouring_means_differ_as_the_correlations_say() -> None:
    speed, part = 50.0, 10.0
    path = speed * part / SCALE
    of_vertical = 2 * covariance_of_means(path, apart=0.0) - 2 * covariance_of_means(path, apart=path)
    weights, places = np.array([1.0, -2.0, 1.0]), np.array([0.0, path, 2 * path])
    of_along = float(weights @ along(places[:, None] - places) @ weights) * (speed / GRAVITY / part) ** 2
    found = share_in_difference(np.array([speed]), np.array([part]))
    assert found[0] == pytest.approx(of_vertical + of_along, rel=1e-6)


def test_longer_and_faster_points_average_more_of_the_rise_and_fall() -> None:
    lengths = np.array([15.0, 30.0, 60.0, 120.0])
    assert (np.diff(share_in_sink(np.full(4, 50.0), lengths)) < 0).all()
    assert (np.diff(share_of_mean(np.array([30.0, 50.0, 70.0]) * 40.0 / SCALE)) < 0).all()


def gusts(random: np.random.Generator, correlation: Floats) -> Floats:
    """A Gaussian series of unit variance with this correlation by lag (n,), by circulant embedding."""
    ring = np.concatenate((correlation, correlation[-2:0:-1]))
    power = np.maximum(np.fft.fft(ring).real, 0.0)
    noise = random.normal(size=len(ring)) + 1j * random.normal(size=len(ring))
    return np.asarray(np.fft.fft(np.sqrt(power / len(ring)) * noise).real[: len(correlation)])


def air(size: float, *, speed: float, hours: float, seed: int) -> tuple[Floats, Floats]:
    """Times and a sink of 5 m/s in still air as it shows in gusts of this size [m/s], at a true airspeed [m/s].

    A recorder's rates come from lines of a few seconds: here means over 3 s.
    """
    random = np.random.default_rng(seed)
    time_s = np.arange(0.0, hours * 3600.0, STEP_S)
    path = speed * time_s / SCALE
    rise, headwind = gusts(random, vertical(path)), gusts(random, along(path))
    width = round(3.0 / STEP_S)
    shown = np.convolve(-rise + speed / GRAVITY * np.gradient(headwind, STEP_S), np.ones(width) / width, mode="same")
    return time_s, 5.0 + size * shown


@pytest.mark.parametrize(("speed", "length", "size"), [(35.0, 25.0, 0.3), (60.0, 45.0, 0.8), (60.0, 90.0, 0.8)])
def test_the_sink_in_still_air_lies_in_its_band(
    make_recording: RecordingBuilder, speed: float, length: float, size: float
) -> None:
    """Two standard errors hold it in 90 to 98 % of points; some sixty points a flight, as their air alone tells it."""
    held, errors, stated = [], [], []
    for seed in range(4):
        time_s, sink = air(size, speed=speed, hours=2.0, seed=seed)
        steady = np.ones_like(time_s)
        recording = make_recording(
            display={
                "time_s": time_s,
                "sink_rate": sink,
                "true_airspeed": speed * steady,
                "pressure_altitude": 2000.0 * steady,
            }
        )
        points = [Segment(start, start + length) for start in np.arange(10.0, 7000.0, 115.0)]
        found = SegmentStatistics(recording).over_all(points)
        for one in AirMotion(recording, points, found).laid_over(points, found):
            error = one["sink_rate"].mean - 5.0
            errors.append(error)
            stated.append(one["sink_rate"].standard_error)
            held.append(abs(error) <= 2 * stated[-1])
            assert one[NAME].deviation == pytest.approx(size, rel=0.8)
    assert 0.90 <= np.mean(held) <= 0.985
    assert np.sqrt(np.mean(np.square(errors)) / np.mean(np.square(stated))) == pytest.approx(1.0, abs=0.15)


def test_air_in_layers_is_told_layer_by_layer(make_recording: RecordingBuilder) -> None:
    time_s, rough = air(1.2, speed=50.0, hours=2.0, seed=5)
    high = time_s > 3600.0
    sink = np.where(high, 5.0, rough)
    height = np.where(high, 3500.0, 1000.0)
    recording = make_recording(
        display={
            "time_s": time_s,
            "sink_rate": sink,
            "true_airspeed": np.full_like(time_s, 50.0),
            "pressure_altitude": height,
        }
    )
    points = [Segment(start, start + 40.0) for start in np.arange(10.0, 7100.0, 120.0)]
    found = SegmentStatistics(recording).over_all(points)
    size = np.array([one[NAME].deviation for one in AirMotion(recording, points, found).laid_over(points, found)])
    above = np.array([point.start_s > 3600.0 for point in points])
    assert np.median(size[~above]) == pytest.approx(1.2, rel=0.25)
    assert size[above].max() < 0.5
    assert size[above].min() >= CALM


def test_a_point_alone_leans_on_an_ordinary_day(make_recording: RecordingBuilder) -> None:
    """Without a wander of its own it is neither a calm morning's nor quite an ordinary day's."""
    time_s = np.arange(0.0, 60.0, STEP_S)
    display = {"time_s": time_s, "sink_rate": np.full_like(time_s, 5.0), "true_airspeed": np.full_like(time_s, 50.0)}
    recording = make_recording(display=display)
    points = [Segment(10.0, 50.0)]
    found = SegmentStatistics(recording).over_all(points)
    (one,) = AirMotion(recording, points, found).laid_over(points, found)
    assert CALM < one[NAME].deviation < ORDINARY[0]
    assert one["sink_rate"].standard_error >= one[NAME].standard_error > 0
    (untold,) = AirMotion(recording, [], []).laid_over(points, found)
    assert one[NAME].deviation < untold[NAME].deviation <= ORDINARY[0]


def test_a_gap_is_not_taken_for_still_air(make_recording: RecordingBuilder) -> None:
    time_s, sink = air(0.8, speed=50.0, hours=0.5, seed=8)
    sink[(time_s > 100.0) & (time_s < 135.0)] = np.nan
    display = {"time_s": time_s, "sink_rate": sink, "true_airspeed": np.full_like(time_s, 50.0)}
    recording = make_recording(display=display)
    points = [Segment(99.0, 138.0)]
    found = SegmentStatistics(recording).over_all(points)
    (one,) = AirMotion(recording, points, found).laid_over(points, found)
    assert one[NAME].count == 0
    assert one[NAME].deviation == pytest.approx(ORDINARY[0])


def test_statistics_without_a_sink_stay_as_they_are(make_recording: RecordingBuilder) -> None:
    time_s = np.arange(0.0, 60.0, STEP_S)
    recording = make_recording(display={"time_s": time_s, "ground_speed": np.full_like(time_s, 50.0)})
    points = [Segment(10.0, 50.0)]
    found = SegmentStatistics(recording).over_all(points)
    assert AirMotion(recording, points, found).laid_over(points, found) == found
    assert SegmentStatistics(recording).over_all(points, TOLD_FROM) == [{}]
