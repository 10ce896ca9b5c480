"""Mass and centre of gravity at the points."""

from __future__ import annotations

import pytest

from trimshot.reports.reductions.bands import UNKNOWN, band_of
from trimshot.reports.reductions.evidence import gather_evidence
from trimshot.reports.reductions.mass_sheet import sheet_of
from trimshot.reports.reductions.mass_state import arm_after_burn, place_in_envelope, place_of_bands, reduce_mass
from trimshot.shared.settings import parse_settings
from trimshot.store.programme import Programme

LB = 0.45359237  # exact, international pound
IN = 0.0254  # exact
SQUARE = "".join(
    f"[[aircraft.loading_envelope]]\nmass = '{mass} lb'\narm = '{arm} in'\n"
    for mass, arm in ((2000, 80), (2000, 100), (1000, 100), (1000, 80))
)


def test_masses_at_points_are_those_of_the_simulation(eleven: Programme) -> None:
    result = reduce_mass(gather_evidence(eleven, sorties=["S250506-01-drag_survey"]))
    # independent simulation, truth of S250506-01: take-off 2481.79 lb, landing 2418.01 lb
    masses = [one.mass.value / LB for one in result.loadings]
    assert 2418.0 - 3 <= min(masses) <= max(masses) <= 2481.8 + 1
    assert result.take_off["S250506-01-drag_survey"][0] / LB == pytest.approx(2480.0, abs=3.0)  # the card is rounded
    # truth of the glide at 13:59:31: 2464.72 lb
    (one,) = [one for one in result.loadings if one.reference.number == 5]
    assert one.mass.holds(2464.72 * LB)


def test_the_published_loading_example_backwards() -> None:
    # SFTE Reference Handbook, 3rd ed. 2013, section 7 (checks WB-4): 1335 lb, 112,360.5 in-lb with 75 lb of fuel at 94.0 in;
    # burning that fuel leaves 1260 lb and 112,360.5 - 7,050 in-lb (computed by hand)
    arm = arm_after_burn(1335 * LB, 112360.5 / 1335 * IN, 1260 * LB, fuel_arm=94.0 * IN)
    assert arm / IN == pytest.approx(105310.5 / 1260, abs=1e-9)


@pytest.mark.parametrize(
    ("mass_lb", "arm_in", "word"),
    [(1500, 90, "inside"), (1500, 101, "outside"), (2001, 90, "outside"), (1500, float("nan"), "not known")],
)
def test_places_in_the_envelope(mass_lb: float, arm_in: float, word: str) -> None:
    aircraft = parse_settings(SQUARE, "t").aircraft
    assert place_in_envelope(mass_lb * LB, arm_in * IN, aircraft) == word
    assert place_in_envelope(mass_lb * LB, arm_in * IN, parse_settings("", "t").aircraft) == "not known"


def test_a_band_over_the_edge_is_not_called_inside() -> None:
    aircraft = parse_settings(SQUARE, "t").aircraft  # to 2,000 lb and 100 in
    arm = band_of(90 * IN, 0.2 * IN, unit="m")
    for mass_lb, word in ((1900, "inside"), (1990, "at the edge"), (2010, "at the edge"), (2100, "outside")):
        assert place_of_bands(band_of(mass_lb * LB, 10 * LB, unit="kg"), arm, aircraft) == word
    assert place_of_bands(band_of(1500 * LB, 10 * LB, unit="kg"), UNKNOWN, aircraft) == "not known"


def test_what_is_missing_is_said(eleven: Programme) -> None:
    evidence = gather_evidence(eleven, aircraft="SALLOW-R1")
    result = reduce_mass(evidence)
    assert len(result.loadings) + sum("point" in one.what for one in result.left_out) == len(evidence.points)
    sheet = sheet_of(result, evidence)
    assert any("fuel_arm" in text for text in sheet.missing)
    assert any("loading_envelope" in text for text in sheet.missing)
