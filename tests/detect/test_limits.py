"""Limits passed and peak loads: planted excursions come back with peak and duration, single samples do not."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest

from trimshot.detect.limits import LIMITS, find_exceedances
from trimshot.detect.loads import find_peak_loads
from trimshot.detect.signal import make_grid
from trimshot.detect.states import find_states
from trimshot.shared.findings import Event, Finding
from trimshot.shared.recording import Floats, Recording
from trimshot.shared.settings import Settings, parse_settings

RecordingBuilder = Callable[..., Recording]
KNOT = 1852 / 3600
T = np.arange(3000) / 10.0


def exceedances(recording: Recording, aircraft: str) -> tuple[tuple[Event, ...], tuple[Finding, ...]]:
    settings = parse_settings(f"[aircraft]\n{aircraft}", "test")
    grid = make_grid(recording)
    return find_exceedances(recording, find_states(grid, settings, recording), settings.aircraft)


def hump(base: float, peak: float, first: float, last: float) -> Floats:
    """Base, risen to a peak half way between two times."""
    return np.interp(T, [first, (first + last) / 2, last], [base, peak, base])


CASES = [
    ("never_exceed_speed", '"150 kt"', "indicated_airspeed", 140 * KNOT, 160 * KNOT, 150 * KNOT),
    ("maximum_load_factor", "3.8", "normal_load_factor", 1.0, 4.5, 3.8),
    ("minimum_load_factor", "-1.5", "normal_load_factor", 1.0, -2.0, -1.5),
    ("maximum_engine_speed", '"2700 rpm"', "engine_speed", 40.0, 46.0, 45.0),
    ("maximum_cylinder_head_temperature", '"230 degC"', "cylinder_head_temperature_3", 480.0, 520.0, 503.15),
    ("maximum_exhaust_gas_temperature", '"850 degC"', "exhaust_gas_temperature_1", 1000.0, 1150.0, 1123.15),
    ("maximum_oil_temperature", '"118 degC"', "oil_temperature", 360.0, 400.0, 391.15),
]  # fmt: skip


@pytest.mark.parametrize(("key", "written", "channel", "base", "peak", "limit"), CASES)
def test_an_excursion_has_peak_duration_and_limit(
    make_recording: RecordingBuilder, key: str, written: str, channel: str, base: float, peak: float, limit: float
) -> None:
    recording = make_recording(display={"time_s": T, channel: hump(base, peak, 100.0, 140.0)})
    (event,), _ = exceedances(recording, f"{key} = {written}")
    assert event.kind == f"exceeded_{key}"
    assert event.channel == channel
    assert event.facts["limit"] == pytest.approx(limit)
    assert event.facts["peak"] == pytest.approx(peak, abs=0.02 * abs(peak - base))
    assert event.after == event.facts["peak"]
    # straight sides: the share of the 40 s that the hump spends beyond the limit
    assert event.facts["duration_s"] == pytest.approx(40.0 * (peak - limit) / (peak - base), abs=0.5)
    assert event.stop_s - event.time_s == pytest.approx(event.facts["duration_s"])
    assert event.uncertainty_s == pytest.approx(0.1)


def test_every_limit_of_the_settings_is_tried_above() -> None:
    assert {c[0] for c in CASES} | {"gear_operating_speed", "gear_extended_speed"} == {one.key for one in LIMITS}


@pytest.mark.parametrize(("key", "written", "channel", "base", "peak", "limit"), CASES)
def test_a_single_sample_beyond_is_no_excursion(
    make_recording: RecordingBuilder, key: str, written: str, channel: str, base: float, peak: float, limit: float
) -> None:
    values = np.full(len(T), base)
    values[1000] = peak
    events, _ = exceedances(make_recording(display={"time_s": T, channel: values}), f"{key} = {written}")
    assert events == ()


def test_two_excursions_close_together_are_one_and_far_apart_two(make_recording: RecordingBuilder) -> None:
    speed = np.full(len(T), 70.0)
    for first, last in ((100, 110), (113, 120), (200, 210)):
        speed[(first <= T) & (last > T)] = 80.0
    events, _ = exceedances(
        make_recording(display={"time_s": T, "indicated_airspeed": speed}), 'never_exceed_speed = "75 m/s"'
    )
    assert [(round(e.time_s), round(e.stop_s)) for e in events] == [(100, 120), (200, 210)]


def test_nothing_is_claimed_across_a_drop_out(make_recording: RecordingBuilder) -> None:
    keep = (T < 105) | (T > 125)
    speed = np.where((T > 100) & (T < 130), 80.0, 70.0)
    recording = make_recording(display={"time_s": T[keep], "indicated_airspeed": speed[keep]})
    events, _ = exceedances(recording, 'never_exceed_speed = "75 m/s"')
    assert [(round(e.time_s), round(e.stop_s)) for e in events] == [(100, 105), (125, 130)]


GEAR = np.interp(T, [100.0, 107.0, 200.0, 207.0], [0.0, 1.0, 1.0, 0.0])


def test_gear_limits_hold_with_the_gear_down_or_moving(make_recording: RecordingBuilder) -> None:
    display = {"time_s": T, "gear_position": GEAR, "indicated_airspeed": np.full(len(T), 60.0)}
    recording = make_recording(display=display)
    events, _ = exceedances(recording, 'gear_operating_speed = "58 m/s"\ngear_extended_speed = "70 m/s"')
    assert [(e.kind, round(e.time_s), round(e.stop_s)) for e in events] == [
        ("exceeded_gear_operating_speed", 100, 107),
        ("exceeded_gear_operating_speed", 200, 207),
    ]
    (extended,), _ = exceedances(recording, 'gear_extended_speed = "58 m/s"')  # holds while it moves, too
    assert (round(extended.time_s), round(extended.stop_s)) == (100, 207)


def test_the_flaps_own_limits_hold_by_setting(make_recording: RecordingBuilder) -> None:
    position = np.interp(T, [50, 54, 150, 154], [0.0, 0.5, 0.5, 1.0])
    speed = np.interp(T, [100, 101], [50.0, 45.0])
    aircraft = (
        '[[aircraft.flap_settings]]\nname = "up"\nposition = 0.0\n'
        '[[aircraft.flap_settings]]\nname = "half"\nposition = 0.5\nlimit_speed = "48 m/s"\n'
        '[[aircraft.flap_settings]]\nname = "full"\nposition = 1.0\nlimit_speed = "42 m/s"\n'
    )
    recording = make_recording(display={"time_s": T, "flap_position": position, "indicated_airspeed": speed})
    events, _ = exceedances(recording, aircraft)
    assert [(round(e.time_s), e.facts["limit"]) for e in events] == [(50, 48.0), (150, 42.0)]


def test_a_limit_of_a_state_that_was_only_concluded_is_no_surer_than_the_state(
    make_recording: RecordingBuilder,
) -> None:
    display = {"time_s": T, "gear_position": GEAR, "indicated_airspeed": np.full(len(T), 60.0)}
    recording = make_recording(display=display)
    settings = parse_settings('[aircraft]\ngear_extended_speed = "58 m/s"', "test")
    grid = make_grid(recording)
    states = find_states(grid, settings, recording)
    concluded = tuple(dataclasses.replace(e, confidence=0.6) for e in states.events)
    (sure,), _ = find_exceedances(recording, states, settings.aircraft)
    (doubtful,), _ = find_exceedances(recording, dataclasses.replace(states, events=concluded), settings.aircraft)
    assert (sure.confidence, doubtful.confidence) == (0.9, 0.6)


def test_limits_the_settings_do_not_name_are_one_finding(make_recording: RecordingBuilder) -> None:
    recording = make_recording(display={"time_s": T, "indicated_airspeed": hump(60, 90, 100, 140)})
    events, findings = exceedances(recording, 'never_exceed_speed = "200 kt"')
    assert events == ()
    (finding,) = findings
    assert finding.code == "NOT_ATTEMPTED"
    assert "aircraft.maximum_load_factor" in finding.text
    assert "never_exceed_speed" not in finding.text


def test_a_limit_without_its_channel_is_told(make_recording: RecordingBuilder) -> None:
    recording = make_recording(display={"time_s": T, "indicated_airspeed": np.full(len(T), 50.0)})
    _, findings = exceedances(recording, 'maximum_oil_temperature = "118 degC"\ngear_extended_speed = "60 m/s"')
    told = [f.facts["keys"] for f in findings]
    assert ["gear_extended_speed", "maximum_oil_temperature"] in told


def test_a_fixed_gear_has_no_gear_limits_to_name(make_recording: RecordingBuilder) -> None:
    recording = make_recording(display={"time_s": T, "indicated_airspeed": np.full(len(T), 50.0)})
    _, (finding,) = exceedances(recording, "retractable_gear = false")
    assert not any("gear" in key for key in finding.facts["keys"])


# --- peak loads --------------------------------------------------------------------------------------


def peaks(make_recording: RecordingBuilder, load: Floats) -> tuple[Event, ...]:
    recording = make_recording(display={"time_s": T, "normal_load_factor": load})
    grid = make_grid(recording)
    return find_peak_loads(recording, grid, np.ones(len(grid), dtype=bool))


def test_the_highest_and_lowest_load_and_every_far_excursion(make_recording: RecordingBuilder) -> None:
    load = np.ones(len(T))
    for centre, size in ((50.0, 1.4), (100.0, 1.9), (150.0, -0.9), (200.0, 0.4)):
        load = load + size * np.exp(-(((T - centre) / 1.5) ** 2))
    found = peaks(make_recording, load)
    assert [(round(e.facts["peak_s"]), round(e.facts["peak"], 1)) for e in found] == [(50, 2.4), (100, 2.9), (150, 0.1)]
    assert [e.facts["of_sortie"] for e in found] == [False, True, True]


def test_a_smooth_flight_has_its_own_peaks_alone(make_recording: RecordingBuilder) -> None:
    load = 1 + 0.3 * np.sin(2 * np.pi * T / 40.0)
    assert len(peaks(make_recording, load)) == 2
    assert peaks(make_recording, np.ones(len(T))) == ()


def test_one_sample_is_no_peak(make_recording: RecordingBuilder) -> None:
    load = np.ones(len(T))
    load[1000] = 5.0
    assert peaks(make_recording, load) == ()


def test_no_settings_no_limits(make_recording: RecordingBuilder) -> None:
    recording = make_recording(display={"time_s": T, "indicated_airspeed": np.full(len(T), 500.0)})
    grid = make_grid(recording)
    events, _ = find_exceedances(recording, find_states(grid, Settings(), recording), Settings().aircraft)
    assert events == ()
