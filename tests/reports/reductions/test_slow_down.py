"""Slow-downs: fit and integration against made-up and independent ones, trials on the simulated sorties."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from trimshot.reports.reductions.evidence import Evidence, gather_evidence
from trimshot.reports.reductions.sheet import Reference
from trimshot.reports.reductions.slow_down import Slowing, amplification, fit_runs, reduce_slow_down, slow
from trimshot.reports.reductions.slow_down_doubt import Doubt, air_of, doubt_of
from trimshot.reports.reductions.slow_down_runs import Run
from trimshot.reports.reductions.slow_down_sheet import run
from trimshot.shared.physics.constants import STANDARD_GRAVITY
from trimshot.store.programme import Programme

A, B, C = 0.01, 0.08, 0.03
KEY = ("up", "up", "fine")


def _steepness(speed: float) -> float:
    u = (speed / 50.0) ** 2
    return A + B * u + C / u


def _run_between(first: float, last: float) -> Run:
    speed = np.linspace(first, last, 12)
    steep = np.array([_steepness(v) for v in speed])
    return Run(KEY, Reference("A"), "level_deceleration", speed, steep, np.ones(12), (first, last), 10.0, 0.0, 1.05)


def _model() -> Slowing:
    return Slowing(KEY, np.array([A, B, C]), None, (35.0, 70.0), (), 0.03)


def test_the_fit_gives_back_what_the_runs_were_made_of() -> None:
    told = fit_runs((_run_between(65.0, 45.0), _run_between(50.0, 36.0)))
    assert told == pytest.approx([A, B, C], rel=0.02)


def _root_at(height: float) -> float:
    """True over equivalent airspeed at a height [m] of the troposphere: density falls with T^4.2559 (U.S. Standard Atmosphere 1976)."""
    return float((1 - 0.0065 * height / 288.15) ** (-4.2559 / 2))


@pytest.mark.parametrize("sink", [0.0, 2.5, 3.2])
def test_time_and_distance_by_an_independent_integration(sink: float) -> None:
    # true airspeed, way and height; density as it is at each height
    def change(_: float, state: np.ndarray) -> list[float]:
        true = state[0]
        return [-STANDARD_GRAVITY * (_steepness(true / _root_at(state[2])) - sink / true), true, -sink]

    def reached(_: float, state: np.ndarray) -> float:
        return float(state[0] - 40.0 * _root_at(state[2]))

    reached.terminal = True  # type: ignore[attr-defined]
    middle = 1580.0
    seconds, distance = slow(_model(), (60.0, 40.0), sink=sink, mass_ratio=1.0, root_density=_root_at(middle))
    start = middle + sink * seconds / 2
    begun = [60.0 * _root_at(start), 0.0, start]
    solved = solve_ivp(change, (0, 300), begun, events=reached, rtol=1e-8, atol=1e-8)
    assert seconds == pytest.approx(solved.t[-1], rel=3e-3)
    assert distance == pytest.approx(solved.y[1, -1], rel=3e-3)


def test_a_steep_descent_does_not_slow_down() -> None:
    seconds, distance = slow(_model(), (60.0, 40.0), sink=10.0, mass_ratio=1.0, root_density=1.0)
    assert np.isnan(seconds)
    assert np.isnan(distance)


def test_a_descent_makes_more_of_an_error_of_drag() -> None:
    # by finite difference: 1 % more drag, and what that does to the time
    more = Slowing(KEY, 1.01 * np.array([A, B, C]), None, (35.0, 70.0), (), 0.03)
    for sink in (0.0, 2.0, 3.5):
        known = {"sink": sink, "mass_ratio": 1.0, "root_density": 1.0}
        change = slow(_model(), (60.0, 50.0), **known)[0] / slow(more, (60.0, 50.0), **known)[0] - 1
        assert amplification(_model(), (60.0, 50.0), **known) == pytest.approx(change / 0.01, rel=0.1)


@pytest.fixture(scope="module")
def evidence(eleven: Programme) -> Evidence:
    whole = gather_evidence(eleven, aircraft="SALLOW-R1")
    return replace(whole, options={"gear_speed": 56.6, "flap_speed": 51.0})


def _time_of(share: float, air: float, sink: float) -> float:
    """Seconds from 55 to 42 m/s of equivalent airspeed by an independent integration, drag and air off by what is given."""

    def change(_: float, state: np.ndarray) -> list[float]:
        thicker = 1 + state[0] ** 2 / STANDARD_GRAVITY * 0.5 * 4.2559 * 0.0065 / 288.15  # at sea level
        return [-STANDARD_GRAVITY * (_steepness(state[0]) * (1 + share) + air - sink / state[0] * thicker)]

    def reached(_: float, state: np.ndarray) -> float:
        return float(state[0] - 42.0)

    reached.terminal = True  # type: ignore[attr-defined]
    return float(solve_ivp(change, (0, 2000), [55.0], events=reached, rtol=1e-7, atol=1e-7).t[-1])


@pytest.mark.parametrize("sink", [0.0, 3.5])
def test_the_band_is_that_of_drawn_and_integrated_slow_downs(sink: float) -> None:
    speed = np.linspace(55.0, 42.0, 60)
    steep = np.array([_steepness(v) for v in speed])
    middle = slow(_model(), (55.0, 42.0), sink=sink, mass_ratio=1.0, root_density=1.0)
    time, way = doubt_of(steep, speed, sink=sink, root_density=1.0, doubt=Doubt(0.03, 0.4, 0.0), middle=middle)
    random = np.random.default_rng(8)
    air = air_of(0.4, 48.5, middle[0])
    drawn = [_time_of(random.normal(0, 0.03), random.normal(0, air), sink) for _ in range(250)]
    low, high = np.quantile(drawn, [0.025, 0.975])
    assert time.low == pytest.approx(low, rel=0.06)
    assert time.high == pytest.approx(high, rel=0.12)
    assert way.low < way.value < way.high
    if sink > 0:  # more is lost of a descent's margin than is won
        assert time.high - time.value > 1.3 * (time.value - time.low)


def test_where_the_speed_might_not_fall_there_is_no_band() -> None:
    speed = np.linspace(50.0, 42.0, 60)
    steep = np.array([_steepness(v) for v in speed])
    sink = 0.93 * float(np.min(steep * speed))  # 7 % of the drag is left to slow with
    middle = slow(_model(), (50.0, 42.0), sink=sink, mass_ratio=1.0, root_density=1.0)
    assert np.isfinite(middle).all()
    sure = doubt_of(steep, speed, sink=sink, root_density=1.0, doubt=Doubt(0.005, 0.0, 0.0), middle=middle)
    unsure = doubt_of(steep, speed, sink=sink, root_density=1.0, doubt=Doubt(0.06, 0.4, 0.0), middle=middle)
    assert sure[0].is_known
    assert not unsure[0].is_known


def test_bands_hold_the_measured_times(evidence: Evidence) -> None:
    """Six slow-downs of the independent simulation: 95 % bands, one of six in a steep descent without any."""
    banded = [t for t in reduce_slow_down(evidence).trials if t.band.is_known]
    assert len(banded) >= 5
    assert sum(not t.holds for t in banded) <= 1
    assert all(t.band.half_width < 0.5 * t.measured for t in banded)
    assert any("the bands hold" in text for text in run(evidence).statements)


def test_recorded_slow_downs_are_predicted(evidence: Evidence) -> None:
    result = reduce_slow_down(evidence)
    errors = np.array([t.predicted / t.measured - 1 for t in result.trials])
    assert len(errors) >= 5
    assert np.median(np.abs(errors)) < 0.10
    assert np.max(np.abs(errors)) < 0.25


def test_power_left_on_and_unknown_gear_are_left_out(evidence: Evidence, monkeypatch: pytest.MonkeyPatch) -> None:
    known = reduce_slow_down(evidence)
    assert any("power was part" in one.reason for one in known.left_out)
    found = evidence.programme.manoeuvres()
    found["facts"] = [{**facts, "gear": "unknown"} for facts in found["facts"]]
    monkeypatch.setattr(Programme, "manoeuvres", lambda self: found)
    assert not any(model.runs for model in reduce_slow_down(evidence).models)
    assert any("gear unknown" in one.reason for one in reduce_slow_down(evidence).left_out)


def test_gear_down_slows_sooner_and_descending_later(evidence: Evidence) -> None:
    stages = [s for s in reduce_slow_down(evidence).stages if not s.reason and s.stop == 51.0]
    level = {s.configuration: s.time.value for s in stages if s.sink == 0.0}
    sinking = {s.configuration: s.time.value for s in stages if s.sink > 0.0}
    assert level["gear down, flap up"] < level["gear up, flap up"]
    assert all(sinking[name] > level[name] for name in level)


def test_the_propellers_conditions_are_kept_apart(evidence: Evidence) -> None:
    models = {m.key for m in reduce_slow_down(evidence).models if m.runs}
    assert {("up", "up", "fine"), ("up", "up", "governed")} <= models


def test_beyond_the_speeds_measured_nothing_is_shown(evidence: Evidence) -> None:
    result = reduce_slow_down(replace(evidence, options={"from": 80.0, "gear_speed": 56.6, "flap_speed": 51.0}))
    clean = [s for s in result.stages if s.start == 80.0]
    assert clean
    assert all(s.reason == "outside the speeds measured" and not s.time.is_known for s in clean)
    assert any(
        "outside the speeds measured" in text for text in run(replace(evidence, options={"from": 80.0})).statements
    )


def test_a_speed_not_known_is_asked_for(eleven: Programme) -> None:
    sheet = run(gather_evidence(eleven, aircraft="SALLOW-R1"))
    assert any("gear_speed=" in text for text in sheet.missing)
    assert any("flap_speed=" in text for text in sheet.missing)
