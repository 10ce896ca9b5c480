"""16-bit counters: unwrapped where they wrapped, left alone everywhere else."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trimshot.ingest.raw import RawColumn, RawTime, RawTrack
from trimshot.ingest.wraps import find_wraps, unwrap_counters


def track(values: np.ndarray) -> RawTrack:
    count = len(values)
    return RawTrack(
        RawTime("utc", np.arange(float(count))),
        (RawColumn("alt_dm", values, "dm"),),
        np.arange(2, count + 2, dtype=np.int64),
    )


@given(
    start=st.integers(-200000, 200000),
    steps=st.lists(st.integers(-900, 900), min_size=60, max_size=200),
    signed=st.booleans(),
)
def test_every_smooth_climb_comes_back(start: int, steps: list[int], signed: bool) -> None:
    """Any smooth series written through 16 bits differs from the original by whole turns only."""
    true = start + np.cumsum(np.asarray(steps, dtype=np.int64))
    written = true % 65536
    if signed:
        written = np.where(written > 32767, written - 65536, written)
    out, findings = unwrap_counters(track(written.astype(np.float64)), "log.csv")
    back = out.columns[0].values
    if np.any(np.abs(np.diff(written)) > 30000) and len(find_wraps(written.astype(np.float64))):
        assert np.ptp(back - true) == 0
        assert findings[0].code == "INT16_WRAP"
    else:
        np.testing.assert_array_equal(back, written)


def test_wrap_is_told_with_its_line() -> None:
    values = np.array([32500, 32560, 32620, 32680, 32740, -32736, -32676, -32616], dtype=np.float64)
    out, (finding,) = unwrap_counters(track(values), "log.csv")
    np.testing.assert_array_equal(np.diff(out.columns[0].values), 60)
    assert finding.facts["line"] == 7
    assert finding.where == "log.csv line 7"


@pytest.mark.parametrize(
    "values",
    [
        np.array([0.0, 65000, 0, 65000, 0, 65000]),  # a switch with large numbers
        np.array([1.5, 32767.0, -32768.0, 2.0]),  # not whole numbers
        np.array([100000.0, 165536.0, 100000.0, 100001.0]),  # not 16 bits
        np.array([1.0, 2.0, 3.0]),
        np.array(["a", "b", "c", "d"], dtype=object),
        np.full(10, np.nan),
    ],
)
def test_what_is_no_counter_stays(values: np.ndarray) -> None:
    assert find_wraps(values) == []
