"""Gear and flaps on their way: shares worked by hand, travel times against the independent simulation's."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from trimshot.reports.reductions.transients import Move, flap_levels, moves_of, shares_of, travel_times
from trimshot.store.programme import Programme


def _event(kind: str, start: float, stop: float, **other: Any) -> dict[str, Any]:
    return {
        "sortie": "A", "kind": kind, "time_s": start, "stop_s": stop, "before": None, "after": None,
        "confidence": 1.0, "facts": {}, **other,
    }  # fmt: skip


def test_half_way_down_is_half_down() -> None:
    moves = (Move("gear", "up", "down", 10.0, 20.0, True),)
    shares = shares_of(moves, "gear", ["up"] * 4, time_s=np.array([0.0, 10.0, 15.0, 30.0]))
    assert shares["down"] == pytest.approx([0.0, 0.0, 0.5, 1.0])
    assert shares["up"] == pytest.approx([1.0, 1.0, 0.5, 0.0])


def test_two_steps_of_flap_follow_each_other() -> None:
    moves = (Move("flap", "up", "half", 0.0, 4.0, True), Move("flap", "half", "full", 10.0, 14.0, True))
    shares = shares_of(moves, "flap", ["up"] * 3, time_s=np.array([-1.0, 6.0, 13.0]))
    assert shares["up"] == pytest.approx([1.0, 0.0, 0.0])
    assert shares["half"] == pytest.approx([0.0, 1.0, 0.25])
    assert shares["full"] == pytest.approx([0.0, 0.0, 0.75])


def test_a_movement_before_the_stretch_sets_its_state() -> None:
    moves = (Move("gear", "up", "down", -100.0, -93.0, True),)
    shares = shares_of(moves, "gear", ["unknown"] * 2, time_s=np.array([0.0, 1.0]))
    assert shares["down"] == pytest.approx([1.0, 1.0])


def test_without_movements_the_labels_hold() -> None:
    shares = shares_of((), "flap", ["transit", "transit", "half"], time_s=np.array([0.0, 1.0, 2.0]))
    assert list(shares) == ["half"]
    assert shares["half"] == pytest.approx([1.0, 1.0, 1.0])


def test_inferred_travel_stands_back_where_one_is_recorded() -> None:
    rows = [
        _event("gear_down", 0.0, 7.0),
        _event("gear_down", 50.0, 57.4),
        _event("gear_down", 90.0, 110.0, confidence=0.5),
    ]
    (travel,) = travel_times(pd.DataFrame(rows), ["A"])
    assert (travel.movement, travel.count, travel.recorded) == ("gear down", 2, True)
    assert travel.time.value == pytest.approx(7.2)


def test_flap_levels_are_read_from_the_movements() -> None:
    rows = [
        _event("flap_change", 0.0, 4.0, before="up", after="half", facts={"from_level": 0.0, "to_level": 0.4}),
        _event("flap_change", 9.0, 13.0, before="half", after="full", facts={"from_level": 0.4, "to_level": 1.0}),
    ]
    assert flap_levels(pd.DataFrame(rows)) == {"up": 0.0, "half": 0.4, "full": 1.0}
    moves = moves_of(pd.DataFrame(rows), "A")
    assert [(m.before, m.after) for m in moves] == [("up", "half"), ("half", "full")]


# source: the independent simulation's own description of its aircraft: gear 7 s, flap 8 s for full travel
def test_travel_times_of_the_simulated_aircraft(eleven: Programme) -> None:
    sorties = [s for s in eleven.sorties()["sortie"] if s.startswith("S")]
    found = {t.movement: t for t in travel_times(eleven.events(), sorties)}
    assert found["gear down"].time.holds(7.0)
    assert found["flap up to full"].time.holds(8.0)
    assert found["flap up to half"].time.holds(4.0)
    assert found["gear down"].time.half_width < 2.0
