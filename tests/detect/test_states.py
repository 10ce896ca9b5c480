"""Gear, flap and switch states: planted movements come back, with their times."""

from __future__ import annotations

import json
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from trimshot.detect.course import make_course
from trimshot.detect.detents import find_detents
from trimshot.detect.levels import cheapest_states
from trimshot.detect.signal import make_grid
from trimshot.detect.states import CONFIGURATION, States, config_states, find_states, state_runs
from trimshot.detect.switches import Samples, read_switch
from trimshot.shared.recording import Floats, Recording
from trimshot.shared.settings import Settings, parse_settings

RecordingBuilder = Callable[..., Recording]
CASE_88 = Path(__file__).parent.parent / "data" / "cases" / "88-flap-position-noise-and-creep"
STEP_S = 0.2


def states_of(recording: Recording, toml: str = "") -> States:
    chosen = parse_settings(toml, "test") if toml else Settings()
    return find_states(make_grid(recording), chosen, recording)


def clock(seconds: float, step_s: float = STEP_S) -> Floats:
    return np.arange(round(seconds / step_s), dtype=np.float64) * step_s


def between(time_s: Floats, *spans: tuple[float, float]) -> Floats:
    """1 inside the spans, else 0."""
    inside = np.zeros(len(time_s))
    for first, last in spans:
        inside[(time_s >= first) & (time_s < last)] = 1.0
    return inside


def ramp(time_s: Floats, *corners: tuple[float, float]) -> Floats:
    return np.interp(time_s, [c[0] for c in corners], [c[1] for c in corners])


# --- switches -----------------------------------------------------------------------------------


def test_a_bouncing_contact_is_one_edge_at_its_first_change() -> None:
    time_s = clock(20.0, 0.1)
    values = (time_s >= 10.0).astype(float)
    values[101], values[103] = 0.0, 0.0  # 10.1 and 10.3 s: the contact opens twice again
    switch = read_switch(Samples("gear_down_locked", time_s, values, 0.1, 1.5))
    assert [e.time_s for e in switch.edges] == pytest.approx([10.0])
    assert switch.edges[0].settled_s == pytest.approx(0.4)  # stays closed from 10.4 s
    assert (switch.bounces, switch.glitches) == (1, 0)


def test_a_pulse_that_leads_nowhere_is_counted_and_is_no_edge() -> None:
    time_s = clock(20.0)
    values = np.zeros(100)
    values[50:52] = 1.0
    switch = read_switch(Samples("weight_on_wheels", time_s, values, STEP_S, 1.5))
    assert switch.edges == ()
    assert switch.glitches == 1


@given(
    edges=st.lists(st.integers(40, 900), min_size=0, max_size=6, unique=True),
    chatter=st.lists(st.booleans(), min_size=4, max_size=4),
)
@settings(max_examples=60, deadline=None)
def test_planted_edges_come_back_whatever_the_contact_does_for_half_a_second(
    edges: list[int], chatter: list[bool]
) -> None:
    kept = [e for k, e in enumerate(sorted(edges)) if k == 0 or e - sorted(edges)[k - 1] > 20]
    if any(b - a <= 20 for a, b in pairwise(kept)):
        return
    values = np.zeros(1000)
    for edge in kept:
        values[edge:] = 1.0 - values[edge]
    for edge in kept:  # after the first changed row, four rows of anything, then settled
        new = values[edge]
        values[edge + 1 : edge + 5] = np.where(chatter, new, 1.0 - new)
    switch = read_switch(Samples("gear_lever", np.arange(1000.0) * 0.1, values, 0.1, 1.5))
    assert [round(e.time_s / 0.1) for e in switch.edges] == kept


def test_rows_missing_for_long_are_unknown_and_the_last_value_is_not_carried_over() -> None:
    time_s = np.concatenate((clock(10.0), 30.0 + clock(10.0)))
    switch = read_switch(Samples("gear_lever", time_s, np.ones(100), STEP_S, 1.5))
    assert switch.at(5.0) == 1.0
    assert switch.at(20.0) is None
    assert switch.at(35.0) == 1.0


