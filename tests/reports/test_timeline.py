"""The terminal time line: widths, gaps and labels."""

from __future__ import annotations

import itertools

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from trimshot.reports.timeline import Stretch, curve, lane, numbers, scale


def test_a_lane_names_its_stretches_and_keeps_its_width() -> None:
    text = lane([Stretch(0, 50, "up"), Stretch(50, 60, "transit"), Stretch(60, 100, "down")], 100.0, 50)
    assert len(text) == 50
    assert text.startswith("up")
    assert "down" in text
    assert text[26:29].strip("transi") != text[0:3]


def test_a_short_stretch_still_shows() -> None:
    text = lane([Stretch(0, 1000, "down"), Stretch(500, 500.5, "transit")], 1000.0, 40)
    assert len(set(text[20:22])) > 1


@given(st.lists(st.floats(0, 1000), min_size=2, max_size=40), st.integers(10, 200))
def test_every_line_has_the_asked_width(edges: list[float], width: int) -> None:
    edges.sort()
    stretches = [Stretch(a, b, f"w{i % 3}") for i, (a, b) in enumerate(itertools.pairwise(edges))]
    assert len(lane(stretches, 1000.0, width)) == width
    assert len(numbers(stretches, 1000.0, width)) == width


def test_a_curve_leaves_a_dropout_blank() -> None:
    time_s = np.arange(0.0, 100.0)
    values = np.where((time_s >= 40) & (time_s < 60), np.nan, time_s)
    text = curve(time_s, values, 100.0, 50)
    assert text[20:30] == " " * 10
    assert text[0] == "▁"
    assert text[-1] == "█"


def test_the_scale_carries_round_minutes() -> None:
    # 13:41:30 UTC for 20 min on 80 columns: steps of 2 min fit, the first even one is 13:42, half a minute in
    text = scale(13 * 60 + 41.5, 1200.0, 80)
    assert text.index("13:42") == int(30 / 1200 * 80)
    assert text.index("13:50") == int(510 / 1200 * 80)
