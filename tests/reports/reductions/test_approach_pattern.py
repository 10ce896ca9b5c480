"""The pattern's geometry and sums against times and heights worked by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from trimshot.reports.reductions.approach_pattern import Flown, Step, classes_flown, fly_pattern
from trimshot.reports.reductions.approach_sink import GlideModel
from trimshot.shared.physics.constants import STANDARD_GRAVITY

SPEED, BANK = 50.0, np.radians(30.0)
STEEP_ENERGY = (
    0.15  # b at 50 m/s, no induced part: sink of energy is a fixed 0.15 of the speed there, whatever the bank
)


def _given_back(speed: float) -> float:
    """1 + (V/g) dV/dh at sea level and a held equivalent airspeed: V = Ve rho^-1/2, rho of the troposphere falls with T^4.2559
    (U.S. Standard Atmosphere 1976), T by 6.5 K/km from 288.15 K."""
    return 1 + speed**2 / STANDARD_GRAVITY * 0.5 * 4.2559 * 0.0065 / 288.15


STEEP = STEEP_ENERGY / _given_back(SPEED)  # of height
KEY = ("down", "up")


def _model() -> GlideModel:
    estimate = np.array([STEEP_ENERGY, 2 * STEEP_ENERGY, 0.0])
    keys = (KEY, ("down", "full"))
    speeds = dict.fromkeys(keys, (30.0, 70.0))
    counts = dict.fromkeys(keys, (5, 2))
    return GlideModel(
        keys,
        estimate,
        np.zeros((3, 3)),
        float("nan"),
        1000.0,
        speeds,
        counts,
        0.01,
        0.01,
        2,
        (900.0, 1100.0),
        (0.6, 0.6),
        (),
    )


def _flown(**other: float) -> Flown:
    values = {"speed": SPEED, "final_speed": SPEED, "bank": BANK, "headwind": 0.0, "abeam": 0.0, "downwind": 0.0,
              "mass": 1000.0, "relative": 1.0, "root_density": 1.0, **other}  # fmt: skip
    return Flown(**{name: np.array([value]) for name, value in values.items()})


def _fly(schedule: tuple[Step, ...] = (), **other: float) -> Any:
    model = _model()
    parasite = {key: np.array([b]) for key, b in zip(model.keys, model.estimate, strict=False)}
    draws = model.estimate[None, :]
    return fly_pattern(_flown(**other), schedule, start=KEY, parasite=parasite, sink=(model, draws, np.zeros(1)))


HALF_CIRCLE = np.pi * SPEED / (STANDARD_GRAVITY * np.tan(BANK))  # s
FLARE = (STEEP * SPEED) ** 2 / (2 * STANDARD_GRAVITY * 0.25)


def test_two_half_circles_and_nothing_else() -> None:
    profile = _fly()
    assert profile.high_key_height[0] == pytest.approx(2 * HALF_CIRCLE * STEEP * SPEED + FLARE, rel=1e-6)
    assert profile.low_key_height[0] == pytest.approx(HALF_CIRCLE * STEEP * SPEED + FLARE, rel=1e-6)
    assert profile.circle[0] == pytest.approx(2 * HALF_CIRCLE * STEEP * SPEED, rel=1e-6)
    assert profile.flare[0] == pytest.approx(FLARE, rel=1e-6)
    assert profile.time[0, -1] == pytest.approx(2 * HALF_CIRCLE, rel=1e-6)


def test_downwind_is_flown_back_on_final() -> None:
    more = _fly(downwind=1000.0).high_key_height[0] - _fly().high_key_height[0]
    assert more == pytest.approx(2 * 1000.0 * STEEP, rel=1e-6)


def test_a_wide_pattern_has_straight_parts_across() -> None:
    width = 2 * SPEED**2 / (STANDARD_GRAVITY * np.tan(BANK))
    more = _fly(abeam=width + 500.0).high_key_height[0] - _fly().high_key_height[0]
    assert more == pytest.approx(2 * 500.0 * STEEP, rel=1e-6)
    assert _fly(abeam=width - 100.0).high_key_height[0] == pytest.approx(_fly().high_key_height[0])


def test_wind_drifts_the_base_turn_and_slows_final() -> None:
    wind = 5.0
    profile = _fly(headwind=wind, downwind=1000.0)
    final = 1000.0 + wind * HALF_CIRCLE
    seconds = 1000.0 / (SPEED + wind) + HALF_CIRCLE + final / (SPEED - wind)
    assert profile.final[0] == pytest.approx(final, rel=1e-6)
    assert profile.low_key_height[0] == pytest.approx(seconds * STEEP * SPEED + FLARE, rel=1e-6)


def test_speed_given_up_before_final_is_height_gained() -> None:
    slower = 40.0
    profile = _fly(final_speed=slower)
    steep = STEEP_ENERGY * (slower / 50.0) ** 2 / _given_back(slower)
    flare = (steep * slower) ** 2 / (2 * STANDARD_GRAVITY * 0.25)
    given = (SPEED**2 - slower**2) / (2 * STANDARD_GRAVITY)
    assert profile.high_key_height[0] == pytest.approx(2 * HALF_CIRCLE * STEEP * SPEED - given + flare, rel=1e-6)


def test_flap_on_its_way_counts_by_its_share() -> None:
    schedule = (Step("flap", "full", "base", np.array([HALF_CIRCLE])),)  # travels through the whole base turn
    more = _fly(schedule, downwind=1000.0).high_key_height[0] - _fly(downwind=1000.0).high_key_height[0]
    flare = (2 * STEEP * SPEED) ** 2 / (2 * STANDARD_GRAVITY * 0.25)
    expected = 0.5 * HALF_CIRCLE * STEEP * SPEED + 1000.0 * STEEP + flare - FLARE
    assert more == pytest.approx(expected, rel=1e-3)


def test_thin_air_takes_more_height_in_the_same_turn() -> None:
    # radius and time grow with the true speed: height of a half circle goes with its square, all but what is given back
    thin = _fly(root_density=1.1)
    assert thin.circle[0] == pytest.approx(1.21 * _fly().circle[0], rel=0.005)


def test_a_held_airspeed_gives_its_energy_back_on_the_way_down() -> None:
    # by energy, not by the gradient: what the pattern's drag takes is height and the true airspeed that is left over
    profile = _fly(downwind=3000.0)
    height = profile.high_key_height[0] - profile.flare[0]
    taken = STEEP_ENERGY * SPEED * profile.time[0, -1]
    density = [(1 - 0.0065 * altitude / 288.15) ** 4.2559 for altitude in (height / 2, -height / 2)]
    kinetic = [SPEED**2 / ratio / (2 * STANDARD_GRAVITY) for ratio in density]
    assert height + kinetic[0] - kinetic[1] == pytest.approx(taken, rel=1e-4)
    assert taken / height - 1 == pytest.approx(0.0123, abs=0.0005)


def test_the_classes_gone_through_are_told() -> None:
    none = np.zeros(1)
    schedule = (Step("gear", "down", "low key", none), Step("flap", "full", "base", none))
    assert set(classes_flown(schedule, ("up", "up"))) == {("up", "up"), ("down", "up"), ("down", "full")}
