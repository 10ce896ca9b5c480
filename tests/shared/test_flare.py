"""Flare and glide relations against numbers worked by hand and by independent integration."""

from __future__ import annotations

import numpy as np
import pytest

from trimshot.shared.physics.flare import flare_height, flare_speed_loss, flare_time, load_factor_of_flare
from trimshot.shared.physics.glide import (
    height_of_speed_change,
    lift_coefficient,
    load_factor_in_gliding_turn,
    sink_rate_in_turn,
)

KNOT, FOOT, FPM = 1852 / 3600, 0.3048, 0.3048 / 60


# Source: worked flare examples of the project's own task description, computed there by hand with
# t = V gamma/(g(n-1)), h = V^2 gamma^2/(2 g (n-1)), and drag n times that of the glide; rounded as told there
@pytest.mark.parametrize(
    ("knots", "feet_per_minute", "height_ft", "time_s", "lost_kt"),
    [(95, 2000, 70, 4, 12), (90, 2500, 110, None, 21)],
)
def test_worked_flares(
    knots: float, feet_per_minute: float, height_ft: float, time_s: float | None, lost_kt: float
) -> None:
    speed, sink = knots * KNOT, feet_per_minute * FPM
    angle = np.arcsin(sink / speed)
    seconds = flare_time(speed, angle, load_factor=1.25)
    assert flare_height(speed, angle, load_factor=1.25) / FOOT == pytest.approx(height_ft, rel=0.02)
    if time_s is not None:
        assert seconds == pytest.approx(time_s, abs=0.5)
    lost = flare_speed_loss(seconds, angle, drag_to_weight=1.25 * angle)
    assert lost / KNOT == pytest.approx(lost_kt, abs=0.6)


def test_flare_height_by_integration() -> None:
    # independent: the path integrated in small steps, angle falling at g (n - 1) / V
    speed, angle, n, step = 45.0, 0.2, 1.3, 1e-4
    height, gamma, seconds = 0.0, angle, 0.0
    while gamma > 0:
        height += speed * gamma * step
        gamma -= 9.80665 * (n - 1) / speed * step
        seconds += step
    assert flare_height(speed, angle, load_factor=n) == pytest.approx(height, rel=1e-3)
    assert flare_time(speed, angle, load_factor=n) == pytest.approx(seconds, rel=1e-3)


def test_nothing_pulled_gives_no_flare() -> None:
    assert np.isnan(flare_time(45.0, 0.1, load_factor=1.0))
    assert np.isnan(flare_height(45.0, 0.1, load_factor=0.9))


def test_load_factor_and_flare_time_are_one_relation() -> None:
    seconds = flare_time(40.0, 0.1, load_factor=1.2)
    assert load_factor_of_flare(4.0, 0.0, time=seconds) == pytest.approx(1.2)


def test_turns() -> None:
    # FAA-H-8083-25 chapter 4: 60 degrees of bank doubles the load; 2^1.5 = 2.828
    factor = load_factor_in_gliding_turn(np.radians(60.0), 0.0)
    assert factor == pytest.approx(2.0)
    assert sink_rate_in_turn(5.0, factor) == pytest.approx(14.142, abs=1e-3)
    assert load_factor_in_gliding_turn(0.0, np.radians(60.0)) == pytest.approx(0.5)


def test_energy_of_speed() -> None:
    # by hand: (60^2 - 40^2) / (2 x 9.80665) = 101.972 m, the kilogram-force definition's 101.972
    assert height_of_speed_change(60.0, 40.0) == pytest.approx(101.972, abs=1e-3)
    assert height_of_speed_change(40.0, 60.0) == pytest.approx(-101.972, abs=1e-3)


def test_lift_coefficient() -> None:
    # by hand: 1000 kg x 9.80665 / (0.6125 x 1600 x 10) = 1.00068
    assert lift_coefficient(40.0, 1000.0, wing_area=10.0) == pytest.approx(1.00068, rel=1e-4)
    assert lift_coefficient(40.0, 1000.0, wing_area=10.0, load_factor=2.0) == pytest.approx(2.00136, rel=1e-4)
