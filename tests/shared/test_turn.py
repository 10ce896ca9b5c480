"""Steady turns against handbook figures and against each other."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trimshot.shared.physics import turn

FT = 0.3048
KT = 1852 / 3600
DEG = np.pi / 180


@pytest.mark.parametrize(("knots", "rate", "circle"), [(120, 5.25, 68.6), (240, 2.63, 137)])
def test_rate_of_turn_is_the_handbooks(knots: float, rate: float, circle: float) -> None:
    # FAA-H-8083-25 (2008), chapter 4, figures 4-48 to 4-50, bank 30 deg; its constant 1,091 is 0.11 % low: 0.3 %
    found = turn.turn_rate(knots * KT, 30 * DEG)
    assert found / DEG == pytest.approx(rate, rel=3e-3)
    assert 2 * np.pi / found == pytest.approx(circle, rel=3e-3)


@pytest.mark.parametrize(
    ("feet", "tolerance"),
    [
        (2208, 5e-4),  # Wannamaker, turn formulas
        (2215, 4e-3),  # FAA-H-8083-25, chapter 5, constant 11.26 (from memory), 0.3 % above exact
    ],
)
def test_radius_at_120_knots_and_30_degrees(feet: float, tolerance: float) -> None:
    assert turn.turn_radius(120 * KT, 30 * DEG) / FT == pytest.approx(feet, rel=tolerance)


def test_radius_of_the_question_bank() -> None:
    # ATPL question bank: 120 kt, 60 deg, g taken as 10 m/s2: 220 m; radius goes with 1 / g
    assert turn.turn_radius(120 * KT, 60 * DEG) * 9.80665 / 10 == pytest.approx(220, rel=2e-3)


@pytest.mark.parametrize(("bank", "factor"), [(45, 1.41), (60, 2.0)])  # several teaching texts; 0.4 %
def test_load_factor_of_bank(bank: float, factor: float) -> None:
    assert turn.load_factor_of_bank(bank * DEG) == pytest.approx(factor, rel=4e-3)


def test_stall_speed_in_a_turn() -> None:
    # several teaching texts: 45 deg makes 59.5 kt of 50; 60 deg a factor of 1.41; 4 g a factor of 2; 0.4 %
    assert turn.speed_at_load_factor(50.0, turn.load_factor_of_bank(45 * DEG)) == pytest.approx(59.5, rel=4e-3)
    assert turn.speed_at_load_factor(1.0, turn.load_factor_of_bank(60 * DEG)) == pytest.approx(1.41, rel=4e-3)
    assert turn.speed_at_load_factor(1.0, 4.0) == pytest.approx(2.0, rel=1e-12)


@given(st.floats(20, 150), st.floats(-80, 80))
def test_one_turn_seen_from_every_side(speed: float, degrees: float) -> None:
    bank = degrees * DEG
    rate = turn.turn_rate(speed, bank)
    assert turn.bank_in_turn(speed, rate) == pytest.approx(bank, abs=1e-12)
    # one source prints sqrt(omega V / g + 1): the square is missing there
    by_rate = turn.load_factor_of_turn_rate(speed, rate)
    assert by_rate == pytest.approx(float(turn.load_factor_of_bank(bank)), rel=1e-9)
    assert turn.speed_at_one_g(turn.speed_at_load_factor(speed, by_rate), by_rate) == pytest.approx(speed)
    if abs(degrees) > 1:
        assert abs(rate) * turn.turn_radius(speed, bank) == pytest.approx(speed, rel=1e-9)


def test_wings_level_and_impossible_turns() -> None:
    assert turn.turn_rate(50.0, 0.0) == 0.0
    assert np.isinf(turn.turn_radius(50.0, 0.0))
    assert np.isnan(turn.turn_rate(0.0, 0.5))
    assert np.isnan(turn.load_factor_of_bank(100 * DEG))
    assert np.isnan(turn.speed_at_load_factor(50.0, -1.0))
    assert np.isnan(turn.speed_at_one_g(50.0, 0.0))