# --- courses ------------------------------------------------------------------------------------


@example(times=[99.99999999999999, 100.0], words=["down", "up", *["up"] * 10])
@given(
    times=st.lists(st.floats(0.0, 100.0), min_size=1, max_size=12),
    words=st.lists(st.sampled_from(["up", "down", "transit", "unknown"]), min_size=12, max_size=12),
)
def test_rows_of_a_course_follow_each_other_and_say_what_its_labels_say(times: list[float], words: list[str]) -> None:
    course = make_course("gear", list(zip(sorted(times), words, strict=False)), 101.0)
    runs = course.runs()
    assert all(a.segment.stop_s == b.segment.start_s for a, b in pairwise(runs))
    assert all(a.value != b.value for a, b in pairwise(runs))
    assert runs[-1].segment.stop_s == 101.0
    for run in runs:
        middle = (run.segment.start_s + run.segment.stop_s) / 2
        if middle < run.segment.stop_s:  # between two neighbouring numbers there is no middle
            assert course.at(middle) == run.value
        assert course.at(run.segment.start_s) == run.value
    assert course.at(min(times) - 1.0) == "unknown"
    assert course.at(101.0) == "unknown"


# --- gear ---------------------------------------------------------------------------------------


def gear_track(time_s: Floats) -> dict[str, Floats]:
    """Retracted at 20 to 27 s, extended at 60 to 67 s; seven seconds of travel, as light retractables take
    (AOPA Flight Training, August 2020)."""
    return {
        "time_s": time_s,
        "gear_lever": 1.0 - between(time_s, (19.4, 59.4)),
        "gear_down_locked": 1.0 - between(time_s, (20.0, 67.0)),
        "gear_up_locked": between(time_s, (27.0, 60.0)),
    }


def test_lock_switches_give_state_travel_and_selection(make_recording: RecordingBuilder) -> None:
    time_s = clock(100.0)
    states = states_of(make_recording(discretes=gear_track(time_s)))
    up, down = states.events
    assert (up.kind, up.before, up.after, up.confidence) == ("gear_up", "down", "up", 1.0)
    assert (up.time_s, up.stop_s) == pytest.approx((20.0, 27.0))
    assert up.facts["selected_s"] == pytest.approx(19.4)
    assert down.kind == "gear_down"
    assert (down.time_s, down.stop_s) == pytest.approx((60.0, 67.0))
    labels = states.labels["gear"]
    grid = make_grid(make_recording(discretes=gear_track(time_s)))
    for at, word in ((10.0, "down"), (23.0, "transit"), (40.0, "up"), (63.0, "transit"), (80.0, "down")):
        assert labels[grid.index(at)] == word


def test_a_travel_that_turns_back_is_one_event_not_completed(make_recording: RecordingBuilder) -> None:
    time_s = clock(60.0)
    track = {
        "time_s": time_s,
        "gear_down_locked": 1.0 - between(time_s, (20.0, 26.0)),
        "gear_up_locked": np.zeros(len(time_s)),
    }
    (event,) = states_of(make_recording(discretes=track)).events
    assert (event.kind, event.before, event.after) == ("gear_up", "down", "down")
    assert event.facts["completed"] is False


def test_the_lever_says_when_a_travel_turned_back(make_recording: RecordingBuilder) -> None:
    time_s = clock(60.0)
    track = {
        "time_s": time_s,
        "gear_lever": 1.0 - between(time_s, (20.0, 23.0)),
        "gear_down_locked": 1.0 - between(time_s, (20.4, 26.0)),
        "gear_up_locked": np.zeros(len(time_s)),
    }
    there, back = states_of(make_recording(discretes=track)).events
    assert (there.kind, there.facts["completed"]) == ("gear_up", False)
    assert (back.kind, back.facts["completed"]) == ("gear_down", True)
    assert (there.time_s, there.stop_s, back.stop_s) == pytest.approx((20.4, 23.0, 26.0))


