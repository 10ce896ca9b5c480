"""Thinning for pictures keeps extremes and holes."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from trimshot.reports.thinning import thin


@given(st.integers(1, 5000), st.integers(1, 300), st.integers(0, 2**32 - 1))
def test_extremes_survive(rows: int, buckets: int, seed: int) -> None:
    values = np.random.default_rng(seed).normal(size=rows)
    time_s = np.arange(rows, dtype=np.float64) * 0.1
    when, out = thin(time_s, {"a": values}, buckets=buckets, gap_s=1.0)
    assert np.nanmax(out["a"]) == values.max()
    assert np.nanmin(out["a"]) == values.min()
    assert len(when) == len(out["a"])
    assert (np.diff(when) >= 0).all()


def test_a_gap_gets_a_hole_so_that_no_line_bridges_it() -> None:
    time_s = np.concatenate((np.arange(0, 10, 0.1), np.arange(30, 40, 0.1)))
    when, out = thin(time_s, {"a": np.ones(200)}, buckets=5000, gap_s=1.0)
    hole = np.isnan(out["a"])
    assert hole.sum() == 1
    assert 10 < when[hole][0] < 30


def test_missing_samples_stay_visible_when_thinned() -> None:
    values = np.ones(10_000)
    values[5000:5400] = np.nan
    when, out = thin(np.arange(10_000, dtype=np.float64) * 0.1, {"a": values}, buckets=100, gap_s=1.0)
    inside = (when > 502) & (when < 538)
    assert np.isnan(out["a"][inside]).all()
