"""The part of an idling propeller that goes with the density of the air: recovered from made-up glides, or not told.

The glides are made from the drag equation D/q = CD0 S + k (L/q)^2 + slope (reference - density ratio); what is expected
are the numbers they are made of.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from trimshot.reports.reductions.propeller import fit_density_effect, is_fine, turning

Floats = NDArray[np.float64]

PARASITE = {"clean": 0.30, "gear": 0.85}  # m2
INDUCED = 0.0042  # 1/m2
SLOPE = 0.30  # m2 less for a unit of density ratio more
REFERENCE = 0.80
NOISE = 0.006  # m2


def glides(ratios: tuple[float, float], *, flights: int = 4, seed: int = 1) -> tuple[pd.DataFrame, tuple[Floats, ...]]:
    """Four glides of each condition a flight, at heights between the two density ratios."""
    random = np.random.default_rng(seed)
    rows = [(f"f{f}", condition) for f in range(flights) for condition in PARASITE for _ in range(4)]
    ratio = random.uniform(*ratios, len(rows))
    lift = random.uniform(6.0, 16.0, len(rows))
    level = np.array([PARASITE[condition] for _, condition in rows])
    area = level + INDUCED * lift**2 + SLOPE * (REFERENCE - ratio) + random.normal(0, NOISE, len(rows))
    frame = pd.DataFrame(rows, columns=["sortie", "condition"])
    frame["flap"] = "up"
    frame["true_airspeed"] = 50.0
    frame["equivalent_airspeed"] = 50.0 * np.sqrt(ratio)
    return frame, (lift, area, np.full(len(rows), NOISE))


def test_the_slope_is_that_of_the_glides() -> None:
    found = []
    for seed in range(40):
        frame, (lift, area, error) = glides((0.70, 0.92), seed=seed)
        found.append(fit_density_effect(frame, (lift, area, error), REFERENCE))
    slopes = np.array([one.slope for one in found])
    assert np.mean(slopes) == pytest.approx(SLOPE, abs=0.03)
    held = np.mean([abs(one.slope - SLOPE) < 2 * one.error for one in found])
    assert held >= 0.9 and all(one.told for one in found)


def test_areas_are_carried_to_another_density() -> None:
    frame, (lift, area, error) = glides((0.70, 0.92))
    effect = fit_density_effect(frame, (lift, area, error), REFERENCE)
    assert effect.area(REFERENCE) == 0.0
    assert float(effect.area(0.90)) == pytest.approx(-effect.slope * 0.10)
    assert effect.reaches(0.75) and not effect.reaches(1.0) and not effect.reaches(0.60)


def test_glides_at_one_height_do_not_tell_it() -> None:
    frame, (lift, area, error) = glides((0.799, 0.801))
    effect = fit_density_effect(frame, (lift, area, error), REFERENCE)
    assert not effect.told
    assert abs(effect.slope) < effect.error  # near zero, with the doubt there was before


def test_one_wild_glide_does_not_turn_it() -> None:
    frame, (lift, area, error) = glides((0.70, 0.92))
    calm = fit_density_effect(frame, (lift, area, error), REFERENCE).slope
    area[3] += 0.2  # thirty times the scatter
    assert fit_density_effect(frame, (lift, area, error), REFERENCE).slope == pytest.approx(calm, abs=0.08)


def test_the_fine_stop_is_where_it_turns_as_fast_as_ever_for_the_speed() -> None:
    ratio = np.array([0.66, 0.65, 0.40, 0.64, np.nan])
    assert is_fine(ratio).tolist() == [True, True, False, True, True]
    assert is_fine(np.array([np.nan, np.nan])).all()


def test_turning_is_told_only_where_it_differs() -> None:
    middle, relative = turning(np.array([0.60, 0.66]))
    assert middle == pytest.approx(0.63) and relative is not None
    np.testing.assert_allclose(relative, [-0.03 / 0.63, 0.03 / 0.63])
    assert turning(np.array([0.63, 0.6301]))[1] is None
    assert turning(np.array([0.63, np.nan]))[1] is None
