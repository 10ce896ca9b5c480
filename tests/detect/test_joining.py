"""Neighbouring windows that are one point, followers on another clock, how long a refused stretch was steady."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from trimshot.detect.following import delay_of, delayed
from trimshot.detect.joining import joined, settled_ones
from trimshot.detect.quantities import Quantities, quantities_of
from trimshot.detect.refusals import explain_windows
from trimshot.detect.signal import make_grid
from trimshot.detect.windows import Window
from trimshot.shared.recording import Recording
from trimshot.shared.settings import Settings

KNOT = 1852 / 3600
STEP_S = 0.2


def level(build: Callable[..., Recording], knots: NDArray[Any]) -> Quantities:
    n = len(knots)
    recording = build(
        display={
            "time_s": STEP_S * np.arange(n),
            "calibrated_airspeed": knots * KNOT,
            "pressure_altitude": np.full(n, 1000.0),
            "bank": np.zeros(n),
            "heading_magnetic": np.ones(n),
            "normal_load_factor": np.ones(n),
        }
    )
    grid = make_grid(recording)
    return quantities_of(grid, {}, np.ones(len(grid), dtype=bool))


def test_an_airspeed_that_settles_is_one_point_without_its_unsettled_end(
    make_recording: Callable[..., Recording],
) -> None:
    """It drifts 4 kt in 100 s where 3 are allowed: of the two windows it was cut into the longest good one is left."""
    q = level(make_recording, 95.0 - 0.04 * STEP_S * np.arange(500))
    found = settled_ones(q, [Window(0, 250, "level", 0.9), Window(250, 500, "level", 0.9)], Settings().points)
    assert len(found) == 1
    assert (found[0].stop - found[0].first) * STEP_S == pytest.approx(75.0, abs=1.5)  # 3 kt at 0.04 kt/s


def test_two_conditions_stay_two_points(make_recording: Callable[..., Recording]) -> None:
    """60 s at 95 kt, 20 s at 90: the longer one is three quarters of both, the shorter one is not its end."""
    q = level(make_recording, np.where(np.arange(400) < 300, 95.0, 90.0))
    both = [Window(0, 300, "level", 0.9), Window(302, 400, "level", 0.9)]
    assert settled_ones(q, both, Settings().points) == both


@pytest.mark.parametrize("longest_s", [300.0, 900.0])
def test_no_point_joins_beyond_the_longest_allowed(make_recording: Callable[..., Recording], longest_s: float) -> None:
    """Twenty minutes of one cruise in pieces of a minute: joined as far as `maximum_duration` goes, each sample in one point."""
    q = level(make_recording, np.full(6100, 110.0))
    pieces = [Window(k, k + 300, "level", 0.9) for k in range(0, 6000, 300)]
    limits = Settings().points.model_copy(update={"maximum_duration": longest_s})
    found = joined(q, pieces, limits)
    lengths = [(w.stop - w.first) * STEP_S for w in found]
    assert max(lengths) == longest_s
    assert sum(lengths) == 1200.0


@pytest.mark.parametrize("seconds", [-1.6, 0.0, 1.2])
def test_a_follower_on_a_clock_of_its_own_is_put_beside_what_it_follows(seconds: float) -> None:
    rng = np.random.default_rng(3)
    leader = np.convolve(rng.normal(0.0, 0.2, 3100), np.ones(20) / 20, "valid")[:3000]
    follower = 0.4 * delayed(leader, round(seconds / STEP_S)) + 1e-4 * rng.standard_normal(3000)
    assert delay_of(leader, follower, STEP_S, most=1.0) * STEP_S == pytest.approx(seconds, abs=0.2)
    assert delay_of(leader, rng.normal(0.0, 0.01, 3000), STEP_S, most=1.0) == 0


def test_a_refused_stretch_tells_how_long_it_was_steady(make_recording: Callable[..., Recording]) -> None:
    """Eight seconds at 95 kt with a quarter of a knot of wave between decelerations of 1 kt/s: too short."""
    time_s = STEP_S * np.arange(140)
    knots = np.interp(time_s, [0, 10, 18, 28], [105.0, 95.0, 95.0, 85.0]) + 0.25 * np.sin(2 * np.pi * time_s / 9.0)
    (reasons,) = explain_windows(level(make_recording, knots), [Window(0, 140, "level", 0.0)], Settings())
    said = {r.criterion: r.measured for r in reasons}
    assert {"airspeed_trend", "airspeed_band", "duration"} <= set(said)
    assert said["duration"] == pytest.approx(8.0, abs=4.0)
