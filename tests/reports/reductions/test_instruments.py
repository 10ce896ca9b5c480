"""Airspeed correction and thermometer from steady points: recovered from made-up flights, and from simulated ones.

Made-up points follow the wind triangle and the two equations at the head of the modules; what is expected are the numbers they
are made of. True values of the eleven: independent simulation (tests/data/sorties, truth of the first sortie of each aircraft:
sensor_errors.static_source, oat_recovery_factor; its thermometer follows with a time constant of 18 s).
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from tests.coverage.programmes import KT, make_programme
from trimshot.reports.reductions import calibration_sheet, drag_sheet
from trimshot.reports.reductions.airspeed_fit import corrected, fit_airspeed
from trimshot.reports.reductions.drag import reduce_drag
from trimshot.reports.reductions.evidence import Evidence, gather_evidence
from trimshot.reports.reductions.instruments import put_right
from trimshot.reports.reductions.temperature_fit import fit_temperature, settled
from trimshot.shared.errors import SettingsError
from trimshot.shared.settings import parse_settings
from trimshot.store.programme import Programme

ERRORS = {"up": 1.2 * KT, "full": -0.4 * KT}  # calibrated less recorded airspeed at 90 kt
SLOPE = -0.012
LAG, RAM, LAPSE = 20.0, 0.25, -0.0065
TABLE = "".join(
    f"[[aircraft.position_error]]\nindicated = '{i} kt'\ncorrection = '{c} kt'\n" for i, c in ((60, 2), (140, 0))
)


def made_up(seed: int, *, flights: int = 6, each: int = 16, tracks: tuple[float, float] = (0.0, 6.28)) -> Evidence:
    """Steady points of flights with each their own wind, growing with height, and their own air."""
    random = np.random.default_rng(seed)
    rows = []
    for flight in range(flights):
        wind, shear = random.normal(0, 7, 2), random.normal(0, 1.5e-3, 2)
        warm = random.normal(288, 6)
        for number in range(each):
            flap = "full" if number % 4 == 3 else "up"
            recorded, height = random.uniform(70, 120) * KT, random.uniform(800, 3800)
            climb = random.choice([-10.0, -6.0, 0.0, 4.0])
            thin = (1 - 2.2e-5 * height) ** 2.1
            true = (recorded + ERRORS[flap] + SLOPE * (recorded - 90 * KT)) / thin
            heading = random.uniform(*tracks)
            level = np.sqrt(true**2 - climb**2)
            air = wind + shear * height + random.normal(0, 0.3, 2)
            ground = level * np.array([np.cos(heading), np.sin(heading)]) + air
            told = recorded / thin
            read = warm + LAPSE * height - LAG * LAPSE * climb + RAM * told**2 / (2 * 1004.7) + random.normal(0, 0.3)
            rows.append(
                {
                    "sortie": f"F{flight}", "day": f"D{flight}", "number": number + 1, "start_s": 200.0 * number, "kind": "descent",
                    "gear": "up", "flap": flap, "propulsion": "idle", "power": "idle", "calibrated_airspeed": recorded,
                    "equivalent_airspeed": recorded, "true_airspeed": told, "ground_speed": float(np.hypot(*ground)),
                    "track_true": float(np.arctan2(ground[1], ground[0])), "pressure_altitude": height,
                    "geometric_climb_rate": climb, "static_air_temperature": read, "sink_rate": -climb,
                    "dynamic_pressure": 1.225 / 2 * recorded**2, "inferred": False,
                }
            )  # fmt: skip
    return dataclasses.replace(make_programme(1, 2, 4), points=pd.DataFrame(rows), gear_moves=True)


def test_the_correction_is_the_one_the_points_were_made_with() -> None:
    off, inside = [], []
    for seed in range(30):
        fit = fit_airspeed(made_up(seed))
        assert fit is not None
        for flap, level in ERRORS.items():
            for speed in (75 * KT, 105 * KT):
                told = fit.correction("up", flap, speed)
                truth = level + SLOPE * (speed - 90 * KT)
                off.append(told.value - truth)
                inside.append(
                    abs(told.value - truth) <= 2 * told.type_a
                )  # temperature and receiver are without error here
    assert abs(np.mean(off)) < 0.08 * KT
    assert np.mean(inside) >= 0.88
    assert np.std(off) < 0.5 * KT


def test_one_track_does_not_tell_airspeed_from_wind() -> None:
    assert fit_airspeed(made_up(1, tracks=(1.0, 1.05))) is None
    few = made_up(1, flights=1, each=10)
    assert fit_airspeed(few) is None
    assert fit_airspeed(dataclasses.replace(few, points=few.points.drop(columns="ground_speed"))) is None


def test_a_descent_is_not_taken_for_wind() -> None:
    """10 m/s of sink at 45 m/s makes the horizontal part 2.5 % smaller than true airspeed: 2.2 kt that nobody reads wrong."""
    evidence = made_up(2)
    steep = evidence.points.assign(geometric_climb_rate=0.0)
    right, wrong = fit_airspeed(evidence), fit_airspeed(dataclasses.replace(evidence, points=steep))
    assert right is not None
    told = right.correction("up", "up", 90 * KT).value
    assert told == pytest.approx(ERRORS["up"], abs=0.5 * KT)
    assert wrong is None or told - wrong.correction("up", "up", 90 * KT).value > 0.25 * KT


def test_lag_and_ram_rise_are_those_the_points_were_made_with() -> None:
    held = []
    for seed in range(20):
        points = made_up(seed).points
        fit = fit_temperature(points)
        assert fit is not None
        held.append((fit.lag.holds(LAG), fit.ram.holds(RAM)))
        air = settled(points, fit)
        still = points["static_air_temperature"] + LAG * LAPSE * points["geometric_climb_rate"]
        still -= RAM * points["true_airspeed"] ** 2 / (2 * 1004.7)
        assert np.abs(air["static_air_temperature"] - still).max() < 0.6
        assert np.abs(points["static_air_temperature"] - still).max() > 0.9
    assert np.mean(held, axis=0).min() >= 0.85


def test_level_flight_does_not_tell_how_late_a_thermometer_reads() -> None:
    points = made_up(3).points
    assert fit_temperature(points.assign(geometric_climb_rate=0.0)) is None
    assert fit_temperature(points.assign(pressure_altitude=2000.0)) is None
    assert fit_temperature(points.drop(columns="static_air_temperature")) is None
    known = fit_temperature(points, ram_known=True)
    assert known is not None and abs(known.ram.value) < 0.01


def test_sink_goes_with_the_temperature_put_right() -> None:
    points = made_up(4).points
    fit = fit_temperature(points)
    assert fit is not None
    after = settled(points, fit)
    warmer = after["static_air_temperature"] / points["static_air_temperature"]
    # tapeline height goes with temperature, true airspeed with its root; speed change does not enter here: sink is all tapeline
    assert np.allclose(after["sink_rate"], points["sink_rate"] * warmer)
    assert np.allclose(after["true_airspeed"], points["true_airspeed"] * np.sqrt(warmer))


@pytest.mark.parametrize(
    ("aircraft", "gear", "corrections"),
    # truth: indicated less calibrated at 80, 100, 120 kt is -1.08, -0.68, -0.38 kt; of the other at 50, 60, 70 kt -0.98, -1.00, -1.04
    [("SALLOW-R1", "up", {80: 1.08, 100: 0.68, 120: 0.38}), ("TUSSOCK-U1", "fixed", {50: 0.98, 60: 1.00, 70: 1.04})],
)
def test_the_simulated_aircraft(eleven: Programme, aircraft: str, gear: str, corrections: dict[int, float]) -> None:
    right, found = put_right(gather_evidence(eleven, aircraft=aircraft))
    assert found.airspeed is not None and found.temperature is not None
    for speed, correction in corrections.items():
        told = found.airspeed.correction(gear, "up", speed * KT)
        assert told.holds(correction * KT)
        assert told.half_width < 0.8 * KT
    assert 12 < found.temperature.lag.value < 20
    if aircraft == "SALLOW-R1":
        assert found.temperature.ram.holds(0.7 - 1.0)  # the settings' default recovery factor is 1
    points = corrected(right.points.assign(gear=gear), found.airspeed)
    assert np.allclose(points["dynamic_pressure"], 1.225 / 2 * points["equivalent_airspeed"] ** 2)


def test_what_the_settings_say_is_not_put_right_again(eleven: Programme) -> None:
    evidence = gather_evidence(eleven, aircraft="SALLOW-R1")
    table = dataclasses.replace(evidence, settings=parse_settings(TABLE, "t"))
    assert put_right(table)[1].airspeed is None
    plain = dataclasses.replace(evidence, options={"instruments": "as_recorded"})
    assert reduce_drag(plain).instruments.airspeed is None
    assert any("as recorded" in text for text in drag_sheet.run(plain).cautions)
    with pytest.raises(SettingsError):
        put_right(dataclasses.replace(evidence, options={"instruments": "maybe"}))


def test_it_is_said_and_halves_the_bands(eleven: Programme) -> None:
    evidence = gather_evidence(eleven, aircraft="SALLOW-R1")
    right = reduce_drag(evidence)
    plain = reduce_drag(dataclasses.replace(evidence, options={"instruments": "as_recorded"}))
    for one, other in zip(right.conditions, plain.conditions, strict=True):
        if one.points["sortie"].nunique() > 2:
            assert one.parasite_area.half_width < 0.7 * other.parasite_area.half_width
    told = " ".join(drag_sheet.run(evidence).statements)
    assert "put right by velocity over the ground" in told
    assert "thermometer" in told
    assert "steady points of" in " ".join(calibration_sheet.run(evidence).statements)
