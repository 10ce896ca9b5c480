"""Presets of point criteria: the published figures, and how they mix with what the settings say."""

from __future__ import annotations

import pytest

from trimshot.shared.criteria_presets import PRESETS
from trimshot.shared.errors import SettingsError
from trimshot.shared.settings import PointCriteria, Settings, parse_settings

KNOT = 1852 / 3600  # international knot, exact
FOOT = 0.3048  # international foot, exact


def test_the_figures_of_part_60_idle_descent() -> None:
    # 14 CFR Part 60 App. A, table A2A, 1.d.4: over 1000 ft, 3 kt, 5 % or 200 ft/min
    points = Settings().with_criteria("part-60-descent").points
    assert points.airspeed_band == pytest.approx(3 * KNOT)
    assert points.vertical_speed_share == 0.05
    assert points.vertical_speed_deviation == pytest.approx(200 * FOOT / 60)
    assert points.height_change == pytest.approx(1000 * FOOT)


def test_the_figures_of_the_others() -> None:
    # table A2A 1.d.5; 1.c.2; 14 CFR Part 36 B36.8(g); Part 60 paragraph e; SFTE handbook section 4
    emergency = Settings().with_criteria("part-60-emergency-descent").points
    assert (emergency.airspeed_band, emergency.height_change) == pytest.approx((5 * KNOT, 3000 * FOOT))
    assert Settings().with_criteria("part-60-climb").points.vertical_speed_deviation == pytest.approx(100 * FOOT / 60)
    assert Settings().with_criteria("part-36").points.airspeed_share == 0.03
    assert Settings().with_criteria("part-60-snapshot").points.minimum_duration == 5.0
    assert Settings().with_criteria("gnss-leg").points.minimum_duration == 10.0


@pytest.mark.parametrize("name", PRESETS)
def test_a_preset_changes_its_own_keys_alone_and_says_where_it_stands(name: str) -> None:
    changed = Settings().with_criteria(name).points.model_dump()
    default = PointCriteria().model_dump()
    assert {key for key in default if changed[key] != default[key]} == set(PRESETS[name].values) | (
        {"preset"} if name != "default" else set()
    )
    assert PRESETS[name].source
    assert (Settings().with_criteria(name).digest() == Settings().digest()) == (name == "default")


def test_a_key_written_beside_a_preset_comes_first() -> None:
    points = parse_settings('[points]\npreset = "part-60-descent"\nairspeed_band = "1 kt"\n', "t").points
    assert points.airspeed_band == pytest.approx(KNOT)
    assert points.height_change == pytest.approx(1000 * FOOT)


def test_an_unknown_preset_lists_the_known_ones() -> None:
    with pytest.raises(SettingsError, match="part-60-descent"):
        parse_settings('[points]\npreset = "part-61"\n', "t")
    with pytest.raises(SettingsError, match="gnss-leg"):
        Settings().with_criteria("part-61")


def test_what_reading_depends_on_is_told_apart_from_what_detection_depends_on() -> None:
    plain = Settings()

    def read_alike(text: str) -> bool:
        return parse_settings(text, "t").reading_digest() == plain.reading_digest()

    assert read_alike('[points]\nbank = "5 deg"\n')
    assert read_alike('[aircraft]\nnever_exceed_speed = "150 kt"\nretractable_gear = true\n')
    assert read_alike('[[aircraft.flap_settings]]\nname = "full"\nangle = "30 deg"\n')
    assert read_alike('[display]\nspeed = "km/h"\n')
    assert not read_alike('[[aircraft.position_error]]\nindicated = "60 kt"\ncorrection = "2 kt"\n')
    assert not read_alike("[aircraft]\ntemperature_recovery_factor = 0.8\n")
    assert not read_alike('[instruments.logger]\nfiles = "a*.csv"\nzone = "UTC"\n')
