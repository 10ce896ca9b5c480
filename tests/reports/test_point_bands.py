"""Bands of a point's numbers: samples and calibration joined as JCGM 100:2008, 5.1.2 joins them; computed by hand here."""

from __future__ import annotations

import math

import pytest
from click.testing import CliRunner

from trimshot.reports.cli import trimshot
from trimshot.reports.point_bands import bands_note, type_b_of, whole_band
from trimshot.reports.records import point_records
from trimshot.shared.settings import parse_settings
from trimshot.store.programme import Programme

KT = 1852 / 3600  # exact, BIPM SI brochure
TABLE = '[[aircraft.position_error]]\nindicated = "90 kt"\ncorrection = "2 kt"\n'
OWN = '[uncertainty]\nairspeed = "0.7 kt"\naltitude = "20 ft"\nengine_speed_share = 0.01\ntemperature = 2.0\n'


def test_the_airspeed_has_the_uncertainty_of_its_calibration() -> None:
    means = {"calibrated_airspeed": 50.0, "true_airspeed": 60.0, "indicated_airspeed": 49.0}
    without, with_table = (
        type_b_of(means, parse_settings("", "a test")),
        type_b_of(means, parse_settings(TABLE + OWN, "a test")),
    )
    assert without["calibrated_airspeed"] == pytest.approx(1.5 * KT)  # the default without a position error table
    assert with_table["calibrated_airspeed"] == pytest.approx(0.7 * KT)
    assert with_table["true_airspeed"] == pytest.approx(0.7 * KT * 60 / 50)  # the same share of a larger number
    assert "indicated_airspeed" not in with_table  # what the instrument shows is what it shows


def test_shares_are_of_the_size_and_channels_without_an_entry_are_not_named() -> None:
    means = {"sink_rate": -5.0, "engine_speed": 40.0, "mass": 1000.0, "static_air_temperature": 280.0,
             "pressure_altitude": 900.0, "oil_pressure": 4e5}  # fmt: skip
    found = type_b_of(means, parse_settings(OWN, "a test"))
    wanted = {"sink_rate": 0.005 * 5, "engine_speed": 0.4, "mass": 5.0, "static_air_temperature": 2.0, "pressure_altitude": 20 * 0.3048}  # fmt: skip
    assert found == pytest.approx(wanted)


def test_the_two_parts_join_as_the_root_of_squares() -> None:
    assert whole_band({"standard_error": 0.3, "type_b": 0.4}) == pytest.approx(1.0)  # 2 x 0.5
    assert whole_band({"standard_error": 0.3, "type_b": None}) == pytest.approx(0.6)
    assert whole_band({"standard_error": None, "type_b": 0.4}) is None


def test_every_number_of_the_table_has_its_band(demo_programme: Programme) -> None:
    records = point_records(demo_programme, None, None, refused=False)
    stored = demo_programme.statistics().set_index(["sortie", "number", "channel"])
    for one in records:
        speed = one["statistics"]["calibrated_airspeed"]
        error = stored.loc[(one["sortie"], one["number"], "calibrated_airspeed"), "standard_error"]
        assert speed["type_b"] * KT == pytest.approx(demo_programme.settings.airspeed_uncertainty)
        assert whole_band(speed) == pytest.approx(
            2 * math.hypot(error, demo_programme.settings.airspeed_uncertainty) / KT
        )
    lines = CliRunner().invoke(trimshot, ["--programme", str(demo_programme.folder), "points"]).output.splitlines()
    rows = [line for line in lines if line.startswith("S2505")]
    assert len(rows) == len(records)
    for line in rows:  # airspeed, height, sink; engine speed where it was recorded
        assert line.count("±") >= 3
        assert line.count("±") == sum(line.count(f" {unit} ") for unit in ("kt", "ft", "fpm", "rpm"))
    assert bands_note(demo_programme.settings) in " ".join(lines)
    assert records[0]["statistics"]["bank"]["type_b"] is None
