"""Bands: what they are made of and how they are told."""

from __future__ import annotations

import numpy as np
import pytest

from trimshot.reports.reductions.bands import Band, band_of, band_of_draws, widened, worth_telling
from trimshot.reports.reductions.present import band_text, probability_text, say, value_shown
from trimshot.shared.settings import parse_settings

PLAIN = parse_settings("", "t")


def test_the_two_types_combine_as_a_root_of_squares() -> None:
    # JCGM 100:2008, 5.1.2 (combined standard uncertainty), 6.2.1 (k = 2): 3 and 4 give 5, expanded 10
    band = band_of(100.0, 3.0, 4.0, unit="m/s")
    assert (band.low, band.high, band.half_width, band.standard_uncertainty) == (90.0, 110.0, 10.0, 5.0)
    assert band.holds(90.0) and not band.holds(89.9)


def test_quantiles_of_draws_hold_nineteen_of_twenty() -> None:
    # standard normal: 95 % between -1.96 and 1.96 (any statistical table)
    draws = np.random.default_rng(1).normal(size=200_000)
    band = band_of_draws(draws, unit="1")
    assert (band.low, band.high) == pytest.approx((-1.96, 1.96), abs=0.03)
    assert not band_of_draws([np.nan, 1.0], unit="1").is_known


def test_a_further_uncertainty_widens_each_side_for_itself() -> None:
    band = widened(Band(10.0, 7.0, 14.0, "1"), 2.0)
    assert (band.low, band.high) == (10.0 - 5.0, 10.0 + (16 + 16) ** 0.5)


def test_words_carry_the_unit_and_the_digits_the_band_deserves() -> None:
    knot = 1852 / 3600  # exact, BIPM SI brochure
    assert say(band_of(95.2 * knot, 0.15 * knot, unit="m/s"), "speed", PLAIN) == "95.2 ± 0.3 kt"
    assert say(Band(95 * knot, 94 * knot, 97 * knot, "m/s"), "speed", PLAIN) == "95.0 (94.0 to 97.0) kt"
    assert say(float("nan"), "speed", PLAIN) == "–"
    assert say(1.0, "share", PLAIN) == "100.0 %"
    assert band_text(1.0, 0.9957, 1.0043, None) == "1.0000 ± 0.0043"
    assert band_text(10.0, None, None, "kt") == "10.0"


def test_a_difference_of_temperatures_has_no_zero() -> None:
    assert value_shown(288.15, "temperature", PLAIN) == pytest.approx(15.0)
    assert value_shown(1.0, "temperature", PLAIN, difference=True) == pytest.approx(1.0)
    metric = parse_settings("[display]\nspeed = 'km/h'", "t")
    assert say(10.0, "speed", metric) == "36.0 km/h"


def test_what_rounds_to_zero_has_no_sign() -> None:
    assert band_text(-0.0001, -0.0111, 0.0109, None) == "0.000 ± 0.011"
    assert band_text(-0.2, None, None, "ft") == "0"
    assert band_text(-1.2, None, None, "ft") == "-1"


def test_a_small_probability_is_never_told_as_nothing() -> None:
    assert probability_text(1.1e-10) == "below 0.001"
    assert probability_text(0.0432) == "0.043"


def test_a_band_wider_than_its_worth_is_not_told() -> None:
    assert worth_telling(band_of(8.5, 2.0, unit="1"), 0.5).is_known
    assert not worth_telling(band_of(8.5, 2.2, unit="1"), 0.5).is_known
    assert worth_telling(band_of(0.1, 1.0, unit="1"), 0.5, of=8.0).is_known