def test_both_locks_made_are_unknown_and_said(make_recording: RecordingBuilder) -> None:
    time_s = clock(60.0)
    track = {
        "time_s": time_s,
        "gear_down_locked": np.ones(len(time_s)),
        "gear_up_locked": between(time_s, (30.0, 40.0)),
    }
    states = states_of(make_recording(discretes=track))
    assert states.courses["gear"].at(35.0) == "unknown"
    assert states.courses["gear"].at(20.0) == "down"
    (finding,) = [f for f in states.findings if f.code == "SWITCHES_DISAGREE"]
    assert (finding.start_s, finding.stop_s) == pytest.approx((30.0, 40.0))


def test_a_lever_against_the_locks_is_said(make_recording: RecordingBuilder) -> None:
    time_s = clock(120.0)
    track = {
        "time_s": time_s,
        "gear_lever": 1.0 - between(time_s, (40.0, 100.0)),  # up selected for a minute, nothing moves
        "gear_down_locked": np.ones(len(time_s)),
        "gear_up_locked": np.zeros(len(time_s)),
    }
    states = states_of(make_recording(discretes=track))
    assert states.events == ()
    (finding,) = [f for f in states.findings if f.code == "SWITCHES_DISAGREE"]
    assert (finding.start_s, finding.stop_s) == pytest.approx((40.0, 100.0))


def test_missing_rows_leave_the_gear_unknown(make_recording: RecordingBuilder) -> None:
    time_s = np.concatenate((clock(30.0), 50.0 + clock(30.0)))
    n = len(time_s)
    track = {"time_s": time_s, "gear_down_locked": np.ones(n), "gear_up_locked": np.zeros(n)}
    course = states_of(make_recording(discretes=track)).courses["gear"]
    assert [course.at(t) for t in (20.0, 40.0, 60.0)] == ["down", "unknown", "down"]


def test_gear_position_word_and_single_switch(make_recording: RecordingBuilder) -> None:
    time_s = clock(100.0)
    position = {"time_s": time_s, "gear_position": ramp(time_s, (0, 1), (20, 1), (28, 0), (60, 0), (66, 1))}
    up, down = states_of(make_recording(discretes=position)).events
    assert (up.kind, down.kind) == ("gear_up", "gear_down")
    assert (up.time_s, up.stop_s) == pytest.approx((20.0, 28.0), abs=0.3)
    assert (down.time_s, down.stop_s) == pytest.approx((60.0, 66.0), abs=0.3)

    words = np.where(time_s < 20, "DOWN", np.where(time_s < 27, "In Transit", "up")).astype(object)
    (event,) = states_of(make_recording(discretes={"time_s": time_s, "gear_reported": words})).events
    assert event.kind == "gear_up"
    assert (event.time_s, event.stop_s) == pytest.approx((20.0, 27.0))

    lever = {"time_s": time_s, "gear_lever": 1.0 - between(time_s, (20.0, 200.0))}
    (event,) = states_of(make_recording(discretes=lever)).events
    assert event.kind == "gear_up"
    assert event.time_s == pytest.approx(20.0)
    assert event.uncertainty_s >= 2.0  # the travel itself was not seen


def test_a_gear_position_hidden_by_missing_rows_is_unknown_there(make_recording: RecordingBuilder) -> None:
    time_s = clock(120.0)
    position = np.where(time_s < 50, 1.0, 0.0)
    position[(time_s >= 40) & (time_s < 70)] = np.nan
    states = states_of(make_recording(discretes={"time_s": time_s, "gear_position": position}))
    assert states.events == ()
    assert [states.courses["gear"].at(t) for t in (20, 55, 100)] == ["down", "unknown", "up"]


