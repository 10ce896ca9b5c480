"""An event is told no better than the clock of the recorder that saw it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest

from trimshot.detect.clock_doubt import with_clock_doubt
from trimshot.shared.findings import Event
from trimshot.shared.recording import Recording

RecordingBuilder = Callable[..., Recording]


def event(channel: str) -> Event:
    return Event("gear_down", 10.0, 17.0, 0.3, channel, "up", "down", 1.0, "made/1")


def recording_with(make_recording: RecordingBuilder, doubt_s: float | None) -> Recording:
    time_s = np.arange(60.0)
    made = make_recording(
        display={"time_s": time_s, "indicated_airspeed": 50.0 + 0 * time_s},
        discretes={"time_s": time_s, "gear_lever": np.where(time_s < 10, 0.0, 1.0)},
    )
    display, discretes = made.tracks
    (source,) = discretes.sources
    clock = dataclasses.replace(source.clock, offset_uncertainty_s=doubt_s)
    own = dataclasses.replace(discretes, sources=(dataclasses.replace(source, clock=clock),))
    return dataclasses.replace(made, tracks=(display, own))


@pytest.mark.parametrize(("doubt_s", "told"), [(0.4, 0.5), (None, 0.3), (float("nan"), 0.3)])
def test_the_clock_of_another_recorder_counts(make_recording: RecordingBuilder, doubt_s: float, told: float) -> None:
    (found,) = with_clock_doubt([event("gear_lever")], recording_with(make_recording, doubt_s))
    assert found.uncertainty_s == pytest.approx(told)  # a 3-4-5 triangle
    assert (found.time_s, found.kind) == (10.0, "gear_down")


def test_the_main_recorder_and_what_no_recorder_holds_are_as_they_were(make_recording: RecordingBuilder) -> None:
    recording = recording_with(make_recording, 0.4)
    kept = with_clock_doubt([event("indicated_airspeed"), event("energy_rate")], recording)
    assert [one.uncertainty_s for one in kept] == [0.3, 0.3]
