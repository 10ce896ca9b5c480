"""The frame: other recorders on the main clock, gaps kept, angles the short way, states held."""

import datetime as dt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trimshot.shared.frame import frame_columns, gap_limit_s, sample_column
from trimshot.shared.recording import Column, Recording, Track
from trimshot.shared.vocabulary import unit_of_channel

DEG = np.pi / 180


def track(name: str, time: object, **channels: object) -> Track:
    """A track of the given samples, words as objects."""
    times = np.asarray(time, dtype=np.float64)
    columns = {}
    for channel, given_values in channels.items():
        values = np.asarray(given_values)
        values = values.astype(np.float64) if values.dtype.kind in "if" else values.astype(object)
        columns[channel] = Column(channel, values, unit_of_channel(channel), channel)
    return Track(name, times, columns, (), np.arange(len(times)), np.zeros(len(times), dtype=np.int16))


def sampled(one: Track, name: str, *times: float) -> list[object]:
    """Samples at times, as a list."""
    return list(sample_column(one, name, np.array(times)).tolist())


def test_numbers_go_straight_between_neighbours() -> None:
    engine = track("engine", [0, 1, 2], fuel_flow=[1.0, 3.0, 2.0])
    assert sampled(engine, "fuel_flow", 0.0, 0.25, 1.0, 1.5, 2.0) == [1.0, 1.5, 3.0, 2.5, 2.0]


def test_nothing_is_made_up_before_the_first_and_after_the_last_sample() -> None:
    engine = track("engine", [1, 2], fuel_flow=[1.0, 3.0])
    assert np.isnan(sampled(engine, "fuel_flow", 0.9, 2.1)).all()  # type: ignore[arg-type]


def test_gaps_stay_gaps() -> None:
    engine = track("engine", [0, 1, 2, 3, 6, 7, 8], fuel_flow=np.arange(7.0))
    assert gap_limit_s(engine) == 2.5
    found = np.array(sampled(engine, "fuel_flow", 2.5, 3.0, 3.01, 4.5, 5.99, 6.0, 6.5))
    assert np.isnan(found).tolist() == [False, False, True, True, True, False, False]
    assert found[[1, 5]].tolist() == [3.0, 4.0]


def test_missing_samples_are_bridged_only_below_the_gap_limit() -> None:
    engine = track("engine", range(8), fuel_flow=[0, 1, np.nan, 3, np.nan, np.nan, np.nan, 7])
    found = np.array(sampled(engine, "fuel_flow", 2.0, 4.0, 5.5, 7.0))
    assert found[[0, 3]].tolist() == [2.0, 7.0]
    assert np.isnan(found[1:3]).all()


def test_heading_goes_the_short_way_round() -> None:
    gnss = track("gnss", [0, 1, 2, 3], track_true=np.array([350, 10, 350, 200]) * DEG)
    found = np.array(sampled(gnss, "track_true", 0.25, 0.75, 1.75, 2.5)) / DEG
    assert found == pytest.approx([355, 5, 355, 275])


def test_heading_stays_within_a_circle() -> None:
    gnss = track("gnss", [0, 1, 2, 3, 4], track_true=np.array([300, 20, 100, 180, 260]) * DEG)
    found = np.array(sampled(gnss, "track_true", *np.linspace(0, 4, 41)))
    assert ((found >= 0) & (found < 2 * np.pi)).all()


def test_longitude_crosses_the_date_line() -> None:
    gnss = track("gnss", [0, 1, 2], longitude=[179.9, -179.9, -179.7])
    found = sampled(gnss, "longitude", 0.25, 0.75, 1.5)
    assert found == pytest.approx([179.95, -179.95, -179.8])


@given(st.lists(st.floats(0, 359.999), min_size=2, max_size=20))
def test_an_angle_never_leaves_the_shorter_arc(angles: list[float]) -> None:
    gnss = track("gnss", range(len(angles)), track_true=np.array(angles) * DEG)
    middle = np.array(sampled(gnss, "track_true", *(np.arange(len(angles) - 1) + 0.5)))
    for here, first, second in zip(middle, angles[:-1], angles[1:], strict=True):
        apart = abs((second - first + 180) % 360 - 180)
        from_first = abs((here / DEG - first + 180) % 360 - 180)
        assert from_first == pytest.approx(apart / 2, abs=1e-6)


def test_states_hold_and_never_blend() -> None:
    switches = track("switches", [0, 1, 2], gear_lever=[0, 1, 0], gear_reported=["UP", "DOWN", None])
    assert sampled(switches, "gear_lever", 0.0, 0.99, 1.0, 1.6, 2.0) == [0.0, 0.0, 1.0, 1.0, 0.0]
    assert sampled(switches, "gear_reported", 0.5, 1.0, 2.0, 3.4) == ["UP", "DOWN", "DOWN", "DOWN"]


def test_states_are_not_held_across_a_gap_or_before_the_start() -> None:
    switches = track("switches", [1, 2, 3, 9], gear_lever=[0, 1, 1, 0])
    found = np.array(sampled(switches, "gear_lever", 0.5, 5.4, 5.6, 8.9, 9.0))
    assert np.isnan(found).tolist() == [True, False, True, True, False]


def test_a_single_row_is_not_held_for_ever() -> None:
    switches = track("switches", [10.0], gear_lever=[1], gear_reported=["DOWN"], fuel_flow=[2.0])
    assert sampled(switches, "gear_lever", 10.0, 11.0) == [1.0, 1.0]
    assert sampled(switches, "gear_reported", 9.0, 10.0, 60.0) == [None, "DOWN", None]
    assert np.isnan(sampled(switches, "fuel_flow", 60.0)).all()  # type: ignore[arg-type]


def test_a_column_without_samples_gives_none() -> None:
    engine = track("engine", [0, 1], fuel_flow=[np.nan, np.nan], flap_reported=[None, None])
    assert np.isnan(sampled(engine, "fuel_flow", 0.0, 0.5)).all()  # type: ignore[arg-type]
    assert sampled(engine, "flap_reported", 0.0, 0.5) == [None, None]


def recording() -> Recording:
    """A display at 10 Hz with a drop-out and an engine monitor at 1 Hz."""
    airspeed = np.linspace(50, 60, 101)
    airspeed[30:60] = np.nan
    display = track("display", np.arange(101) / 10, indicated_airspeed=airspeed, pitch=np.zeros(101))
    engine = track(
        "engine", np.arange(11.0), indicated_airspeed=np.full(11, 1.0), fuel_flow=np.arange(11.0), raw_x=np.ones(11)
    )
    return Recording("s1", dt.datetime(2020, 1, 1, tzinfo=dt.UTC), (engine, display), "display")


def test_main_track_is_untouched() -> None:
    sortie = recording()
    main = sortie.track("display")
    before = main.columns["indicated_airspeed"].values.copy()
    frame = frame_columns(sortie)
    assert frame["indicated_airspeed"] is main.columns["indicated_airspeed"].values
    np.testing.assert_array_equal(frame["indicated_airspeed"], before)  # its own gap, not filled from the engine's


def test_frame_holds_every_canonical_channel_on_the_main_clock() -> None:
    frame = frame_columns(recording())
    assert list(frame) == ["indicated_airspeed", "pitch", "fuel_flow"]
    assert {len(values) for values in frame.values()} == {101}
    np.testing.assert_allclose(frame["fuel_flow"].astype(np.float64), np.arange(101) / 10, atol=1e-12)


def test_channels_asked_for_and_absent_are_left_out() -> None:
    assert list(frame_columns(recording(), ["fuel_flow", "mass", "raw_x"])) == ["fuel_flow", "raw_x"]