def test_fixed_gear_is_said_by_the_settings_and_never_guessed(make_recording: RecordingBuilder) -> None:
    recording = make_recording(display={"time_s": clock(60.0), "indicated_airspeed": np.full(300, 40.0)})
    fixed = states_of(recording, "[aircraft]\nretractable_gear = false")
    assert set(fixed.labels["gear"]) == {"fixed"}
    silent = states_of(recording)
    assert set(silent.labels["gear"]) == {"unknown"}
    assert any(f.code == "NOT_ATTEMPTED" and f.where == "gear" for f in silent.findings)


# --- flap ---------------------------------------------------------------------------------------


def test_noise_travel_and_blow_back_of_the_stored_case(make_recording: RecordingBuilder) -> None:
    expected = json.loads((CASE_88 / "expected.json").read_text(encoding="utf-8"))["expect"]["result"]
    lines = (CASE_88 / "log.csv").read_text(encoding="utf-8").splitlines()[1:]
    degrees: Floats = np.array([float(line.split(",")[1]) for line in lines])
    time_s = np.arange(float(len(degrees))) * 0.5  # the case says: 0.5 s between rows, no gap
    found = find_detents(time_s, np.radians(degrees), float(np.radians(40.0)))
    assert np.degrees(found.levels) == pytest.approx(expected["detents_deg"], abs=expected["tolerance_deg"])
    states = states_of(make_recording(discretes={"time_s": time_s, "flap_angle": np.radians(degrees)}))
    assert len(states.events) == len(expected["travel"])
    for event, travel in zip(states.events, expected["travel"], strict=True):
        assert abs(event.time_s / 0.5 - travel["start_row"]) <= travel["tol_rows"]
        assert abs(event.stop_s / 0.5 - travel["end_row"]) <= travel["tol_rows"]
    assert [e.after for e in states.events] == ["20", "40"]


@given(
    noise=st.floats(0.0, 0.012),
    creep=st.floats(-0.03, 0.03),
    travel_s=st.floats(3.0, 15.0),
    target=st.sampled_from([0.33, 0.5, 1.0]),
    seed=st.integers(0, 10_000),
)
@settings(max_examples=50, deadline=None)
def test_one_travel_is_found_and_creep_is_none(
    noise: float, creep: float, travel_s: float, target: float, seed: int
) -> None:
    """Creep of up to 3 % of the travel within a minute (common practice, no source) is not a setting."""
    time_s = clock(180.0)
    position = ramp(time_s, (0, 0), (60, 0), (60 + travel_s, target), (100, target), (160, target + creep))
    position = position + np.random.default_rng(seed).normal(0.0, noise, len(time_s))
    found = find_detents(time_s, position, 1.0)
    assert len(found.levels) == 2
    assert found.levels[0] == pytest.approx(0.0, abs=0.02)
    assert found.levels[1] == pytest.approx(target, abs=0.04)


def flap_states(make_recording: RecordingBuilder, position: Floats, toml: str = "") -> States:
    time_s = np.arange(len(position)) * STEP_S
    return states_of(make_recording(discretes={"time_s": time_s, "flap_position": position}), toml)


def test_flap_events_have_start_end_and_names(make_recording: RecordingBuilder) -> None:
    time_s = clock(200.0)
    position = ramp(time_s, (0, 0), (50, 0), (54, 0.5), (100, 0.5), (104, 1), (150, 1), (158, 0))
    states = flap_states(make_recording, np.round(position, 2))
    assert [e.time_s for e in states.events] == pytest.approx([50, 100, 150], abs=0.2)
    assert [e.stop_s for e in states.events] == pytest.approx([54, 104, 158], abs=0.2)
    assert [(e.before, e.after) for e in states.events] == [("up", "half"), ("half", "full"), ("full", "up")]
    course = states.courses["flap"]
    assert [course.at(t) for t in (20, 52, 80, 102, 120, 154, 190)] == [
        "up", "transit", "half", "transit", "full", "transit", "up",
    ]  # fmt: skip


