"""Turns, sideslips and speed runs on made flights with known bank, rate and distance."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from trimshot.detect.decelerations import find_speed_runs
from trimshot.detect.motion import motion_of
from trimshot.detect.sideslips import find_sideslips
from trimshot.detect.signal import make_grid
from trimshot.detect.states import find_states
from trimshot.detect.surroundings import changes_before, steady_configuration
from trimshot.detect.turns import find_turns
from trimshot.shared.findings import Manoeuvre
from trimshot.shared.recording import Floats, Recording
from trimshot.shared.settings import Settings

RecordingBuilder = Callable[..., Recording]
KNOT = 1852 / 3600
N = 3000  # five minutes at 10 Hz
T = np.arange(N) / 10.0


def at_speed(speed: Floats | float, **more: Floats) -> dict[str, Floats]:
    values = np.broadcast_to(np.asarray(speed, dtype=float), (N,)).copy()
    base = {
        "time_s": T,
        "calibrated_airspeed": values,
        "true_airspeed": values,
        "pressure_altitude": np.full(N, 1500.0),
        "bank": np.zeros(N),
        "heading_true": np.full(N, 1.0),
        "normal_load_factor": np.ones(N),
    }
    return {**base, **more}


def turns_in(recording: Recording) -> tuple[Manoeuvre, ...]:
    grid = make_grid(recording)
    flying = np.ones(len(grid), dtype=bool)
    return find_turns(motion_of(grid, flying), Settings().points, flying)


def ramp(first: float, full: float, last: float, out: float) -> Floats:
    return np.interp(T, [first, full, last, out], [0, 1, 1, 0])


def test_a_standard_turn_of_the_handbook(make_recording: RecordingBuilder) -> None:
    # 120 kt true, 30 deg: 5.25 deg/s (FAA-H-8083-25, 2008, figures 4-48 to 4-50); radius 2208 ft (Wannamaker);
    # load factor 1 / cos 30 deg = 1.1547
    share = ramp(60.0, 64.0, 130.0, 134.0)
    heading = (1.0 + np.cumsum(share) * 0.1 * np.radians(5.25)) % (2 * np.pi)
    recording = make_recording(
        display=at_speed(
            120 * KNOT, bank=np.radians(30.0) * share, heading_true=heading, normal_load_factor=1 + 0.1547 * share
        )
    )
    (turn,) = turns_in(recording)
    facts = turn.facts
    assert facts["side"] == "right"
    assert np.degrees(facts["bank"]) == pytest.approx(30.0, abs=0.5)
    assert np.degrees(facts["turn_rate"]) == pytest.approx(5.25, abs=0.1)
    assert facts["radius_m"] == pytest.approx(2208 * 0.3048, rel=0.02)
    assert facts["load_factor"] == pytest.approx(1.1547, abs=0.005)
    assert facts["load_factor_of_bank"] == pytest.approx(1.1547, abs=0.005)
    assert facts["load_factor_of_turn_rate"] == pytest.approx(1.1547, abs=0.01)
    assert turn.segment.start_s == pytest.approx(64.0, abs=3.0)
    assert turn.segment.stop_s == pytest.approx(130.0, abs=3.0)


def test_without_a_bank_channel_the_turn_rate_tells(make_recording: RecordingBuilder) -> None:
    share = ramp(60.0, 64.0, 130.0, 134.0)
    display = at_speed(120 * KNOT, heading_true=(1.0 - np.cumsum(share) * 0.1 * np.radians(5.25)) % (2 * np.pi))
    del display["bank"]
    (turn,) = turns_in(make_recording(display=display))
    assert turn.channels == ("heading_true",)
    assert np.degrees(turn.facts["bank"]) == pytest.approx(-30.0, abs=0.7)


def test_two_banks_of_one_turn_are_two_turns(make_recording: RecordingBuilder) -> None:
    bank = np.radians(np.interp(T, [50, 53, 90, 93, 130, 133], [0, 20, 20, 40, 40, 0]))
    heading = (np.cumsum(0.1 * 9.80665 * np.tan(bank) / 60.0)) % (2 * np.pi)
    found = turns_in(make_recording(display=at_speed(60.0, bank=bank, heading_true=heading)))
    assert [round(float(np.degrees(m.facts["bank"]))) for m in found] == [20, 40]


def test_a_wind_up_turn_rises_to_its_peak(make_recording: RecordingBuilder) -> None:
    load = np.interp(T, [100, 130, 131, 134], [1.0, 2.5, 2.5, 1.0])  # 0.05 g/s for 30 s
    bank = np.arccos(1 / load)
    heading = np.cumsum(0.1 * 9.80665 * np.tan(bank) / 60.0) % (2 * np.pi)
    (one,) = turns_in(make_recording(display=at_speed(60.0, bank=bank, heading_true=heading, normal_load_factor=load)))
    assert one.kind == "wind_up_turn"
    assert one.facts["peak_load_factor"] == pytest.approx(2.5, abs=0.03)
    assert one.facts["load_factor_per_s"] == pytest.approx(0.05, abs=0.005)
    assert one.segment.start_s == pytest.approx(100.0, abs=3.0)


def test_a_steady_heading_sideslip_is_no_turn(make_recording: RecordingBuilder) -> None:
    bank = np.radians(12.0) * ramp(80.0, 84.0, 110.0, 114.0)
    recording = make_recording(display=at_speed(55.0, bank=bank))
    assert turns_in(recording) == ()
    grid = make_grid(recording)
    flying = np.ones(len(grid), dtype=bool)
    (slip,) = find_sideslips(motion_of(grid, flying), grid, flying)
    assert np.degrees(slip.facts["uncoordinated_bank"]) == pytest.approx(12.0, abs=0.5)
    assert slip.segment.duration_s == pytest.approx(30.0, abs=4.0)


def test_a_coordinated_turn_is_no_sideslip(make_recording: RecordingBuilder) -> None:
    bank = np.radians(25.0) * ramp(80.0, 84.0, 120.0, 124.0)
    heading = np.cumsum(0.1 * 9.80665 * np.tan(bank) / 55.0) % (2 * np.pi)
    recording = make_recording(display=at_speed(55.0, bank=bank, heading_true=heading))
    grid = make_grid(recording)
    flying = np.ones(len(grid), dtype=bool)
    assert find_sideslips(motion_of(grid, flying), grid, flying) == ()


# --- speed runs ------------------------------------------------------------------------------------


def speed_runs(recording: Recording) -> tuple[Manoeuvre, ...]:
    grid = make_grid(recording)
    states = find_states(grid, Settings(), recording)
    flying = np.ones(len(grid), dtype=bool)
    steady = steady_configuration(grid, states, states.events)
    return find_speed_runs(
        motion_of(grid, flying), grid, states, Settings().points,
        steady=steady, new=changes_before(grid, states, steady), taken=~flying,
    )  # fmt: skip


def test_a_level_deceleration_has_its_speeds_time_and_distance(make_recording: RecordingBuilder) -> None:
    # from 70 to 40 m/s at 1 m/s2: 30 s and (70^2 - 40^2) / 2 = 1650 m
    speed = np.interp(T, [100, 130], [70.0, 40.0])
    (run,) = speed_runs(make_recording(display=at_speed(speed)))
    assert run.kind == "level_deceleration"
    assert run.facts["start_airspeed"] == pytest.approx(70.0, abs=0.8)
    assert run.facts["end_airspeed"] == pytest.approx(40.0, abs=0.8)
    assert run.facts["duration_s"] == pytest.approx(30.0, abs=3.0)
    assert run.facts["air_distance_m"] == pytest.approx(1650.0, abs=150.0)
    assert run.facts["mean_rate"] == pytest.approx(-1.0, abs=0.1)


def test_an_acceleration_and_a_deceleration_going_down(make_recording: RecordingBuilder) -> None:
    speed = np.interp(T, [50, 80, 150, 180], [40.0, 60.0, 60.0, 40.0])
    height = np.interp(T, [140, 190], [1500.0, 1300.0])  # 4 m/s down
    found = speed_runs(make_recording(display=at_speed(speed, pressure_altitude=height)))
    assert [m.kind for m in found] == ["level_acceleration", "descending_deceleration"]
    # 4 m/s over the 30 s, less what the edges of the rate's line take
    assert found[1].facts["height_change_m"] == pytest.approx(-120.0, abs=12.0)


def test_gear_moved_in_the_middle_makes_no_single_run(make_recording: RecordingBuilder) -> None:
    speed = np.interp(T, [100, 140], [70.0, 40.0])
    position = np.interp(T, [118, 125], [0.0, 1.0])
    found = speed_runs(make_recording(display=at_speed(speed, gear_position=position)))
    assert [m.facts["gear"] for m in found] == ["up", "down"]
    assert found[0].segment.stop_s <= 118.5
    assert found[1].segment.start_s >= 124.5


def test_a_climb_that_eats_the_speed_is_no_run(make_recording: RecordingBuilder) -> None:
    speed = np.interp(T, [100, 120], [70.0, 50.0])
    height = np.interp(T, [100, 120], [1500.0, 1622.0])
    assert speed_runs(make_recording(display=at_speed(speed, pressure_altitude=height))) == ()
