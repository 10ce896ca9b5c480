"""Events: planted lever movements, ground contacts and stalls come back; what explains itself does not."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimshot.detect.events import find_events
from trimshot.detect.moves import find_moves, part_moves
from trimshot.detect.signal import make_grid
from trimshot.detect.states import find_states
from trimshot.shared.findings import Event, Finding
from trimshot.shared.recording import Floats, Recording
from trimshot.shared.settings import Settings

RecordingBuilder = Callable[..., Recording]
FULL_PA, CRUISE_PA, IDLE_PA = 9.0e4, 6.0e4, 2.0e4


def events_of(recording: Recording) -> tuple[tuple[Event, ...], tuple[Finding, ...]]:
    grid = make_grid(recording)
    return find_events(grid, find_states(grid, Settings(), recording), Settings())


def numbers(*values: str | float | None) -> list[float]:
    """The values of an event that are numbers."""
    return [value for value in values if isinstance(value, float)]


def assert_timed(found: list[tuple[str, float]], wanted: list[tuple[str, float]], within_s: float) -> None:
    """The same kinds in the same order, each within some seconds."""
    assert [kind for kind, _ in found] == [kind for kind, _ in wanted]
    assert [at for _, at in found] == pytest.approx([at for _, at in wanted], abs=within_s)


def of_kind(events: tuple[Event, ...], *kinds: str) -> list[tuple[str, float]]:
    return [(e.kind, e.time_s) for e in events if e.kind in kinds]


def corners(time_s: Floats, *points: tuple[float, float]) -> Floats:
    return np.interp(time_s, [p[0] for p in points], [p[1] for p in points])


def circuit(length_s: float = 1000.0, swing: float = 0.0) -> dict[str, Floats]:
    """Take-off at 60 s from 100 m, climb to 700 m, cruise, landing at 900 s; 5 samples a second.

    On the runway the height stays; speed runs 0 to 50 m/s in 20 s and back in 30 s.
    """
    time_s = np.arange(length_s * 5) / 5.0
    speed = corners(time_s, (0, 0), (40, 0), (60, 35), (80, 50), (880, 50), (900, 35), (930, 0))
    height = corners(time_s, (0, 100), (60, 100), (240, 700), (700, 700), (900, 100))
    speed = speed + swing * np.sin(2 * np.pi * time_s / 100.0) * ((time_s > 100) & (time_s < 860))
    return {"time_s": time_s, "indicated_airspeed": speed, "true_airspeed": speed, "pressure_altitude": height}


def engine(**columns: Floats) -> dict[str, Floats]:
    return {"time_s": np.arange(1000.0), **columns}


SECONDS = np.arange(1000.0)


def manifold(*points: tuple[float, float]) -> Floats:
    return corners(SECONDS, (0, 4.5e4), (38, 4.5e4), (40, FULL_PA), *points)


# --- moves --------------------------------------------------------------------------------------


@given(
    start=st.integers(30, 60),
    length=st.integers(2, 8),
    change=st.floats(0.4, 1.0),
    down=st.booleans(),
    seed=st.integers(0, 1000),
)
@settings(max_examples=60, deadline=None)
def test_a_planted_move_comes_back_in_time_and_size(
    start: int, length: int, change: float, down: bool, seed: int
) -> None:
    time_s = np.arange(120.0)
    sign = -1.0 if down else 1.0
    values = corners(time_s, (0, 0), (start, 0), (start + length, sign * change))
    values = values + np.random.default_rng(seed).normal(0, 0.002, 120)
    (move,) = find_moves(time_s, values, least=0.1, rate_per_s=0.02)
    assert move.change == pytest.approx(sign * change, abs=0.02)
    assert abs(move.start_s - start) <= 1.5
    assert abs(move.stop_s - (start + length)) <= 1.5


def test_a_drift_as_large_as_a_move_is_none() -> None:
    assert find_moves(np.arange(200.0), np.linspace(0.0, 1.0, 200), least=0.1, rate_per_s=0.02) == ()


@pytest.mark.parametrize("step_s", [0.2, 1.0])
def test_two_movements_with_a_pause_between_are_two(step_s: float) -> None:
    """0.3 from 30 s to 33 s, 0.4 from 35 s to 38 s: one rise for the eye, two handfuls of throttle."""
    time_s = np.arange(0.0, 80.0, step_s)
    values = np.random.default_rng(5).normal(0, 0.004, len(time_s)) + corners(
        time_s, (30, 0.0), (33, 0.3), (35, 0.32), (38, 0.72)
    )
    (whole,) = find_moves(time_s, values, least=0.1, rate_per_s=0.02)
    parts = part_moves(time_s, values, whole, least=0.1, dip=0.5)
    assert [p.start_s for p in parts] == pytest.approx([30, 35], abs=1.5)
    assert [p.change for p in parts] == pytest.approx([0.3, 0.4], abs=0.05)


@pytest.mark.parametrize("step_s", [0.2, 1.0])
def test_a_movement_made_in_one_go_stays_one(step_s: float) -> None:
    time_s = np.arange(0.0, 80.0, step_s)
    values = np.random.default_rng(6).normal(0, 0.004, len(time_s)) + corners(time_s, (30, 0.0), (36, 0.6))
    (whole,) = find_moves(time_s, values, least=0.1, rate_per_s=0.02)
    assert part_moves(time_s, values, whole, least=0.1, dip=0.5) == (whole,)


# --- power --------------------------------------------------------------------------------------


def test_power_lever_movements_are_named_and_timed(make_recording: RecordingBuilder) -> None:
    pressure = manifold(
        (250, FULL_PA), (253, CRUISE_PA), (450, CRUISE_PA), (452, IDLE_PA), (600, IDLE_PA), (603, FULL_PA),
        (690, FULL_PA), (692, IDLE_PA),
    )  # fmt: skip
    recording = make_recording(
        display=circuit(), engine=engine(manifold_pressure=pressure, engine_speed=np.full(1000, 40.0))
    )
    events, _ = events_of(recording)
    found = of_kind(events, "power_change", "power_to_idle", "power_from_idle")
    airborne = [(kind, at) for kind, at in found if at > 100]
    assert [kind for kind, _ in airborne] == ["power_change", "power_to_idle", "power_from_idle", "power_to_idle"]
    assert [at for _, at in airborne] == pytest.approx([250, 450, 600, 690], abs=1.5)
    (change,) = [e for e in events if e.kind == "power_change" and e.time_s > 100]
    assert change.stop_s == pytest.approx(253, abs=1.5)


def test_idle_left_too_slowly_for_a_lever_movement_is_still_an_event(make_recording: RecordingBuilder) -> None:
    pressure = manifold((300, FULL_PA), (302, IDLE_PA), (400, IDLE_PA), (440, 4.0e4), (600, 4.0e4), (602, IDLE_PA))
    recording = make_recording(
        display=circuit(), engine=engine(manifold_pressure=pressure, engine_speed=np.full(1000, 40.0))
    )
    events, _ = events_of(recording)
    (event,) = [e for e in events if e.kind == "power_from_idle" and 390 < e.time_s < 450]
    assert event.facts["slow"] is True
    assert event.confidence < 0.9
    assert event.uncertainty_s >= 2.0


def test_manifold_pressure_moved_by_the_propeller_is_no_power_change(make_recording: RecordingBuilder) -> None:
    """At a fixed throttle the manifold pressure rises when the engine is made to turn slower."""
    pressure = manifold((300, FULL_PA), (302, CRUISE_PA), (450, CRUISE_PA), (452, 6.8e4), (800, 6.8e4), (803, IDLE_PA))
    turning = corners(SECONDS, (0, 25), (40, 45), (450, 45), (452, 36))
    recording = make_recording(
        display=circuit(swing=8.0), engine=engine(manifold_pressure=pressure, engine_speed=turning)
    )
    events, _ = events_of(recording)
    assert not [e for e in events if e.kind.startswith("power") and 440 < e.time_s < 460]
    assert [at for _, at in of_kind(events, "rpm_command") if at > 400] == pytest.approx([450], abs=1.5)


# --- governor -----------------------------------------------------------------------------------


def test_another_governed_speed_is_a_command(make_recording: RecordingBuilder) -> None:
    turning = corners(SECONDS, (0, 25), (38, 25), (42, 45), (200, 45), (201, 42), (500, 42), (501, 37), (900, 37))
    recording = make_recording(
        display=circuit(swing=8.0),
        engine=engine(manifold_pressure=manifold((300, FULL_PA), (303, CRUISE_PA)), engine_speed=turning),
    )
    events, _ = events_of(recording)
    commands = [e for e in events if e.kind == "rpm_command" and e.time_s > 100]
    assert [e.time_s for e in commands] == pytest.approx([200, 500], abs=1.5)
    assert numbers(*(x for e in commands for x in (e.before, e.after))) == pytest.approx([45, 42, 42, 37], abs=0.3)


def test_a_command_hidden_by_an_idle_glide_is_found_when_the_governor_holds_again(
    make_recording: RecordingBuilder,
) -> None:
    pressure = manifold((300, FULL_PA), (302, IDLE_PA), (400, IDLE_PA), (402, FULL_PA))
    display = circuit(swing=8.0)
    windmilling = 0.5 * display["true_airspeed"][::5]
    turning = np.where((SECONDS > 300) & (SECONDS < 401), windmilling, np.where(SECONDS < 350, 42.0, 45.0))
    turning[:40] = 25.0
    events, _ = events_of(
        make_recording(display=display, engine=engine(manifold_pressure=pressure, engine_speed=turning))
    )
    (command,) = [e for e in events if e.kind == "rpm_command" and e.time_s > 100]
    assert numbers(command.before, command.after) == pytest.approx([42.0, 45.0])
    assert command.confidence <= 0.5
    assert command.time_s - command.uncertainty_s <= 302  # nothing rules out a command early in the glide


def test_levers_moved_forward_together_are_a_command_where_the_speed_rises_past_the_old_one(
    make_recording: RecordingBuilder,
) -> None:
    """Held at 42, idle glide, full power at 470 s: the speed passes 42 at once, and reaches the new one with the airspeed."""
    pressure = manifold((300, FULL_PA), (302, IDLE_PA), (470, IDLE_PA), (472, FULL_PA))
    display = circuit(swing=8.0)
    windmilling = 0.5 * display["true_airspeed"][::5]
    after = corners(SECONDS, (470, 26.0), (473, 42.8), (490, 44.4), (493, 46.0))
    turning = np.where((SECONDS > 300) & (SECONDS <= 470), windmilling, np.where(SECONDS < 350, 42.0, after))
    turning[:40] = 25.0
    events, _ = events_of(
        make_recording(display=display, engine=engine(manifold_pressure=pressure, engine_speed=turning))
    )
    (command,) = [e for e in events if e.kind == "rpm_command" and e.time_s > 100]
    assert command.time_s == pytest.approx(470, abs=2.0)


def test_a_speed_the_governor_held_is_left_upward_by_command_only(make_recording: RecordingBuilder) -> None:
    """Power and propeller lever forward at 500 s; the propeller then follows the airspeed on its fine stop."""
    pressure = manifold((300, FULL_PA), (302, 5e4), (500, 5e4), (502, 6.5e4))
    display = circuit(swing=8.0)
    air = display["true_airspeed"][::5]
    turning = np.where(SECONDS <= 500, 36.0, corners(SECONDS, (500, 36.0), (502, 0.86 * air[502])))
    turning = np.where(SECONDS > 502, 0.86 * air, turning)
    turning[:200] = corners(SECONDS[:200], (0, 25), (38, 25), (42, 45), (150, 45), (151, 36))
    events, _ = events_of(
        make_recording(display=display, engine=engine(manifold_pressure=pressure, engine_speed=turning))
    )
    (command,) = [e for e in events if e.kind == "rpm_command" and 490 < e.time_s < 510]
    assert command.time_s == pytest.approx(500, abs=2.0)
    assert command.confidence == 0.9


def test_a_fixed_pitch_propeller_gets_no_commands(make_recording: RecordingBuilder) -> None:
    display = circuit(swing=8.0)
    flow = corners(SECONDS, (0, 2e-6), (38, 2e-6), (40, 1e-5), (300, 1e-5), (303, 6e-6), (700, 6e-6), (703, 1e-6))
    turning = (0.5 + 4e4 * flow) * display["true_airspeed"][::5] + 12.0
    events, findings = events_of(make_recording(display=display, engine=engine(fuel_flow=flow, engine_speed=turning)))
    assert of_kind(events, "rpm_command") == []
    assert not [f for f in findings if "stall" not in f.text]


def test_engine_start_and_stop(make_recording: RecordingBuilder) -> None:
    turning = np.where((SECONDS >= 20) & (SECONDS < 960), 40.0, 0.0)
    events, _ = events_of(make_recording(display=circuit(), engine=engine(engine_speed=turning)))
    assert of_kind(events, "engine_start", "engine_stop") == [("engine_start", 20.0), ("engine_stop", 960.0)]


def test_what_cannot_be_looked_for_is_said(make_recording: RecordingBuilder) -> None:
    _, findings = events_of(make_recording(display=circuit()))
    assert {f.code for f in findings} == {"NOT_ATTEMPTED"}
    assert any("engine" in f.text for f in findings)
    assert any("stalls" in f.text for f in findings)


# --- ground contact -----------------------------------------------------------------------------


def test_lift_off_and_touchdown_from_height_and_speed(make_recording: RecordingBuilder) -> None:
    events, _ = events_of(make_recording(display=circuit()))
    lift_off, touchdown = (e for e in events if e.kind in ("liftoff", "touchdown"))
    assert (lift_off.kind, touchdown.kind) == ("liftoff", "touchdown")
    assert lift_off.time_s == pytest.approx(60, abs=3.0)  # 3 s: what the work asks for
    assert touchdown.time_s == pytest.approx(900, abs=3.0)
    assert lift_off.confidence < 1.0


def test_the_wheels_switch_answers_first_and_its_bounces_are_one_touchdown(make_recording: RecordingBuilder) -> None:
    display = circuit()
    wheels = ((display["time_s"] < 61.0) | (display["time_s"] >= 899.0)).astype(float)
    wheels[(display["time_s"] >= 900.0) & (display["time_s"] < 901.4)] = 0.0  # a bounce of 1.4 s
    events, _ = events_of(
        make_recording(display=display, discretes={"time_s": display["time_s"], "weight_on_wheels": wheels})
    )
    assert_timed(of_kind(events, "liftoff", "touchdown"), [("liftoff", 61.0), ("touchdown", 899.0)], 0.01)


def test_a_wheels_switch_that_contradicts_the_flight_is_not_believed(make_recording: RecordingBuilder) -> None:
    display = circuit()
    wheels = 1.0 - ((display["time_s"] >= 300.0) & (display["time_s"] < 320.0))  # stuck but for 20 s aloft
    recording = make_recording(display=display, discretes={"time_s": display["time_s"], "weight_on_wheels": wheels})
    events, _ = events_of(recording)
    assert_timed(of_kind(events, "liftoff", "touchdown"), [("liftoff", 60.0), ("touchdown", 900.0)], 3.0)
    grid = make_grid(recording)
    findings = find_states(grid, Settings(), recording).findings
    assert any(f.code == "SWITCHES_DISAGREE" and f.where == "weight_on_wheels" for f in findings)


def test_slow_flight_far_above_the_ground_is_no_landing(make_recording: RecordingBuilder) -> None:
    """A full-flap stall may be flown at less than half the usual speed, sinking all the while."""
    display = circuit()
    t = display["time_s"]
    speed, height = display["indicated_airspeed"].copy(), display["pressure_altitude"].copy()
    slow = (t >= 400) & (t < 430)
    speed[slow] = corners(t, (400, 50), (410, 20), (420, 20), (430, 50))[slow]
    height -= corners(t, (400, 0), (430, 90))
    events, _ = events_of(make_recording(display={**display, "indicated_airspeed": speed, "pressure_altitude": height}))
    assert [kind for kind, _ in of_kind(events, "liftoff", "touchdown")] == ["liftoff", "touchdown"]


def test_a_touch_and_go_is_both(make_recording: RecordingBuilder) -> None:
    display = circuit()
    t = display["time_s"]
    height = corners(t, (0, 100), (60, 100), (240, 700), (300, 700), (500, 100), (510, 100), (700, 700), (900, 100))
    speed = corners(
        t,
        (0, 0),
        (40, 0),
        (60, 35),
        (80, 50),
        (480, 50),
        (500, 40),
        (510, 30),
        (520, 45),
        (880, 50),
        (900, 35),
        (930, 0),
    )
    recording = make_recording(display={**display, "pressure_altitude": height, "indicated_airspeed": speed})
    events, _ = events_of(recording)
    wanted = [("liftoff", 60.0), ("touchdown", 500.0), ("liftoff", 510.0), ("touchdown", 900.0)]
    assert_timed(of_kind(events, "liftoff", "touchdown"), wanted, 3.0)


def test_a_go_around_is_told_by_the_power_at_the_lowest_height(make_recording: RecordingBuilder) -> None:
    display = circuit()
    height = corners(display["time_s"], (0, 100), (60, 100), (240, 700), (300, 700), (500, 130), (700, 700), (900, 100))
    pressure = manifold((300, FULL_PA), (302, IDLE_PA), (498, IDLE_PA), (500, FULL_PA), (700, FULL_PA), (702, IDLE_PA))
    recording = make_recording(
        display={**display, "pressure_altitude": height},
        engine=engine(manifold_pressure=pressure, engine_speed=np.full(1000, 40.0)),
    )
    events, _ = events_of(recording)
    (event,) = [e for e in events if e.kind == "go_around"]
    assert event.time_s == pytest.approx(498, abs=1.5)
    assert event.facts["lowest_height"] == pytest.approx(30, abs=5)
    assert len(of_kind(events, "touchdown")) == 1


# --- stalls -------------------------------------------------------------------------------------


def stalling(nose_drop_deg: float, lightest: float) -> dict[str, Floats]:
    display = circuit()
    t = display["time_s"]
    speed = display["indicated_airspeed"].copy()
    run_down = corners(t, (420, 50), (450, 26), (453, 26), (468, 45), (475, 50))
    inside = (t >= 420) & (t < 475)
    speed[inside] = run_down[inside]
    pitch = np.radians(corners(t, (0, 4), (420, 4), (450, 12), (454, 12 - nose_drop_deg), (465, 4)))
    factor = corners(t, (0, 1), (450, 1), (452, lightest), (455, 1.2), (460, 1))
    return {**display, "indicated_airspeed": speed, "pitch": pitch, "normal_load_factor": factor}


def test_a_stall_is_where_the_nose_begins_to_drop(make_recording: RecordingBuilder) -> None:
    events, _ = events_of(make_recording(display=stalling(20.0, 0.7)))
    assert_timed(of_kind(events, "stall_onset"), [("stall_onset", 450.0)], 1.0)


@pytest.mark.parametrize(("nose_drop_deg", "lightest"), [(3.0, 0.7), (20.0, 1.0)])
def test_slow_flight_without_a_break_is_no_stall(
    make_recording: RecordingBuilder, nose_drop_deg: float, lightest: float
) -> None:
    events, _ = events_of(make_recording(display=stalling(nose_drop_deg, lightest)))
    assert of_kind(events, "stall_onset") == []


def test_events_stand_in_time_order(make_recording: RecordingBuilder) -> None:
    events, _ = events_of(make_recording(display=stalling(20.0, 0.7), engine=engine(engine_speed=np.full(1000, 40.0))))
    assert [e.time_s for e in events] == sorted(e.time_s for e in events)
    assert len(events) >= 3