def test_named_settings_are_matched_and_a_rounded_share_names_the_rest(make_recording: RecordingBuilder) -> None:
    time_s = clock(200.0)
    position = ramp(time_s, (0, 0), (50, 0), (54, 0.3), (100, 0.3), (104, 0.72))
    toml = """
    [[aircraft.flap_settings]]
    name = "0"
    position = 0.0
    [[aircraft.flap_settings]]
    name = "take-off"
    position = 0.33
    """
    assert [e.after for e in flap_states(make_recording, position, toml).events] == ["take-off", "70%"]
    assert [e.after for e in flap_states(make_recording, position).events] == ["30%", "70%"]


def test_a_travel_that_turns_back_is_two_events(make_recording: RecordingBuilder) -> None:
    time_s = clock(120.0)
    position = ramp(time_s, (0, 0.5), (50, 0.5), (54, 0.02), (62, 1.0))
    events = flap_states(make_recording, position).events
    assert [(e.before, e.after) for e in events] == [("half", "up"), ("up", "full")]
    assert events[0].time_s == pytest.approx(50.0, abs=0.5)
    assert events[1].stop_s == pytest.approx(62.0, abs=0.5)


def test_a_flap_hidden_by_missing_rows_is_unknown_there_and_no_event_is_made_up(
    make_recording: RecordingBuilder,
) -> None:
    time_s = clock(120.0)
    position = np.where(time_s < 50, 0.0, 1.0)
    position[(time_s >= 40) & (time_s < 70)] = np.nan
    states = flap_states(make_recording, position)
    assert states.events == ()
    assert [states.courses["flap"].at(t) for t in (20, 55, 100)] == ["up", "unknown", "full"]


def test_selections_in_words_and_numbers_are_kept_as_written(make_recording: RecordingBuilder) -> None:
    time_s = clock(60.0)
    words = np.where(time_s < 30, "T/O", "LDG").astype(object)
    (event,) = states_of(make_recording(display={"time_s": time_s, "flap_reported": words})).events
    assert event.time_s == pytest.approx(30.0)
    assert (event.before, event.after) == ("t/o", "ldg")
    numbers = np.where(time_s < 30, 0.0, 2.0)
    (event,) = states_of(make_recording(display={"time_s": time_s, "flap_detent": numbers})).events
    assert (event.before, event.after) == ("0", "2")


# --- flap told from the wing's response ---------------------------------------------------------


def glider_like_flight(shift_rad: dict[tuple[float, float], float], seed: int = 1) -> dict[str, Floats]:
    """Level flight at changing speed: pitch = line in load factor over dynamic pressure, moved down by flaps.

    Wing loading 800 Pa and lift-curve slope 4.8/rad (a light aircraft's), zero-lift angle -2 deg.
    """
    time_s = clock(1800.0)
    speed = 45.0 + 12.0 * np.sin(2 * np.pi * time_s / 400.0)
    speed[time_s < 60] = np.linspace(0, speed[300], 300)
    speed[time_s >= 1740] = np.linspace(speed[8699], 0, 300)
    pressure = 0.5 * 1.225 * np.maximum(speed, 10.0) ** 2
    pitch = np.radians(-2.0) + 800.0 / 4.8 / pressure
    for (first, last), shift in shift_rad.items():
        pitch = pitch + shift * between(time_s, (first, last))
    rng = np.random.default_rng(seed)
    height = 1000.0 + np.interp(time_s, [0, 60, 120, 1680, 1740, 1800], [0, 0, 200, 200, 0, 0])
    climb = np.gradient(height, STEP_S)
    return {
        "time_s": time_s,
        "indicated_airspeed": speed,
        "true_airspeed": speed,
        "pressure_altitude": height,
        "pitch": pitch + np.arcsin(climb / np.maximum(speed, 15.0)) + rng.normal(0, np.radians(0.3), len(time_s)),
        "normal_load_factor": np.ones(len(time_s)),
    }


