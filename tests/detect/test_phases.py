"""Phases of flight on made flights: they cover the time, and stand where the flight was made to have them."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest

from trimshot.detect.phases import find_phases, phase_runs
from trimshot.detect.signal import Grid, make_grid
from trimshot.detect.states import find_states
from trimshot.shared.findings import Phase
from trimshot.shared.recording import Recording
from trimshot.shared.settings import Settings

RecordingBuilder = Callable[..., Recording]


def phases_of(recording: Recording) -> tuple[tuple[Phase, ...], Grid]:
    grid = make_grid(recording)
    return find_phases(grid, find_states(grid, Settings(), recording).flight.airborne), grid


def flight() -> dict[str, np.ndarray]:
    """Roll 40 to 60 s, climb at 3 m/s to 260 s, level to 700 s, down at 3 m/s to the ground at 900 s, rolled out at 930 s."""
    t = np.arange(5000) / 5.0
    speed = np.interp(t, [0, 40, 60, 80, 880, 900, 930], [0, 0, 35, 50, 50, 35, 0])
    height = np.interp(t, [60, 260, 700, 900], [100, 700, 700, 100])
    return {"time_s": t, "indicated_airspeed": speed, "pressure_altitude": height}


def at(phases: tuple[Phase, ...], time_s: float) -> str:
    (here,) = [p.kind for p in phases if p.segment.start_s <= time_s < p.segment.stop_s]
    return here


def test_a_plain_flight_has_its_phases_in_order(make_recording: RecordingBuilder) -> None:
    phases, _ = phases_of(make_recording(display=flight()))
    assert [p.kind for p in phases] == [
        "ground", "take_off", "climb", "cruise", "descent", "approach", "roll", "ground",
    ]  # fmt: skip
    starts = {p.kind: p.segment.start_s for p in phases}
    assert starts["take_off"] == pytest.approx(43, abs=2)  # faster than 5 m/s after 20 * 5 / 35 s
    assert starts["climb"] == pytest.approx(65, abs=3)  # 15 m at 3 m/s after lift-off
    assert starts["cruise"] == pytest.approx(260, abs=8)
    assert starts["descent"] == pytest.approx(700, abs=8)
    assert starts["approach"] == pytest.approx(800, abs=4)  # 300 m at 3 m/s before touchdown
    assert starts["roll"] == pytest.approx(900, abs=3)
    assert phases[-1].segment.start_s == pytest.approx(926, abs=2)


def test_phases_cover_the_grid_without_holes(make_recording: RecordingBuilder) -> None:
    phases, grid = phases_of(make_recording(display=flight()))
    assert phases[0].segment.start_s == grid.time_s[0]
    assert phases[-1].segment.stop_s == pytest.approx(grid.time_s[-1] + grid.step_s)
    assert all(a.segment.stop_s == b.segment.start_s for a, b in pairwise(phases))
    assert [(r.channel, r.value, r.segment) for r in phase_runs(phases)] == [
        ("phase", p.kind, p.segment) for p in phases
    ]


def test_a_missing_stretch_of_height_is_unknown(make_recording: RecordingBuilder) -> None:
    display = flight()
    display["pressure_altitude"][2000:2500] = np.nan  # 400 to 500 s
    phases, _ = phases_of(make_recording(display=display))
    assert at(phases, 450.0) == "unknown"
    assert at(phases, 350.0) == "cruise"
    assert at(phases, 600.0) == "cruise"


def test_a_recording_that_never_left_the_ground_is_ground(make_recording: RecordingBuilder) -> None:
    t = np.arange(500) / 5.0
    still = {"time_s": t, "indicated_airspeed": np.zeros(500), "pressure_altitude": np.full(500, 100.0)}
    phases, _ = phases_of(make_recording(display=still))
    assert [p.kind for p in phases] == ["ground"]


def test_without_speed_and_height_nothing_is_claimed(make_recording: RecordingBuilder) -> None:
    phases, _ = phases_of(make_recording(display={"time_s": np.arange(50) / 5.0, "bus_voltage": np.full(50, 12.0)}))
    assert [p.kind for p in phases] == ["unknown"]
