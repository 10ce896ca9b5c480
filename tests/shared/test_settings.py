"""settings.toml: strict keys, quantities with units, every wrong line at once, a digest that notices."""

from math import pi
from pathlib import Path

import pytest
from pydantic import ValidationError

from trimshot.shared.errors import SettingsError
from trimshot.shared.settings import DISPLAY_DEFAULTS, Settings, load_settings, parse_settings
from trimshot.shared.units import find_unit

GOOD = """
[aircraft]
name = "first prototype"
mass = "2000 lb"
wing_area = "140 ft2"
gear_operating_speed = "110 kt"
maximum_load_factor = 4
retractable_gear = true
flap_settings = [{name = "up", angle = "0 deg"}, {name = "full", angle = "40 deg", limit_speed = "85 kt"}]
position_error = [{indicated = "60 kt", correction = "-2 kt", gear = "down"}]

[points]
minimum_duration = "20 s"

[instruments.left]
zone = "+02:00"
date_order = "dmy"
channels = {"A1" = "indicated_airspeed"}

[display]
speed = "mph"
"""


def test_quantities_become_si() -> None:
    aircraft = parse_settings(GOOD, "here").aircraft
    assert aircraft.mass == pytest.approx(2000 * 0.45359237)  # pound, 1959 agreement
    assert aircraft.wing_area == pytest.approx(140 * 0.3048**2)
    assert aircraft.gear_operating_speed == pytest.approx(110 * 1852 / 3600)
    assert aircraft.maximum_load_factor == 4.0
    assert aircraft.flap_settings[1].angle == pytest.approx(40 * pi / 180)
    assert aircraft.position_error[0].correction == pytest.approx(-2 * 1852 / 3600)


def test_what_is_left_out_is_not_assumed() -> None:
    settings = parse_settings("", "here")
    assert settings.aircraft.mass is None
    assert settings.aircraft.retractable_gear is None
    assert settings == Settings()


def test_other_parts_are_read() -> None:
    settings = parse_settings(GOOD, "here")
    assert settings.points.minimum_duration == 20.0
    assert settings.instruments["left"].zone == "+02:00"
    assert settings.instruments["left"].channels == {"A1": "indicated_airspeed"}
    assert settings.display_unit("speed") == "mph"
    assert settings.display_unit("altitude") == "ft"


@pytest.mark.parametrize(
    ("text", "key", "allowed"),
    [
        ("[aircraft]\nmas = '900 kg'", "aircraft.mas", "wing_area"),
        ("[point]\nx = 1", "point", "points"),
        ("[points]\nbanck = '5 deg'", "points.banck", "minimum_duration"),
        ("[instruments.left]\ntimezone = 'UTC'", "instruments.left.timezone", "zone"),
        ("[instruments.points]\ntimezone = 'UTC'", "instruments.points.timezone", "zone"),
        ("[aircraft]\nflap_settings = [{name='up', degree=3}]", "aircraft.flap_settings.0.degree", "limit_speed"),
        ("[display]\nspeeds = 'kt'", "display.speeds", "vertical_speed"),
    ],
)
def test_unknown_key_lists_the_allowed_ones(text: str, key: str, allowed: str) -> None:
    with pytest.raises(SettingsError) as caught:
        parse_settings(text, "here.toml")
    message = str(caught.value)
    assert message.startswith("here.toml: ")
    assert f"unknown key {key}, allowed here: " in message
    assert allowed in message.split("allowed here: ")[1]


def test_every_wrong_line_is_told_at_once() -> None:
    text = """
    [aircraft]
    mass = 900
    wing_area = "12 kg"
    wing_span = "9"
    colour = "red"
    [points]
    bank = "nan deg"
    [display]
    speed = "furlong"
    altitude = "kt"
    heading = "deg"
    """
    with pytest.raises(SettingsError) as caught:
        parse_settings(text, "here.toml")
    message = str(caught.value)
    for part in (
        "aircraft.mass: write the value with its unit in quotes",
        "aircraft.wing_area: '12 kg' is a quantity of mass, one of area is needed",
        "aircraft.wing_span",
        "unknown key aircraft.colour",
        "points.bank",
        "display.speed needs a unit of speed, found 'furlong'",
        "display.altitude needs a unit of length, found 'kt'",
        "unknown key display.heading",
    ):
        assert part in message


@pytest.mark.parametrize(
    "text", ["[aircraft]\nmaximum_load_factor = nan", "[aircraft]\nretractable_gear = 'yes'", "[aircraft", "a = 1 2"]
)
def test_wrong_values_and_wrong_toml_are_settings_errors(text: str) -> None:
    with pytest.raises(SettingsError) as caught:
        parse_settings(text, "here.toml")
    assert caught.value.where == "here.toml"


def test_settings_cannot_be_changed() -> None:
    with pytest.raises(ValidationError):
        Settings().points.minimum_duration = 3.0


CHANGES = (
    "[points]\nminimum_duration = '16 s'",
    "[aircraft]\nmass = '900 kg'",
    "[aircraft]\nname = 'x'",
    "[instruments.left]\nzone = 'UTC'",
)


@pytest.mark.parametrize("text", ["[display]\nspeed = 'mph'", "[uncertainty]\nairspeed = '2 kt'"])
def test_what_only_the_showing_depends_on_leaves_the_digest(text: str) -> None:
    settings = parse_settings(text, "here")
    assert settings != Settings()
    assert settings.digest() == Settings().digest()


def test_digest_changes_with_every_setting_of_finding_and_only_then() -> None:
    digests = {parse_settings(text, "here").digest() for text in ("", *CHANGES)}
    assert len(digests) == len(CHANGES) + 1
    assert parse_settings("# a comment\n", "elsewhere").digest() == Settings().digest()
    in_pounds = parse_settings("[aircraft]\nwing_span = '10 m'", "a").digest()
    assert parse_settings("[aircraft]\nwing_span = '1000 cm'", "b").digest() == in_pounds
    assert len(in_pounds) == 16


def test_defaults_of_display_are_units() -> None:
    for spelling in DISPLAY_DEFAULTS.values():
        assert find_unit(spelling) is not None


def test_file_with_a_byte_order_mark(tmp_path: Path) -> None:
    path = tmp_path / "settings.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.encode())
    assert load_settings(path) == parse_settings(GOOD, "here")


def test_missing_or_unreadable_file(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="no settings file"):
        load_settings(tmp_path / "settings.toml")
    (tmp_path / "odd.toml").write_bytes(b"name = '\xff\xfe'")
    with pytest.raises(SettingsError, match="cannot be read"):
        load_settings(tmp_path / "odd.toml")
    with pytest.raises(SettingsError, match="cannot be read"):
        load_settings(tmp_path)
