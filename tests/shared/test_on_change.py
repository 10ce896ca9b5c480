"""Rows on change told from rows with gaps, on made-up recorders whose kind is known by construction."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from trimshot.detect.gear import recorded_gear
from trimshot.detect.switches import read_switch, samples_of
from trimshot.ingest.check.gaps import find_gaps
from trimshot.shared.frame import frame_columns, gap_limit_s
from trimshot.shared.on_change import is_on_change, stamp_step_s, writes_changes
from trimshot.shared.recording import Clock, Column, Floats, Recording, Source, Track
from trimshot.shared.vocabulary import unit_of_channel

# a lever moved six times in half an hour, in bursts and minutes apart
CHANGES = np.array([0.0, 312.4, 319.8, 900.0, 905.2, 1500.6, 1502.6])
LEVER = np.array([1.0, 0.0, 1.0, 0.0, 1.0, 0.0, 1.0])


def make_track(name: str, time_s: Floats, values: dict[str, NDArray[Any]]) -> Track:
    source = Source(f"{name}.csv", "00", 1, "test", 1, name, Clock("utc"))
    columns = {n: Column(n, v, None if v.dtype == object else unit_of_channel(n), n) for n, v in values.items()}
    rows = np.arange(1, len(time_s) + 1, dtype=np.int64)
    return Track(name, time_s, columns, (source,), rows, np.zeros(len(time_s), np.int16))


def recording_of(track: Track) -> Recording:
    main_s = np.arange(0.0, 1800.0, 0.5)
    display = make_track("display", main_s, {"indicated_airspeed": np.full(len(main_s), 50.0)})
    return Recording("s", dt.datetime(2031, 5, 1, tzinfo=dt.UTC), (display, track), "display")


def test_a_lever_written_when_it_moves_holds_until_the_next_row_and_the_end() -> None:
    recording = recording_of(make_track("switches", CHANGES, {"gear_lever": LEVER}))
    track = recording.track("switches")
    assert is_on_change(track) and gap_limit_s(track) == np.inf and find_gaps(track, ()) == []
    held = frame_columns(recording, ["gear_lever"])["gear_lever"]
    time_s = recording.track("display").time_s
    expected = LEVER[np.searchsorted(CHANGES, time_s, side="right") - 1]  # the definition of holding a value
    np.testing.assert_array_equal(np.asarray(held, np.float64), expected)


def test_switches_and_gear_see_the_same() -> None:
    recording = recording_of(make_track("switches", CHANGES, {"gear_lever": LEVER}))
    samples = samples_of(recording, "gear_lever")
    assert samples is not None
    switch = read_switch(samples)
    assert [e.time_s for e in switch.edges] == list(CHANGES[1:])
    assert all(e.uncertainty_s <= 0.1 for e in switch.edges)
    assert switch.gaps == () and switch.stop_s == pytest.approx(1799.5)
    assert switch.at(600.0) == 1.0 and switch.at(1790.0) == 1.0
    told = recorded_gear(recording)
    assert told is not None and told.course.at(600.0) == "down" and told.course.at(1790.0) == "down"


def test_words_and_empty_cells() -> None:
    gear = np.array(["down", "up", None, "down", None, "up", None], dtype=object)
    flap = np.array(["up", None, "half", None, "full", None, "half"], dtype=object)
    track = make_track("states", CHANGES, {"gear_reported": gear, "flap_reported": flap})
    assert is_on_change(track)
    recording = recording_of(track)
    frame = frame_columns(recording, ["gear_reported", "flap_reported"])
    at = int(np.searchsorted(recording.track("display").time_s, 1000.0))
    assert frame["gear_reported"][at] == "down" and frame["flap_reported"][at] == "full"
    assert frame["gear_reported"][-1] == "up" and frame["flap_reported"][-1] == "half"


@pytest.mark.parametrize("case", ["heartbeat", "measured", "regular", "gaps"])
def test_what_is_not_written_on_change(case: str) -> None:
    steady = np.arange(0.0, 600.0, 0.5)
    time_s, values = {
        "heartbeat": (CHANGES, np.array([1.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0])),  # a row repeats the one before
        "measured": (CHANGES, np.array([1.0, 0.4, 1.0, 0.0, 1.0, 0.0, 0.2])),
        "regular": (np.arange(7) * 60.0, LEVER),
        "gaps": (np.delete(steady, slice(300, 500)), np.tile([0.0, 1.0], 500)),
    }[case]
    track = make_track("switches", np.asarray(time_s, dtype=np.float64), {"gear_lever": np.asarray(values, np.float64)})
    assert not is_on_change(track) and np.isfinite(gap_limit_s(track))


@given(st.integers(0, 10_000), st.floats(0.2, 20.0))
def test_a_recorder_with_a_rate_is_never_taken_for_one(seed: int, rate_hz: float) -> None:
    random = np.random.default_rng(seed)
    time_s = np.arange(400) / rate_hz + random.normal(0, 0.02 / rate_hz, 400)
    kept = np.sort(random.choice(400, int(random.integers(200, 400)), replace=False))
    assert not writes_changes(np.sort(time_s)[kept], [random.integers(0, 2, len(kept)).astype(float)])


@pytest.mark.parametrize(("digits", "step_s"), [(0, 1.0), (1, 0.1), (2, 0.01)])
def test_stamps_tell_how_finely(digits: int, step_s: float) -> None:
    random = np.random.default_rng(1)
    time_s: Floats = np.asarray(0.37, np.float64) + np.round(np.cumsum(random.uniform(0.3, 300.0, 40)), digits)
    assert stamp_step_s(make_track("switches", time_s, {"gear_lever": np.tile([0.0, 1.0], 20)})) == step_s
