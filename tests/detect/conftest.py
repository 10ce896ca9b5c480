"""Recordings built in the test, with no file anywhere."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray

from trimshot.shared.recording import Clock, Column, Recording, Source, Track
from trimshot.shared.vocabulary import unit_of_channel

RecordingBuilder = Callable[..., Recording]


def _column(name: str, values: ArrayLike) -> Column:
    array: NDArray[Any] = np.asarray(values, dtype=object if unit_of_channel(name) is None else np.float64)
    return Column(name, array, unit_of_channel(name), name)


def _track(name: str, columns: Mapping[str, ArrayLike]) -> Track:
    time_s = np.asarray(columns["time_s"], dtype=np.float64)
    source = Source(f"{name}.csv", "0" * 64, 0, "made", 1, name, Clock("utc"))
    return Track(
        name,
        time_s,
        {key: _column(key, values) for key, values in columns.items() if key != "time_s"},
        (source,),
        np.arange(len(time_s)),
        np.zeros(len(time_s), np.int16),
    )


@pytest.fixture
def make_recording() -> RecordingBuilder:
    """Builds a Recording: make_recording(display={"time_s": ..., "pitch": ...}, discretes={...}); the first is main."""

    def build(**tracks: Mapping[str, ArrayLike]) -> Recording:
        built = tuple(_track(name, columns) for name, columns in tracks.items())
        return Recording("made", dt.datetime(2031, 3, 14, tzinfo=dt.UTC), built, built[0].name)

    return build
