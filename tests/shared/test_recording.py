"""Recording: finding tracks and channels."""

import datetime as dt

import numpy as np
import pytest

from trimshot.shared.errors import ChannelError
from trimshot.shared.recording import Column, Recording, Track


def track(name: str, step: float, *channels: str, rows: int = 10) -> Track:
    """A track of zeros."""
    columns = {c: Column(c, np.zeros(rows), None, c) for c in channels}
    time = np.arange(rows, dtype=np.float64) * step
    return Track(name, time, columns, (), np.arange(rows), np.zeros(rows, dtype=np.int16))


def recording(*tracks: Track) -> Recording:
    """A recording whose main track is the first."""
    return Recording("s1", dt.datetime(2020, 1, 1, tzinfo=dt.UTC), tracks, tracks[0].name)


def test_track_by_name_or_an_error_that_lists_them() -> None:
    sortie = recording(track("display", 0.1, "pitch"), track("engine", 1.0, "fuel_flow"))
    assert sortie.track("engine").median_step_s == 1.0
    with pytest.raises(ChannelError) as caught:
        sortie.track("gnss")
    assert caught.value.allowed == "display, engine"


def test_holders_main_first_then_by_rate() -> None:
    sortie = recording(track("main", 1.0, "pitch"), track("slow", 5.0, "pitch"), track("fast", 0.1, "pitch"))
    assert [t.name for t in sortie.holders("pitch")] == ["main", "fast", "slow"]
    assert sortie.holders("bank") == ()


def test_channels_in_vocabulary_order_raw_ones_last() -> None:
    sortie = recording(
        track("main", 1.0, "raw_b", "cylinder_head_temperature_10", "pitch", "indicated_airspeed", "raw_a"),
        track("other", 1.0, "cylinder_head_temperature_2", "pitch"),
    )
    assert sortie.channels() == (
        "indicated_airspeed",
        "pitch",
        "cylinder_head_temperature_2",
        "cylinder_head_temperature_10",
        "raw_a",
        "raw_b",
    )


def test_a_single_row_has_no_step() -> None:
    assert np.isinf(track("main", 1.0, "pitch", rows=1).median_step_s)
