"""Level accelerations: against an aircraft whose curve is known by algebra, and against the simulated one's steady climbs."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import solve_ivp

from trimshot.reports.reductions.climb import reduce_climb
from trimshot.reports.reductions.climb_sheet import run as climb_sheet
from trimshot.reports.reductions.climb_sheet import sheet_of
from trimshot.reports.reductions.evidence import Evidence, gather_evidence
from trimshot.reports.reductions.excess_power import ExcessCurve, compare_with_climbs, reduce_excess_power
from trimshot.reports.reductions.present import context_of
from trimshot.store.programme import Programme

KT, FPM, G = 1852 / 3600, 0.3048 / 60, 9.80665
MASS, DENSITY, HEIGHT = 1100.0, 1.0066, 2000.0  # density of 2000 m, standard day (US Standard Atmosphere 1976)
POWER, PARASITE, INDUCED = 100e3, 0.35, 0.055 / 13.0  # thrust power [W], CD0 S [m2], K / S [1/m2]
ROOT = float(np.sqrt(DENSITY / 1.225))


@pytest.fixture(scope="module")
def retractable(eleven: Programme) -> Evidence:
    return gather_evidence(eleven, aircraft="SALLOW-R1")


def excess(true: np.ndarray | float) -> Any:
    """(T - D) V / W [m/s] of the made-up aircraft at true airspeed."""
    drag = DENSITY / 2 * true**2 * PARASITE + 2 * INDUCED * (MASS * G) ** 2 / (DENSITY * true**2)
    return (POWER - drag * true) / (MASS * G)


# dR/dV = 0: 3 (rho/2) f V^4 = 2 k W^2 / rho
BEST = (2 * INDUCED * (MASS * G) ** 2 / DENSITY / (3 * DENSITY / 2 * PARASITE)) ** 0.25


def flown(first: float, last: float, *, seed: int = 0, gusts: float = 0.4, wind: float = 12.0) -> pd.DataFrame:
    """Samples of a level acceleration between two true airspeeds, 10 Hz: gusts in the airspeed, none in the ground speed."""

    def reached(_: float, state: np.ndarray) -> float:
        return float(state[0] - last)

    reached.terminal = True  # type: ignore[attr-defined]
    solved = solve_ivp(lambda _, v: G * excess(v) / v, (0, 400), [first], events=reached, rtol=1e-8, dense_output=True)
    time = np.arange(0.0, float(solved.t[-1]), 0.1)
    true = solved.sol(time)[0]
    random = np.random.default_rng(seed)
    gust = np.convolve(random.normal(0, gusts * 4, len(time)), np.ones(20) / 20, "same")
    north, east = true * np.cos(0.5) - wind, true * np.sin(0.5)  # heading 0.5 rad, wind from the north
    shown = true + gust
    return pd.DataFrame(
        {
            "t": time, "true_airspeed": shown, "calibrated_airspeed": shown * ROOT, "pressure_altitude": HEIGHT,
            "density_altitude": HEIGHT, "mass": MASS, "power": "full", "engine_speed": 40.0,
            "ground_speed": np.hypot(north, east) + random.normal(0, 0.05, len(time)), "track_true": np.arctan2(east, north), "heading_true": 0.5,
        }
    )  # fmt: skip


def evidence_of(base: Evidence, runs: list[pd.DataFrame], *, power: str = "full", **changes: Any) -> Evidence:
    """The evidence with these runs and no other manoeuvre, no points."""
    rows = [
        {
            "sortie": f"F{index}", "start_s": float(one["t"].iloc[0]), "stop_s": float(one["t"].iloc[-1]), "kind": "level_acceleration",
            "facts": {"start_airspeed": float(one["calibrated_airspeed"].iloc[0]), "end_airspeed": float(one["calibrated_airspeed"].iloc[-1]),
                      "gear": "up", "flap": "up", "power": power},
        }
        for index, one in enumerate(runs)
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=["sortie", "start_s", "stop_s", "kind", "facts"])
    programme: Any = SimpleNamespace(
        manoeuvres=lambda: table, samples=lambda sortie, start, stop: runs[int(sortie[1:])], findings=pd.DataFrame
    )
    aircraft = base.settings.aircraft.model_copy(update={"mass": MASS, "retractable_gear": True})
    settings = base.settings.model_copy(update={"aircraft": aircraft})
    points = changes.pop("points", base.points.iloc[:0])
    return replace(
        base, programme=programme, settings=settings, sorties=tuple(f"F{i}" for i in range(len(runs))), points=points
    )


def only(evidence: Evidence) -> ExcessCurve:
    (one,) = reduce_excess_power(evidence).curves
    return one


def test_a_known_curve_comes_back(retractable: Evidence) -> None:
    curve = only(evidence_of(retractable, [flown(25.0, 62.0, seed=seed) for seed in (1, 2)]))
    assert [run.basis for run in curve.runs] == ["ground speed"] * 2
    for true in (32.0, 36.0, 45.0, 58.0):
        assert curve.at(true * ROOT).value == pytest.approx(excess(true), abs=0.2)
        assert curve.at(true * ROOT).holds(excess(true))
    best = curve.best_rate(0.25)
    assert best.speed.value == pytest.approx(BEST * ROOT, abs=1.5)
    assert best.speed.holds(BEST * ROOT)
    assert best.rate.holds(excess(BEST))
    angle = curve.angle_at(45.0 * ROOT)
    assert angle.value == pytest.approx(np.arcsin(excess(45.0) / 45.0), rel=0.03)


def test_airspeed_alone_tells_it_too_with_a_wider_band(retractable: Evidence) -> None:
    runs = [flown(25.0, 62.0, seed=seed) for seed in (1, 2)]
    bare = only(
        evidence_of(retractable, [one.drop(columns=["ground_speed", "track_true", "heading_true"]) for one in runs])
    )
    assert {run.basis for run in bare.runs} == {"airspeed"}
    both = only(evidence_of(retractable, runs))
    assert bare.at(40 * ROOT).half_width > both.at(40 * ROOT).half_width
    for true in (33.0, 40.0, 55.0):
        assert bare.at(true * ROOT).holds(excess(true))


def test_what_lies_outside_the_airspeeds_flown_is_not_stated(retractable: Evidence) -> None:
    curve = only(evidence_of(retractable, [flown(BEST + 8, 66.0, seed=seed) for seed in (1, 2)]))
    best = curve.best_rate(0.25)
    assert "slower" in best.why
    assert not best.speed.is_known
    # the true one lies at or below what is told, and that lies among the airspeeds flown
    assert curve.speeds[0] <= best.at_most < curve.speeds[1]
    assert best.at_most >= BEST * ROOT
    assert not np.isfinite(best.at_least)
    assert not curve.at((BEST + 3) * ROOT).is_known
    assert not curve.angle_at(70.0).is_known
    alone = only(evidence_of(retractable, [flown(25.0, 62.0)]))
    assert "one acceleration" in alone.best_rate(0.25).why


def test_one_run_s_band_holds_the_air_it_was_flown_in(retractable: Evidence) -> None:
    still = flown(25.0, 62.0, gusts=0.0)
    time = still["t"] - still["t"].iloc[0]
    # 60 ft/min of sinking air through the whole run that the height shows: no scatter does
    lost = still.assign(pressure_altitude=HEIGHT - 0.3048 * time)
    for curve in (only(evidence_of(retractable, [still])), only(evidence_of(retractable, [lost]))):
        assert curve.at(40 * ROOT).holds(excess(40.0))
        assert curve.at(40 * ROOT).half_width >= 2 * 0.2
    apart = only(evidence_of(retractable, [still, lost, still.assign(pressure_altitude=HEIGHT - 1.2 * time)]))
    assert apart.at(40 * ROOT).half_width > 2 * 0.2  # runs that differ by more than that say so


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"mass": np.nan}, ""),
        ({"density_altitude": np.nan}, "density altitude"),
        ({"true_airspeed": np.nan}, "true airspeed"),
        ({"power": "part"}, "calibrated airspeed"),
    ],
)
def test_what_a_run_lacks_is_told(retractable: Evidence, change: dict[str, Any], told: str) -> None:
    result = reduce_excess_power(evidence_of(retractable, [flown(25.0, 62.0).assign(**change)]))
    if told:
        assert not result.curves
        assert told in result.left_out[0].reason
    else:  # the settings' mass stands in
        assert len(result.curves) == 1


def test_without_a_standard_mass_nothing_is_drawn(retractable: Evidence) -> None:
    """No point, so no standard mass, and two whole accelerations: told as left out, not an error of the algebra."""
    evidence = evidence_of(retractable, [flown(25.0, 62.0, seed=seed) for seed in (1, 2)])
    aircraft = evidence.settings.aircraft.model_copy(update={"mass": None})
    bare = replace(evidence, settings=evidence.settings.model_copy(update={"aircraft": aircraft}))
    assert np.isnan(bare.standard_mass)
    result = reduce_excess_power(bare)
    assert not result.curves
    assert [one.reason for one in result.left_out] == ["mass is missing"] * 2


def test_short_and_part_power_runs_are_left_out_with_the_reason(retractable: Evidence) -> None:
    short = reduce_excess_power(evidence_of(retractable, [flown(40.0, 47.0)]))
    assert "faster" in short.left_out[0].reason and not short.curves
    part = reduce_excess_power(evidence_of(retractable, [flown(25.0, 62.0)], power="part"))
    assert "not full" in part.left_out[0].reason and not part.curves


def test_engine_speeds_and_heights_apart_are_not_pooled(retractable: Evidence) -> None:
    one = flown(25.0, 62.0)
    slower, higher = one.assign(engine_speed=36.0), one.assign(density_altitude=HEIGHT + 600.0)
    assert len(reduce_excess_power(evidence_of(retractable, [one, slower, higher])).curves) == 3
    nearby = one.assign(engine_speed=40.2, density_altitude=HEIGHT + 100.0)
    assert len(reduce_excess_power(evidence_of(retractable, [one, nearby])).curves) == 1


def test_a_heavier_aircraft_climbs_less_by_the_inertia_factor(retractable: Evidence) -> None:
    # checks GL-3, SFTE section 12: R m / m_s
    light = only(evidence_of(retractable, [flown(25.0, 62.0)]))
    heavy = only(evidence_of(retractable, [flown(25.0, 62.0).assign(mass=MASS * 1.1)]))
    assert heavy.at(40 * ROOT).value == pytest.approx(1.1 * light.at(40 * ROOT).value, rel=1e-6)


def climbs_at(speed: float, rate: float, engine_speed: float) -> pd.DataFrame:
    """Five steady climbs of the same aircraft, shape of Evidence.points."""
    return pd.DataFrame(
        {
            "sortie": [f"F{i % 2}" for i in range(5)], "day": [f"D{i % 2}" for i in range(5)], "number": range(5),
            "start_s": 0.0, "stop_s": 60.0, "kind": "climb", "gear": "up", "flap": "up", "power": "full", "propulsion": "power",
            "calibrated_airspeed": speed, "density_altitude": [HEIGHT - 50, HEIGHT, HEIGHT + 50, HEIGHT, HEIGHT],
            "sink_rate": -rate + np.array([-0.02, 0.01, 0.0, 0.02, -0.01]), "sink_rate_error": 0.02, "mass": MASS,
            "engine_speed": engine_speed,
        }
    )  # fmt: skip


def test_accelerations_and_climbs_are_compared_where_the_engine_turned_alike(retractable: Evidence) -> None:
    runs = [flown(25.0, 62.0, seed=seed) for seed in (1, 2)]
    agreeing = evidence_of(retractable, runs, points=climbs_at(40.0 * ROOT, excess(40.0), 40.0))
    (pair,) = compare_with_climbs(reduce_excess_power(agreeing).curves, reduce_climb(agreeing).fits)
    assert pair.difference.holds(0.0)
    assert pair.climbed.value == pytest.approx(excess(40.0), abs=0.02)
    apart = evidence_of(retractable, runs, points=climbs_at(40.0 * ROOT, excess(40.0) + 2.0, 40.0))
    words = " ".join(climb_sheet(apart).statements)
    assert "do not agree" in words
    other = evidence_of(retractable, runs, points=climbs_at(40.0 * ROOT, excess(40.0), 44.0))
    assert not compare_with_climbs(reduce_excess_power(other).curves, reduce_climb(other).fits)


def test_accelerations_of_the_simulated_aircraft(retractable: Evidence) -> None:
    """Excess power of noise-free steady climbs of the same simulated aircraft at the runs' engine speed, masses and
    density altitudes [fpm]; source: independent simulation (JSBSim), not among the files here. One run was flown in
    turbulence; both agree within their band, and the shape, faster is less, is the simulation's.
    """
    curve = next(one for one in reduce_excess_power(retractable).curves if len(one.runs) == 2)
    assert curve.engine_speed == pytest.approx((2410 / 60, 2410 / 60), rel=0.01)
    first, second = 1051.9, 1106.1  # kg
    for knots, rates in {
        100: (1145, 1032),
        110: (1039, 932),
        120: (885, 785),
        130: (681, 591),
        140: (427, 349),
    }.items():
        truth = FPM * (rates[0] * first + rates[1] * second) / 2 / retractable.standard_mass
        assert curve.at(knots * KT).holds(truth)
        assert curve.at(knots * KT).value == pytest.approx(truth, abs=120 * FPM)
    assert 84 * KT <= curve.best_rate(0.5).at_most < 110 * KT  # theirs lies at 84 kt, slower than the runs began


def test_the_sheet_shows_curve_tables_and_reasons(retractable: Evidence) -> None:
    evidence = evidence_of(retractable, [flown(25.0, 62.0, seed=seed) for seed in (1, 2)])
    sheet = sheet_of(reduce_climb(evidence), evidence.settings, reduce_excess_power(evidence))
    assert not sheet.missing
    assert any("best rate" in one and "accelerations" in one for one in sheet.statements)
    context = context_of(sheet, evidence.settings)
    titles = {table["title"]: table for table in context["tables"]}
    assert titles["Best airspeeds from level accelerations"]["rows"]
    speeds = [row[2]["value"] for row in titles["From level accelerations"]["rows"]]
    assert speeds == [60.0, 70.0, 80.0, 90.0, 100.0]  # whole tens of knots inside those flown
    assert len(sheet.used) == 2
