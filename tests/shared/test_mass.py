"""Mass, centre of gravity and fuel against worked handbook examples (in their own units: all relations are linear)."""

import numpy as np
import pytest

from trimshot.shared.physics import mass


@pytest.mark.parametrize(
    ("weights", "arms", "total", "moment", "centre"),
    [
        # SFTE Reference Handbook, 3rd ed. 2013, section 7, worked examples; last printed digit
        ((320, 816, 810), (-75, 0, 0), 1946, -24000, -12.33),
        ((320, 816, 810), (40, 115, 115), 1946, 199790, 102.67),
        ((320, 816, 810), (0, 70, -70), 1946, 420, 0.216),
        ((1075, 170, 75, 15), (84.0, 85.5, 94.0, 31.7), 1335, 112360.5, 84.16),
        # AC 43.13-1B figure 10-13; it prints the centre as 18.6, its own moment over its own weight is 18.32
        ((1169, 17, 170, 170, 340, 234), (10.6, -49, 16, 16, 48, 22), 2100, 38466, 18.32),
        # SFTE section 7 prints 31,417.5 (14 x 21.5 as 294): the right sum is 31,410.5; an item taken out is negative
        ((1220, 15, -11, 14), (25, 65, -21.5, -21.5), 1238, 31410.5, 25.37),
    ],
)
def test_worked_examples(
    weights: tuple[float, ...], arms: tuple[float, ...], total: float, moment: float, centre: float
) -> None:
    assert mass.total_mass(weights) == pytest.approx(total, abs=1e-9)
    assert mass.total_moment(weights, arms) == pytest.approx(moment, abs=0.6)
    assert mass.centre_of_gravity(weights, arms) == pytest.approx(centre, abs=6e-3)


def test_many_loadings_at_once() -> None:
    found = mass.centre_of_gravity([[320.0, 816.0, 810.0]] * 2, [[40.0, 115.0, 115.0], [0.0, 70.0, -70.0]])
    assert found == pytest.approx([102.67, 0.216], abs=6e-3)  # SFTE, as above


def test_no_mass_no_centre() -> None:
    assert np.isnan(mass.centre_of_gravity([0.0, 0.0], [1.0, 2.0]))


def test_fuel_burnt_of_a_linear_flow_is_its_integral() -> None:
    # the trapezoidal rule is exact for a straight line: integral of 1 + 2 t
    time = np.array([0.0, 0.5, 2.0, 5.0])
    assert mass.fuel_burnt(1 + 2 * time, time) == pytest.approx(time + time**2, abs=1e-12)


def test_fuel_burnt_across_a_gap_goes_straight() -> None:
    time = np.arange(7.0)
    flow = np.array([np.nan, 2.0, 2.0, np.nan, np.nan, 4.0, np.nan])
    found = mass.fuel_burnt(flow, time)
    assert found[[0, 1, 2, 5, 6]] == pytest.approx([0, 0, 2, 2 + 3 * 3.0, 11])
    assert np.isnan(mass.fuel_burnt(np.full(3, np.nan), np.arange(3.0))).all()


def test_mass_falls_by_the_fuel_burnt() -> None:
    time = np.linspace(0, 3600, 361)
    found = mass.mass_after_burn(900.0, np.full(361, 20 / 3600), time_s=time)  # 20 kg in the hour
    assert found[0] == 900.0
    assert found[-1] == pytest.approx(880.0)
    assert (np.diff(found) < 0).all()


def test_speed_goes_with_the_root_of_mass() -> None:
    # SFTE Reference Handbook, 3rd ed. 2013, section 12: a quarter of the mass flies at half the speed
    assert mass.speed_at_mass(50.0, 1000.0, standard_mass=250.0) == pytest.approx(25.0)
    assert np.isnan(mass.speed_at_mass(50.0, 0.0, standard_mass=250.0))