def test_flaps_nobody_recorded_are_told_from_the_angle_of_attack(make_recording: RecordingBuilder) -> None:
    shifts = {(500.0, 800.0): np.radians(-3.2), (800.0, 1000.0): np.radians(-6.0)}
    states = states_of(make_recording(display=glider_like_flight(shifts)))
    assert [(e.before, e.after) for e in states.events] == [("up", "half"), ("half", "full"), ("full", "up")]
    for event, planted in zip(states.events, (500.0, 800.0, 1000.0), strict=True):
        assert event.time_s - event.uncertainty_s <= planted <= event.stop_s + event.uncertainty_s
        assert event.confidence <= 0.7
    assert any(f.code == "STATE_INFERRED" and f.where == "flap" for f in states.findings)


def test_a_flight_without_flaps_tells_no_flaps(make_recording: RecordingBuilder) -> None:
    states = states_of(make_recording(display=glider_like_flight({})))
    assert states.events == ()
    assert set(states.labels["flap"]) == {"unknown"}
    assert any(f.code == "NOT_ATTEMPTED" and f.where == "flap" for f in states.findings)


def brute_force_course(cost: Floats, penalty: float) -> float:
    """Cheapest cost over every course, tried one by one."""
    steps, states = cost.shape
    best = np.inf
    for code in range(states**steps):
        path = [(code // states**k) % states for k in range(steps)]
        changes = sum(a != b for a, b in pairwise(path))
        best = min(best, float(cost[np.arange(steps), path].sum()) + penalty * changes)
    return best


@given(st.lists(st.tuples(*[st.floats(0.0, 9.0)] * 3), min_size=1, max_size=7), st.floats(0.0, 5.0))
@settings(max_examples=60, deadline=None)
def test_the_course_through_the_states_is_the_cheapest_of_all(rows: list[tuple[float, ...]], penalty: float) -> None:
    cost = np.array(rows)
    path = cheapest_states(cost, penalty)
    found = float(cost[np.arange(len(cost)), path].sum()) + penalty * np.count_nonzero(np.diff(path))
    assert found == pytest.approx(brute_force_course(cost, penalty), abs=1e-9)


# --- the whole ----------------------------------------------------------------------------------


def test_configuration_stretches_cover_the_grid_and_agree_with_the_rows(make_recording: RecordingBuilder) -> None:
    time_s = clock(200.0)
    flap = ramp(time_s, (0, 0), (22, 0), (26, 0.5), (100, 0.5), (104, 1))
    recording = make_recording(discretes={**gear_track(time_s), "flap_position": flap})
    grid = make_grid(recording)
    states = find_states(grid, Settings(), recording)
    stretches = config_states(states, grid)
    assert stretches[0].segment.start_s == grid.time_s[0]
    assert stretches[-1].segment.stop_s == pytest.approx(grid.time_s[-1] + grid.step_s)
    assert all(a.segment.stop_s == b.segment.start_s for a, b in pairwise(stretches))
    assert all(a != b for a, b in pairwise(stretches))
    for run in state_runs(states):
        middle = (run.segment.start_s + run.segment.stop_s) / 2
        (here,) = [s for s in stretches if s.segment.start_s <= middle < s.segment.stop_s]
        assert getattr(here, run.channel) == run.value
    assert {run.channel for run in state_runs(states)} == set(CONFIGURATION)


def test_nothing_recorded_is_unknown_everywhere(make_recording: RecordingBuilder) -> None:
    states = states_of(make_recording(display={"time_s": clock(10.0), "outside_air_temperature": np.full(50, 280.0)}))
    for channel in CONFIGURATION:
        assert set(states.labels[channel]) == {"unknown"}
    assert {f.code for f in states.findings} == {"NOT_ATTEMPTED"}
