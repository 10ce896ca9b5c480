"""Stall speeds against the independent simulation's, corrections against values worked by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from trimshot.reports.reductions.evidence import Evidence, gather_evidence
from trimshot.reports.reductions.sheet import Reference
from trimshot.reports.reductions.stalls import SLOW_ENTRY, Stall, _at_one_knot, _without_unloadings, reduce_stalls
from trimshot.reports.reductions.stalls_sheet import run
from trimshot.shared.settings import Aircraft, PositionError
from trimshot.store.programme import Programme

KNOT, POUND = 1852 / 3600, 0.45359237
# source: independent simulation, marks of the stalls: calibrated airspeed [kt] and load factor at their onset, mass some 2382 lb
CLEAN = [(58.7605, 0.9489), (58.7836, 0.9496)]
LANDING = [(49.7122, 0.9609)]


@pytest.fixture(scope="module")
def evidence(eleven: Programme) -> Evidence:
    return gather_evidence(eleven, aircraft="SALLOW-R1")


def _with_aircraft(evidence: Evidence, **known: object) -> Evidence:
    aircraft = evidence.settings.aircraft.model_copy(update=known)
    return replace(evidence, settings=evidence.settings.model_copy(update={"aircraft": aircraft}))


def test_stall_speeds_hold_the_simulations(evidence: Evidence) -> None:
    speeds = {s.key: s for s in reduce_stalls(evidence).speeds}
    assert set(speeds) == {("up", "up", "idle"), ("down", "full", "idle")}
    for key, rows in ((("up", "up", "idle"), CLEAN), (("down", "full", "idle"), LANDING)):
        one_g = np.mean([v / np.sqrt(n) for v, n in rows]) * KNOT
        truth = one_g * np.sqrt(evidence.standard_mass / (2382 * POUND))
        assert speeds[key].speed.holds(truth)
        assert speeds[key].speed.value == pytest.approx(truth, abs=2.0 * KNOT)  # airspeed reads 1.5 kt low there
        assert speeds[key].provisional


def test_a_calibration_that_reaches_the_stall_narrows_the_band(evidence: Evidence) -> None:
    table = (PositionError.model_validate({"indicated": "50 kt", "correction": "1.5 kt"}),)
    calibrated = reduce_stalls(_with_aircraft(evidence, position_error=table)).speeds[0]
    provisional = reduce_stalls(evidence).speeds[0]
    assert not calibrated.provisional
    assert calibrated.speed.half_width < provisional.speed.half_width


def test_largest_lift_coefficient(evidence: Evidence) -> None:
    # source: the simulated wing of 140 ft2 stalls at a lift coefficient of some 1.45 clean; airspeed there reads 1.5 kt low
    assert Aircraft().wing_area is None
    clean = next(s for s in reduce_stalls(_with_aircraft(evidence, wing_area=13.006)).speeds if s.key[1] == "up")
    assert clean.lift_coefficient.holds(1.45)
    assert clean.lift_coefficient.half_width < 0.25


def test_without_wing_area_no_coefficient_is_told(evidence: Evidence) -> None:
    result = reduce_stalls(evidence)
    assert all(not s.lift_coefficient.is_known for s in result.speeds)
    assert any("wing_area" in text for text in result.missing)


def test_a_line_over_entry_rate_where_three_stalls_tell_it() -> None:
    rates = np.array([0.6, 1.0, 1.6, 2.0]) * KNOT
    values = 30.0 - 0.8 * (rates - SLOW_ENTRY)
    value, error, by_line = _at_one_knot(values, rates)
    assert by_line
    assert value == pytest.approx(30.0)
    assert error < 0.5
    assert not _at_one_knot(values[:2], rates[:2])[2]
    assert not _at_one_knot(values, np.full(4, 0.7 * KNOT))[2]  # all at one rate: stated at it
    assert not _at_one_knot(values, rates + 2.0)[2]  # 1 kt/s lies far outside what was flown


def _stall(standard: float, flap: str) -> Stall:
    return Stall(
        ("up", flap, "idle"),
        Reference("A", None, 0.0, 10.0),
        standard,
        1.0,
        1000.0,
        standard,
        standard,
        0.5,
        1.0,
        0.1,
        50.0,
        1.4,
        0.9,
    )


def test_a_push_at_speed_is_no_stall() -> None:
    kept, left = _without_unloadings([_stall(30.0, "up"), _stall(38.0, "up"), _stall(25.0, "full")])
    assert [s.standard for s in kept] == [30.0, 25.0]
    assert len(left) == 1
    assert "27 % above" in left[0].reason


def test_the_sheet_marks_provisional_speeds(evidence: Evidence) -> None:
    sheet = run(evidence)
    assert sum("provisional" in text for text in sheet.statements) == 2
    assert any("stalls: 2, flights: 1" in text for text in sheet.statements)
