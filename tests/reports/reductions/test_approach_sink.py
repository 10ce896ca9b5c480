"""The sink model against made-up polars it must recover, and against the independent simulation's steady glides."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from trimshot.reports.reductions.approach_sink import (
    fit_glides,
    fit_without_misread,
    glides_of,
    parasite_of,
    sink_of,
    slope_of,
)
from trimshot.reports.reductions.evidence import gather_evidence
from trimshot.reports.reductions.propeller import is_fine
from trimshot.store.programme import Programme

KNOT, FPM, POUND = 1852 / 3600, 0.3048 / 60, 0.45359237
MASS = 1000.0
B = {("up", "up"): 0.08, ("down", "up"): 0.12, ("down", "full"): 0.24}
C = 0.03


def _glides(noise: float = 0.0, flights: int = 2, **other: Any) -> pd.DataFrame:
    """Made-up glides: the polar of the model, solved for sin of the path by its own iteration."""
    random = np.random.default_rng(5)
    rows: list[dict[str, Any]] = []
    for (gear, flap), b in B.items():
        for number, speed in enumerate((38.0, 45.0, 52.0, 60.0)):
            mass = 950.0 + 30.0 * number
            u, m = (speed / 50.0) ** 2, mass / MASS
            steep = 0.1
            for _ in range(50):
                steep = b * u / m + C * (1 - steep**2) * m / u
            rows.append(
                {
                    "sortie": f"F{number % flights}", "number": len(rows), "start_s": 0.0, "stop_s": 30.0, "gear_word": gear, "flap": flap,
                    "equivalent_airspeed": speed, "true_airspeed": 1.1 * speed, "mass": mass, "ratio": 0.6, "inferred": False,
                    "sink_rate": steep * 1.1 * speed * (1 + noise * random.standard_normal()),
                }
            )  # fmt: skip
    return pd.DataFrame(rows).assign(**other)


def test_the_polar_is_recovered() -> None:
    model = fit_glides(_glides(), MASS)
    assert model is not None
    told = dict(zip(model.keys, model.estimate, strict=False))
    for key, b in B.items():
        assert told[key] == pytest.approx(b, rel=1e-3)
    assert model.estimate[3] == pytest.approx(C, rel=2e-3)
    assert not model.knows_propeller


def test_the_engine_turning_faster_is_told_from_the_glides() -> None:
    glides = _glides()
    faster = np.where(np.arange(len(glides)) % 2 == 0, 1.04, 0.96)
    u = (glides["equivalent_airspeed"] / 50.0) ** 2 * MASS / glides["mass"]
    glides["ratio"] = 0.6 * faster
    glides["sink_rate"] -= 0.3 * (faster - 1) * u * glides["true_airspeed"]
    model = fit_glides(glides, MASS)
    assert model is not None
    assert model.knows_propeller
    assert model.estimate[-1] == pytest.approx(0.3, rel=0.05)


def test_bands_hold_the_truth_and_grow_with_scatter() -> None:
    quiet, rough = fit_glides(_glides(0.01), MASS), fit_glides(_glides(0.05), MASS)
    assert quiet is not None
    assert rough is not None
    for model in (quiet, rough):
        deviation = np.sqrt(np.diag(model.covariance))
        assert np.all(np.abs(model.estimate - [*(B[k] for k in model.keys), C]) < 3 * deviation)
    assert rough.covariance[0, 0] > 4 * quiet.covariance[0, 0]


def test_too_few_glides_tell_nothing() -> None:
    assert fit_glides(_glides().iloc[:2], MASS) is None
    assert fit_glides(_glides().iloc[:0], MASS) is None
    same_speed = _glides()
    assert fit_glides(same_speed[same_speed["equivalent_airspeed"] == 45.0], MASS) is None


def test_a_misread_point_goes_only_where_its_configuration_was_inferred() -> None:
    glides = _glides(0.005)
    glides.loc[5, "sink_rate"] *= 1.5
    recorded, kept = fit_without_misread(glides, MASS)
    inferred, left = fit_without_misread(glides.assign(inferred=np.arange(len(glides)) == 5), MASS)
    assert kept == ()
    assert len(left) == 1
    assert "inferred" in left[0].reason
    assert recorded is not None
    assert inferred is not None
    assert abs(inferred.estimate[0] - B[inferred.keys[0]]) < 0.003


def test_without_mass_the_fit_still_stands() -> None:
    assert fit_glides(_glides(mass=np.nan), float("nan")) is not None


def test_a_setting_between_two_measured_ones_is_between_them() -> None:
    model = fit_glides(_glides(), MASS)
    assert model is not None
    draws = model.estimate[None, :]
    value, half, how = parasite_of(model, ("down", "half"), levels={"up": 0.0, "half": 0.5, "full": 1.0}, draws=draws)
    # 0.12 flaps up, 0.24 full; by the square of half the travel a quarter of it, by its cube an eighth, straight a half
    assert value == pytest.approx([0.15], rel=1e-3)
    assert half == pytest.approx(0.12 * (0.5 - 0.125) / 2, rel=1e-3)
    # the independent simulation's own flap: 0.020 of 0.064 at half travel (truth, tests/data/truth)
    assert abs(value[0] - (0.12 + 0.12 * 0.020 / 0.064)) < half
    assert how == "between the settings measured"
    value, _, how = parasite_of(model, ("up", "full"), levels={"up": 0.0, "full": 1.0}, draws=draws)
    assert value == pytest.approx([0.20], rel=1e-3)  # 0.24 + 0.08 - 0.12
    assert how == "from the difference the gear makes"
    assert parasite_of(model, ("down", "more"), levels={}, draws=draws)[0] is None


def test_bank_raises_the_induced_part_with_the_square_of_the_load_factor() -> None:
    model = fit_glides(_glides(), MASS)
    assert model is not None
    one, draws = np.ones(1), model.estimate[None, :]
    b = np.array([0.08])
    level = slope_of(model, b, draws, speed=np.array([50.0]), load=(one, one, one))[0]
    banked = slope_of(model, b, draws, speed=np.array([50.0]), load=(2 * one, one, one))[0]
    # by hand: 0.08 + 0.03 (1 - s^2) and 0.08 + 0.12 (1 - s^2)
    assert level == pytest.approx(0.08 + 0.03 * (1 - level**2), abs=1e-5)
    assert banked == pytest.approx(0.08 + 0.12 * (1 - banked**2), abs=1e-4)


def test_a_governed_propeller_is_told_from_one_on_its_stop() -> None:
    assert list(is_fine(np.array([0.60, 0.61, 0.62, 0.35, 0.42, np.nan]))) == [True, True, True, False, False, True]
    assert is_fine(np.array([np.nan, np.nan])).all()


# source: steady glides of the independent simulation without noise, gear down, propeller on its fine stop, 9000 ft,
# 2410.7 lb: (KEAS, KTAS, sink ft/min); the recorders' airspeeds read 0.2 to 1 kt low, which is some 2 % of sink
STEADY = {
    ("down", "up"): [(90.771, 100.825, 1392.2), (100.589, 110.883, 1733.9), (110.428, 120.617, 2142.1)],
    ("down", "full"): [(85.033, 93.275, 2034.8), (94.748, 102.708, 2620.8)],
    ("up", "up"): [(90.766, 101.571, 1073.2), (110.41, 122.157, 1586.0)],
}


def test_sink_agrees_with_the_simulation(eleven: Programme) -> None:
    evidence = gather_evidence(eleven, aircraft="SALLOW-R1")
    glides, left = glides_of(evidence)
    model, _ = fit_without_misread(glides[glides["fine"]].reset_index(drop=True), 2410.7 * POUND)
    assert left == ()
    assert model is not None
    for key, rows in STEADY.items():
        for equivalent, true, sink in rows:
            modelled = sink_of(model, key, np.array([equivalent * KNOT]), density_ratio=(equivalent / true) ** 2)[0]
            assert modelled / FPM == pytest.approx(sink, rel=0.06)
