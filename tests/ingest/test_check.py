"""Faults planted in sound recordings are found where they are; sound recordings give none."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimshot.ingest.check import bad_samples, check
from trimshot.shared.codes import CODES
from trimshot.shared.findings import Finding
from trimshot.shared.recording import Clock, Column, Floats, Source, Track
from trimshot.shared.units import to_si
from trimshot.shared.vocabulary import unit_of_channel

COUNT, RATE_HZ = 6000, 5.0


def make_track(values: dict[str, Floats], name: str = "display", time_s: Floats | None = None) -> Track:
    count = len(next(iter(values.values())))
    stamps = np.arange(count) / RATE_HZ if time_s is None else time_s
    columns = {n: Column(n, v, unit_of_channel(n), f"{n}_header") for n, v in values.items()}
    source = Source(f"{name}.csv", "00", 1, "test", 1, name, Clock("utc"))
    row = np.arange(1, count + 1, dtype=np.int64)
    return Track(name, np.asarray(stamps), columns, (source,), row, np.zeros(count, dtype=np.int16))


def sound(seed: int = 1) -> dict[str, Floats]:
    """Twenty minutes of flying at 5 Hz: climbs, descents, turns in a wind, rounded as recorders do."""
    random = np.random.default_rng(seed)
    time_s = np.arange(COUNT) / RATE_HZ
    height = 1500 + 400 * np.sin(time_s / 150.0) + random.normal(0, 0.3, COUNT)
    speed = 50 + 4 * np.sin(time_s / 37.0)
    course = time_s / 60.0
    east, north = speed * np.sin(course) + 6.0, speed * np.cos(course) - 3.0
    shown = speed * np.sqrt((1 - 2.25577e-5 * height) ** 4.2559)
    climb = 400 / 150.0 * np.cos(time_s / 150.0)
    return {
        "indicated_airspeed": np.round(shown + random.normal(0, 0.1, COUNT), 1),
        "pressure_altitude": np.round(height, 1),
        "vertical_speed": np.round(climb + random.normal(0, 0.1, COUNT), 1),
        "outside_air_temperature": np.round((288.15 - 0.0065 * height) * 2) / 2,
        "ground_speed": np.asarray(np.round(np.hypot(east, north), 1), dtype=np.float64),
        "track_true": np.arctan2(east, north) % (2 * np.pi),
        "bank": np.round(0.1 * np.sin(time_s / 9.0) + random.normal(0, 0.004, COUNT), 3),
        "engine_speed": np.round((40 + 2 * np.sin(time_s / 80.0)) * 6) / 6,
    }


def codes(findings: tuple[Finding, ...]) -> set[str]:
    assert {f.code for f in findings} <= set(CODES)
    return {f.code for f in findings}


def about(findings: tuple[Finding, ...], code: str, channel: str) -> list[Finding]:
    return [f for f in findings if f.code == code and f.facts.get("channel") == channel]


# -- nothing wrong --------------------------------------------------------------------------------


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000))
def test_a_sound_recording_has_no_fault(seed: int) -> None:
    assert codes(check([make_track(sound(seed))])) <= {"QUANTISED"}


def test_samples_are_not_altered() -> None:
    values = sound()
    values["vertical_speed"][777] = 50.0
    before = {n: v.copy() for n, v in values.items()}
    check([make_track(values)])
    for name, column in values.items():
        np.testing.assert_array_equal(column, before[name])


def test_parked_and_switched_off_is_no_stuck_channel() -> None:
    # before the engine starts everything rests for minutes, and that is right
    values = sound()
    for name, column in values.items():
        column[:1500] = 0.0 if "speed" in name else column[1500]
    assert not {f.code for f in check([make_track(values)])} & {"STUCK_CHANNEL", "SPIKE"}


def test_coarse_airspeed_that_repeats_is_not_stuck() -> None:
    # whole knots: 16 equal samples in a row are what rounding does (a flat-line test would fire)
    values = sound()
    knot = to_si(1.0, "kt")
    values["indicated_airspeed"] = np.round(values["indicated_airspeed"] / knot) * knot
    findings = check([make_track(values)])
    assert "STUCK_CHANNEL" not in codes(findings)
    (coarse,) = about(findings, "QUANTISED", "indicated_airspeed")
    assert coarse.facts["adds"] == pytest.approx(knot / np.sqrt(12.0), rel=1e-6)  # rectangular distribution


def test_steps_and_ramps_are_no_spikes() -> None:
    values = sound()
    values["engine_speed"][:2000] = 0.0
    values["engine_speed"][2000:2008] = np.linspace(0, values["engine_speed"][2008], 8)
    assert "SPIKE" not in codes(check([make_track(values)]))


def test_course_through_north_is_no_spike() -> None:
    values = sound()
    values["heading_magnetic"] = (values["track_true"] + 0.1) % (2 * np.pi)
    assert "SPIKE" not in codes(check([make_track(values)]))


def test_a_hard_landing_is_real() -> None:
    values = sound()
    values["normal_load_factor"] = 1 + np.random.default_rng(1).normal(0, 0.01, COUNT)
    values["normal_load_factor"][5000] = 1.8
    assert "SPIKE" not in codes(check([make_track(values)]))


# -- spikes ---------------------------------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(
    places=st.lists(st.integers(20, COUNT - 20), min_size=1, max_size=8, unique_by=lambda p: p // 10),
    channel=st.sampled_from(["vertical_speed", "engine_speed", "indicated_airspeed", "pressure_altitude"]),
    up=st.booleans(),
)
def test_planted_spikes_are_found_and_nothing_else(places: list[int], channel: str, up: bool) -> None:
    values = sound()
    size = {"vertical_speed": 20.0, "engine_speed": 60.0, "indicated_airspeed": 30.0, "pressure_altitude": 500.0}
    values[channel][places] += size[channel] if up else -size[channel]
    track = make_track(values)
    findings = check([track])
    (found,) = about(findings, "SPIKE", channel)
    assert found.count == len(places)
    assert found.facts["rows"] == [p + 1 for p in sorted(places)]
    mask = bad_samples(track, findings)[channel]
    assert set(np.flatnonzero(mask)) >= set(places)


def test_two_samples_in_a_row_are_still_a_spike() -> None:
    values = sound()
    values["engine_speed"][[3000, 3001]] = 166.5
    (found,) = about(check([make_track(values)]), "SPIKE", "engine_speed")
    assert found.facts["rows"] == [3001, 3002]


# -- stuck channels -------------------------------------------------------------------------------


def test_stuck_temperature_with_the_change_expected() -> None:
    # 200 s to 500 s of a descent of 400 (1 - sin(500 / 150)) m, all of three degrees
    values = sound()
    values["outside_air_temperature"][1000:2500] = values["outside_air_temperature"][1000]
    track = make_track(values)
    findings = check([track])
    (found,) = about(findings, "STUCK_CHANNEL", "outside_air_temperature")
    assert found.facts["witness"] == "pressure_altitude"
    moved = np.ptp(values["pressure_altitude"][1000:2500])
    assert found.facts["expected_change"] == pytest.approx(0.0065 * moved, rel=0.02)  # ICAO Doc 7488 lapse rate
    assert found.start_s is not None and found.stop_s is not None
    # before 200 s the height turns and the temperature rests by itself
    assert 130.0 < found.start_s <= 200.2 and 499.0 <= found.stop_s < 510.0
    mask = bad_samples(track, findings)["outside_air_temperature"]
    assert mask[1000:2500].all() and not mask[:600].any() and not mask[2600:].any()


@pytest.mark.parametrize("channel", ["vertical_speed", "indicated_airspeed", "bank", "ground_speed"])
def test_stuck_in_flight(channel: str) -> None:
    values = sound()
    values[channel][2500:3000] = values[channel][2500]
    (found,) = about(check([make_track(values)]), "STUCK_CHANNEL", channel)
    assert found.start_s == pytest.approx(500.0, abs=1.0) and found.stop_s == pytest.approx(599.8, abs=1.0)


def test_a_spike_does_not_end_a_stuck_stretch() -> None:
    values = sound()
    values["vertical_speed"][2500:3000] = 0.3
    values["vertical_speed"][2750] = 30.0
    (found,) = about(check([make_track(values)]), "STUCK_CHANNEL", "vertical_speed")
    assert found.facts["seconds"] == pytest.approx(99.8, abs=1.0)


def test_the_witness_may_be_another_recorder() -> None:
    values = sound()
    height = {"pressure_altitude": values.pop("pressure_altitude")}
    values["outside_air_temperature"][:] = 280.0
    findings = check([make_track(values), make_track(height, "logger")])
    (found,) = about(findings, "STUCK_CHANNEL", "outside_air_temperature")
    assert found.facts["witness"] == "pressure_altitude"


def test_steady_height_gives_no_witness() -> None:
    values = sound()
    values["pressure_altitude"] = 1500 + np.random.default_rng(2).normal(0, 0.3, COUNT)
    values["vertical_speed"] = np.round(np.random.default_rng(3).normal(0, 0.2, COUNT), 1)
    values["outside_air_temperature"][:] = 278.0
    assert "STUCK_CHANNEL" not in codes(check([make_track(values)]))


# -- range, switches, gaps ------------------------------------------------------------------------


def test_out_of_range_is_flagged() -> None:
    values = sound()
    values["pressure_altitude"][100:110] = -9999.0
    track = make_track(values)
    findings = check([track])
    (found,) = about(findings, "OUT_OF_RANGE", "pressure_altitude")
    assert found.count == 10 and found.start_s == pytest.approx(20.0)
    assert bad_samples(track, findings)["pressure_altitude"][100:110].all()


def test_a_bouncing_switch_counts_once() -> None:
    values = sound()
    lever = np.zeros(COUNT)
    lever[2000:] = 1.0
    lever[[2001, 2003]] = 0.0
    (found,) = about(check([make_track(values | {"gear_lever": lever})]), "SWITCH_BOUNCE", "gear_lever")
    assert found.count == 1 and found.start_s == pytest.approx(400.0)
    assert found.facts["settling_s"] == pytest.approx(0.8)


def test_a_clean_switch_does_not_bounce() -> None:
    lever = (np.arange(COUNT) // 1500 % 2).astype(float)
    assert "SWITCH_BOUNCE" not in codes(check([make_track(sound() | {"gear_lever": lever})]))


def test_a_gap_is_told_once() -> None:
    values = {n: v[np.r_[0:1000, 1100:COUNT]] for n, v in sound().items()}
    time_s = (np.arange(COUNT) / RATE_HZ)[np.r_[0:1000, 1100:COUNT]]
    track = make_track(values, time_s=time_s)
    (gap,) = [f for f in check([track]) if f.code == "GAP"]
    assert gap.facts["missing_rows"] == 100
    assert gap.start_s == pytest.approx(199.8) and gap.stop_s == pytest.approx(220.0)
    assert "GAP" not in codes(check([track], told=[Finding("GAP", "told", where="display.csv lines 1-2")]))


# -- units and lags -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("factor", "words"),
    [(to_si(1.0, "kt") / to_si(1.0, "mph"), "statute miles"), (1.852, "kilometres"), (1.0, None)],
)
def test_airspeed_in_another_unit_shows_against_ground_speed(factor: float, words: str | None) -> None:
    values = sound()
    values["indicated_airspeed"] = values["indicated_airspeed"] * factor
    found = [f for f in check([make_track(values)]) if f.code == "UNIT_CHANGE_SUSPECTED"]
    assert len(found) == (0 if words is None else 1)
    if words is not None:
        assert words in found[0].text and found[0].facts["scale"] == pytest.approx(factor, rel=0.02)


def test_one_leg_alone_does_not_accuse_the_unit() -> None:
    # a head wind of 15 % looks like miles for knots as long as the flight goes one way
    values = sound()
    values["track_true"] = np.full(COUNT, 1.0)
    values["ground_speed"] = values["indicated_airspeed"] / 1.1508
    assert "UNIT_CHANGE_SUSPECTED" not in codes(check([make_track(values)]))


def test_lag_of_static_line_and_vertical_speed() -> None:
    random = np.random.default_rng(4)
    time_s = np.arange(COUNT) / RATE_HZ

    def height(at: Floats) -> Floats:
        return np.asarray(1500 + 30 * np.sin(at / 6.0) + 60 * np.sin(at / 19.0) + 200 * np.sin(at / 90.0))

    climb = 5 * np.cos(time_s / 6.0) + 60 / 19.0 * np.cos(time_s / 19.0) + 200 / 90.0 * np.cos(time_s / 90.0)
    late = np.interp(time_s - 3.0, time_s, climb)
    values = {
        "gnss_altitude": height(time_s) + random.normal(0, 0.2, COUNT),
        "pressure_altitude": height(time_s - 0.8) + random.normal(0, 0.2, COUNT),
        "vertical_speed": late + random.normal(0, 0.05, COUNT),
    }
    findings = check([make_track(values)])
    (static,) = about(findings, "LAG_SUSPECTED", "pressure_altitude")
    assert static.facts["lag_s"] == pytest.approx(0.8, abs=0.1)
    (vertical,) = about(findings, "LAG_SUSPECTED", "vertical_speed")
    assert vertical.facts["lag_s"] == pytest.approx(3.0 - 0.8, abs=0.2)


def test_a_lag_that_seems_to_grow_is_told_as_it_is_in_the_middle_not_at_time_zero() -> None:
    random = np.random.default_rng(5)
    time_s = 6000.0 + np.arange(COUNT) / RATE_HZ  # at time zero the growth leads far below none

    def height(at: Floats) -> Floats:
        return np.asarray(1500 + 30 * np.sin(at / 6.0) + 60 * np.sin(at / 19.0) + 200 * np.sin(at / 90.0))

    lag_s = np.linspace(0.4, 1.2, COUNT)
    values = {
        "gnss_altitude": height(time_s) + random.normal(0, 0.2, COUNT),
        "pressure_altitude": height(time_s - lag_s) + random.normal(0, 0.2, COUNT),
    }
    (static,) = about(check([make_track(values, time_s=time_s)]), "LAG_SUSPECTED", "pressure_altitude")
    assert static.facts["lag_s"] == pytest.approx(0.8, abs=0.15)


# -- robustness -----------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.sampled_from([0.0, 1.0, np.nan, -1e9, 1e9, 42.0]), min_size=1, max_size=60),
    st.sampled_from(["indicated_airspeed", "pressure_altitude", "gear_lever", "heading_magnetic", "latitude"]),
)
def test_any_samples_are_survived(samples: list[float], channel: str) -> None:
    track = make_track({channel: np.array(samples)})
    masks = bad_samples(track, check([track]))
    assert all(mask.shape == (len(samples),) for mask in masks.values())


def test_no_tracks() -> None:
    assert check([]) == ()
