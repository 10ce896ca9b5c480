"""Rate of climb, and level flight by power against airspeed."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from trimshot.reports.reductions.climb import ClimbResult, rate_at_mass, reduce_climb
from trimshot.reports.reductions.climb_sheet import sheet_of as climb_sheet
from trimshot.reports.reductions.evidence import Evidence, gather_evidence
from trimshot.reports.reductions.level import power_and_speed_at_standard, reduce_level
from trimshot.reports.reductions.level_sheet import sheet_of as level_sheet
from trimshot.reports.reductions.resampling import spread_of
from trimshot.store.programme import Programme

KT = 1852 / 3600
FT = 0.3048
FPM = FT / 60


@pytest.fixture(scope="module")
def retractable(eleven: Programme) -> Evidence:
    return gather_evidence(eleven, aircraft="SALLOW-R1")


def climbs(base: Evidence, speeds: np.ndarray, seed: int = 1) -> Evidence:
    """Made-up climbs with best rate at 95 kt: R = 6 - 0.004 (V - 95 kt)^2 - 0.0007 height, 1 % of noise, three flights."""
    random = np.random.default_rng(seed)
    height = random.uniform(1000, 2500, len(speeds))
    rate = 6 - 0.004 * (speeds - 95 * KT) ** 2 - 0.0007 * (height - 1500)
    frame = pd.DataFrame(
        {
            "sortie": [f"F{i % 3}" for i in range(len(speeds))], "day": [f"D{i % 3}" for i in range(len(speeds))],
            "number": range(len(speeds)), "start_s": 0.0, "stop_s": 60.0, "kind": "climb", "gear": "up", "flap": "up",
            "power": "full", "propulsion": "power", "calibrated_airspeed": speeds, "density_altitude": height,
            "sink_rate": -rate + random.normal(0, 0.03, len(speeds)), "sink_rate_error": 0.03, "mass": 1100.0,
        }
    )  # fmt: skip
    return dataclasses.replace(base, points=frame)


def only(result: ClimbResult):  # type: ignore[no-untyped-def]
    (one,) = result.fits
    return one


def test_best_rate_and_angle_of_a_known_parabola(retractable: Evidence) -> None:
    one = only(reduce_climb(climbs(retractable, np.linspace(70, 125, 24) * KT)))
    assert one.best_rate_speed.value == pytest.approx(95 * KT, abs=1.0)
    assert one.best_rate_speed.holds(95 * KT)
    # nobody reads it better than the instrument is known: k = 2 of the settings' type B is the least
    assert one.best_rate_speed.half_width >= 2 * retractable.settings.airspeed_uncertainty
    # R/V is largest where V = sqrt(p/r) of R = p + q V + r V^2; at the mean height of these climbs
    p = 6 - 0.0007 * (one.centre[1] - 1500) - 0.004 * (95 * KT) ** 2
    expected = np.sqrt(-p / 0.004)
    if 70 * KT <= expected <= 125 * KT:
        assert one.best_angle_speed.value == pytest.approx(expected, abs=1.5)
    else:
        assert not one.best_angle_speed.is_known


def test_a_best_rate_outside_the_speeds_flown_is_not_stated(retractable: Evidence) -> None:
    one = only(reduce_climb(climbs(retractable, np.linspace(105, 130, 24) * KT)))
    assert not one.best_rate_speed.is_known
    assert one.not_stated
    assert not one.at(90 * KT, 1500.0).is_known
    assert not one.at(115 * KT, 4000.0).is_known


def test_climbs_of_the_simulated_aircraft(retractable: Evidence) -> None:
    result = reduce_climb(retractable)
    one = next(fit for fit in result.fits if fit.condition.gear == "up" and fit.condition.flap == "up")
    assert not one.best_rate_speed.is_known  # all were flown at 100 kt
    low, high = (one.at(one.centre[0], feet * FT) for feet in (6000, 11000))
    assert low.value > high.value > 0
    assert climb_sheet(result, retractable.settings).statements


def test_a_flight_of_one_height_alone_does_not_make_the_band(retractable: Evidence) -> None:
    """Two flights climb through 3,000 m, one makes circuits at one height: drawn alone it tells no height term.

    Made-up climbs, R = 5 - 0.0009 height [m/s] with 2 % of noise: the slope comes back, the band stays of the noise's size.
    """
    random = np.random.default_rng(5)
    height = np.concatenate([np.linspace(900, 3900, 9), np.linspace(1000, 3800, 4), 700 + np.arange(8) * 2.0])
    rate = 5 - 0.0009 * height
    frame = climbs(retractable, np.full(len(height), 32.0)).points.assign(
        sortie=["F0"] * 9 + ["F1"] * 4 + ["F2"] * 8, day=["D0"] * 9 + ["D1"] * 4 + ["D2"] * 8, density_altitude=height,
        sink_rate=-rate * (1 + random.normal(0, 0.02, len(height))), mass=retractable.standard_mass,
    )  # fmt: skip
    one = only(reduce_climb(dataclasses.replace(retractable, points=frame)))
    assert one.terms[1] == pytest.approx(-0.0009, rel=0.05)
    for metres in (1000.0, 2000.0, 3500.0):
        assert one.at(32.0, metres).holds(5 - 0.0009 * metres)
        assert one.at(32.0, metres).half_width < 0.4


def test_the_other_simulated_aircraft_climbs_too(eleven: Programme) -> None:
    """Fixed pitch, climbs of three flights, one of them at one height only.

    972.6 and 996.6 ft/min: mean true vertical speeds of steady climbs of 213 and 201 s in T250603-01-drag_survey and
    T250605-01-handling, at 489 and 516 kg and about 6,000 and 4,000 ft density altitude; source: independent
    simulation, truth of tests/data/truth.
    """
    evidence = gather_evidence(eleven, aircraft="TUSSOCK-U1")
    one = only(reduce_climb(evidence))
    assert one.points["sortie"].nunique() == 3
    for rate, mass, feet in ((972.6, 489.0, 6000.0), (996.6, 516.0, 4000.0)):
        told = one.at(one.centre[0], feet * FT)
        assert told.holds(rate * FPM * mass / evidence.standard_mass)
        assert told.half_width < 0.12 * told.value
    assert climb_sheet(reduce_climb(evidence), evidence.settings).statements


def test_excess_power_is_what_the_mass_correction_keeps() -> None:
    # inertia factor W_t/W_s (checks GL-3, SFTE section 12): 10 m/s at 1000 kg are 8 at 1250 kg
    assert rate_at_mass(np.array([10.0]), np.array([1000.0]), 1250.0)[0] == pytest.approx(8.0)


def test_power_against_speed_is_a_straight_line_for_a_parabolic_polar() -> None:
    # checks GL-7: P V over V^4, slope rho S CD0/2, intercept 2 K W^2/(rho S); CD0 0.0280, K 0.0520, S 12 m2
    rho0, area, mass = 1.225, 12.0, np.array([650.0, 700.0, 750.0, 800.0, 690.0])
    ratio = np.array([0.7, 0.8, 0.9, 1.0, 0.75])
    true = np.array([45.0, 50.0, 55.0, 60.0, 40.0])
    weight = mass * 9.80665
    drag = rho0 * ratio * true**2 / 2 * area * 0.028 + 2 * 0.052 * weight**2 / (rho0 * ratio * true**2 * area)
    index, speed = power_and_speed_at_standard(drag * true, true, density_ratio=ratio, mass=mass, standard_mass=700.0)
    slope, intercept = np.polyfit(speed**4, index * speed, 1)
    assert slope == pytest.approx(rho0 * area * 0.028 / 2, rel=1e-9)
    assert intercept == pytest.approx(2 * 0.052 * (700 * 9.80665) ** 2 / (rho0 * area), rel=1e-9)


def test_level_flight_of_the_simulated_aircraft(retractable: Evidence) -> None:
    result = reduce_level(retractable)
    assert len(result.fits) >= 2
    for one in result.fits:
        if one.points["sortie"].nunique() < 2:
            continue
        slow, fast = one.at(float(one.speed.min())), one.at(float(one.speed.max()))
        assert fast.value > slow.value
        assert not one.at(float(one.speed.max()) + 5).is_known
        left = one.index - np.array([one.at(float(v)).value for v in one.speed])
        assert np.std(left) < 0.05 * one.index.mean()
    assert level_sheet(result, retractable.settings).cautions


def test_what_is_too_few_says_over_which_airspeeds(retractable: Evidence) -> None:
    speed = np.linspace(50.0, 53.0, 7)
    frame = _level_points(speed, (3e-4 * speed**3 + 400.0 / speed) * 1e-7)
    result = reduce_level(dataclasses.replace(retractable, points=frame))
    assert not result.fits
    (reason,) = [one.reason for one in result.left_out if "level point" in one.reason]
    assert reason == "7 level points over 5.8 kt: 5 over at least 20.0 kt are needed"  # 3 m/s


def test_a_misread_airspeed_slides_along_the_curve(retractable: Evidence) -> None:
    # noise-free points of a known curve: what is left is type B; k = 2, 1.5 times the mass's share, slope times the airspeed's
    speed = np.linspace(30.0, 60.0, 16)
    flow = (3e-4 * speed**3 + 400.0 / speed) * 1e-7
    evidence = dataclasses.replace(retractable, points=_level_points(speed, flow, mass=retractable.standard_mass))
    (one,) = reduce_level(evidence).fits
    unsure, airspeed = evidence.settings.uncertainty, evidence.settings.airspeed_uncertainty
    for at in (33.0, 58.0):
        value, slope = (3e-4 * at**3 + 400.0 / at) * 1e-7, (9e-4 * at**2 - 400.0 / at**2) * 1e-7
        assert one.at(at).half_width == pytest.approx(
            2 * np.hypot(1.5 * unsure.mass_share * value, slope * airspeed), rel=0.02
        )


def test_the_spread_of_draws_is_that_of_their_middle() -> None:
    random = np.random.default_rng(2)
    drawn = random.normal(5.0, 0.3, 4000)
    assert spread_of(drawn) == pytest.approx(0.3, rel=0.05)
    drawn[:20] = 1e6  # a resample without leverage
    assert spread_of(drawn) == pytest.approx(0.3, rel=0.1)


def _level_points(speed: np.ndarray, flow: np.ndarray, mass: float = 1100.0) -> pd.DataFrame:
    """Level points of one flight at sea-level density and one engine speed."""
    return pd.DataFrame(
        {
            "sortie": "F0", "day": "D0", "number": range(len(speed)), "start_s": 0.0, "stop_s": 60.0, "kind": "level", "gear": "up", "flap": "up",
            "equivalent_airspeed": speed, "density_ratio": 1.0, "mass": mass, "engine_speed": 40.0, "sink_rate": 0.0, "fuel_flow": flow,
        }
    )  # fmt: skip


def test_a_fixed_pitch_s_points_are_one_curve(retractable: Evidence) -> None:
    # made-up level points: power = 3e-4 V^3 + 400 / V at sea-level density and standard mass, engine speed in step with V
    speed = np.linspace(30.0, 60.0, 9)
    frame = pd.DataFrame(
        {
            "sortie": "F0", "day": "D0", "number": range(9), "start_s": 0.0, "stop_s": 60.0, "kind": "level", "gear": "fixed", "flap": "up",
            "equivalent_airspeed": speed, "density_ratio": 1.0, "mass": 600.0, "engine_speed": 0.8 * speed, "sink_rate": 0.0,
            "fuel_flow": (3e-4 * speed**3 + 400.0 / speed) * 1e-7,
        }
    )  # fmt: skip
    made_up = dataclasses.replace(retractable, points=frame)
    assert not reduce_level(made_up).fits  # a governed propeller would hold nine engine speeds
    aircraft = made_up.settings.aircraft.model_copy(update={"governed_propeller": False, "mass": 600.0})
    fixed = dataclasses.replace(made_up, settings=made_up.settings.model_copy(update={"aircraft": aircraft}))
    (one,) = reduce_level(fixed).fits
    assert one.at(45.0).value == pytest.approx((3e-4 * 45.0**3 + 400.0 / 45.0) * 1e-7, rel=1e-3)
    # least fuel per distance where 3e-4 V^4 = 400
    assert one.least_per_distance_speed.value == pytest.approx((400.0 / 3e-4) ** 0.25, rel=1e-3)
    assert "1440 to 2880 rpm" in one.words


def test_without_fuel_flow_or_climbs_the_need_is_said(retractable: Evidence) -> None:
    bare = dataclasses.replace(retractable, points=retractable.points.drop(columns=["fuel_flow"]))
    assert level_sheet(reduce_level(bare), bare.settings).missing
    empty = dataclasses.replace(retractable, points=retractable.points.iloc[:0])
    assert climb_sheet(reduce_climb(empty), empty.settings).missing
