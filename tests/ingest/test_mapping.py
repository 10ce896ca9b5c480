"""Headers to channels: by name, by unit, by evidence, or refused.

Expected channel names are what the headers mean in the trade: common practice, no source. Unit
factors are exact definitions (1 kt = 1852/3600 m/s, 1 ft = 0.3048 m, 1 inHg = 3386.389 Pa).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from trimshot.ingest.aliases import RULES, find_rules
from trimshot.ingest.mapping import MappedTrack, map_track
from trimshot.ingest.raw import RawColumn, RawTime, RawTrack
from trimshot.ingest.words import split_words
from trimshot.shared.settings import InstrumentProfile
from trimshot.shared.units import SI
from trimshot.shared.vocabulary import CHANNELS, meaning_of


def column(header: str, unit: str | None, values: Any = None, **more: Any) -> RawColumn:
    samples = np.asarray([10.0, 11.0, 12.0] if values is None else values)
    return RawColumn(header, samples if samples.dtype == object else samples.astype(np.float64), unit, **more)


def track(*columns: RawColumn, kind: str | None = None) -> RawTrack:
    count = len(columns[0].values)
    seconds = np.arange(float(count))
    return RawTrack(RawTime("utc", seconds), columns, np.arange(1, count + 1, dtype=np.int64), kind)


def mapped(*columns: RawColumn, profile: InstrumentProfile | None = None) -> MappedTrack:
    return map_track(track(*columns), "log.csv", profile)


def codes(result: MappedTrack) -> set[str]:
    return {finding.code for finding in result.findings}


NAMES = {
    # aviation units, capitals run together
    "PressAlt|ft": "pressure_altitude",
    "Vcas(kt)|kt": "calibrated_airspeed",
    "N(rpm)|rpm": "engine_speed",
    # members of nested recordings, symbols of the trade
    "air.ias_kt|kt": "indicated_airspeed",
    "state/attitude/pitch|deg": "pitch",
    "Hp_ft|ft": "pressure_altitude",
    "Vi|kt": "indicated_airspeed",
    "Vc [kt]|kt": "calibrated_airspeed",
    "BaroAlt|ft": "baro_altitude",
    "IndSpeed|kt": "indicated_airspeed",
    "TrueSpeed|kt": "recorded_true_airspeed",
    "VertSpeed|ft/min": "vertical_speed",
    "PitchAtt|deg": "pitch",
    "RollAtt|deg": "bank",
    "MagHead|deg": "heading_magnetic",
    "TurnRate|deg/s": "turn_rate",
    "NormAcc|g": "normal_load_factor",
    "LatAcc|g": "lateral_load_factor",
    "OutTemp|degC": "outside_air_temperature",
    "SatLat|deg": "latitude",
    "SatLon|deg": "longitude",
    "SatAlt|ft": "gnss_unnamed_altitude",
    "SatGS|kt": "ground_speed",
    "SatTrack|deg": "track_true",
    # words, statute units
    "Airspeed Ind|mph": "indicated_airspeed",
    "Altitude Press|ft": "pressure_altitude",
    "Climb Rate|fpm": "vertical_speed",
    "Attitude Pitch|deg": "pitch",
    "Attitude Bank|deg": "bank",
    "Heading|deg M": "heading_magnetic",
    "Heading|deg T": "heading_true",
    "G Load|g": "normal_load_factor",
    "Air Temp|degF": "outside_air_temperature",
    "Gnss Speed|mph": "ground_speed",
    "Gnss Course|deg T": "track_true",
    "Gnss Elev|ft": "gnss_unnamed_altitude",
    # metric, underscores
    "alt_std|m": "pressure_altitude",
    "v_ind|km/h": "indicated_airspeed",
    "vario|m/s": "vertical_speed",
    "course_mag|deg": "heading_magnetic",
    "g|g": "normal_load_factor",
    "t_out|degC": "outside_air_temperature",
    "alt_gnss|m": "gnss_unnamed_altitude",
    "v_ground|km/h": "ground_speed",
    "track|deg": "track_true",
    # engines
    "RPM|1/min": "engine_speed",
    "motor_rpm|min-1": "engine_speed",
    "Prop RPM|rpm": "propeller_speed",
    "MAN_PR|inHg": "manifold_pressure",
    "MAP|inHg": "manifold_pressure",
    "FUEL_FL|gal/h": "fuel_flow",
    "flow|l/h": "fuel_flow",
    "fuel_flow_pph|pph": "fuel_mass_flow",
    "FUEL_QTY|gal": "fuel_quantity",
    "tank|l": "fuel_quantity",
    "fuel_lb|lb": "fuel_mass",
    "OIL_T|F": "oil_temperature",
    "oil_press|bar": "oil_pressure",
    "CHT_3|F": "cylinder_head_temperature_3",
    "cyl_temp_r|C": "cylinder_head_temperature_2",
    "E1 CHT4|C": "cylinder_head_temperature_4",
    "exh_1|C": "exhaust_gas_temperature_1",
    "EGT_6|F": "exhaust_gas_temperature_6",
    "BUS_V|V": "bus_voltage",
    "volt|V": "bus_voltage",
    "amp1|A": "bus_current",
    "OAT|F": "outside_air_temperature",
    # with the unit in the name
    "pressure_alt_ft|ft": "pressure_altitude",
    "ias_kt|kt": "indicated_airspeed",
    "ias_avg_kt|kt": "indicated_airspeed",
    "oat_c|degC": "outside_air_temperature",
    "fuel_flow_lph|lph": "fuel_flow",
    "nz_g|g": "normal_load_factor",
    "flap_pos_deg|deg": "flap_angle",
    "baro_inhg|inHg": "altimeter_setting",
    # other spellings
    "AltMSL|ft": "unnamed_altitude",
    "groundspeed|kt": "ground_speed",
    "VSpd|fpm": "vertical_speed",
    "Höhe|ft": "unnamed_altitude",
    "Fahrtmesser Geschwindigkeit|kt": None,
    "Außentemperatur|°C": "outside_air_temperature",
    "Öldruck|bar": "oil_pressure",
    "Zylinderkopftemperatur 1|C": "cylinder_head_temperature_1",
    "Kraftstofffluss|l/h": "fuel_flow",
    "Kühlwassertemperatur|C": "coolant_temperature",
    "Druckhöhe|m": "pressure_altitude",
    "Längengrad|deg": "longitude",
    "Régime moteur|tr/min": "engine_speed",
    "Pression huile|bar": "oil_pressure",
    "Altitud presión|ft": "pressure_altitude",
    "Velocidad indicada|km/h": "indicated_airspeed",
    # words in brackets that are no unit
    "HDG (Mag)|deg": "heading_magnetic",
    "Airspeed (True)|kt": "recorded_true_airspeed",
    "Altitude (GPS)|m": "gnss_unnamed_altitude",
    "speed over ground|kt": "ground_speed",
    "height above ellipsoid|m": "gnss_ellipsoid_altitude",
    "Angle of Attack|deg": "angle_of_attack",
    "G Force|g": "normal_load_factor",
    "Pstatic|hPa": "static_pressure",
    "E1 FPres|psi": "fuel_pressure",
    "Gross Weight|lb": "mass",
    "track_mag|deg": "raw_track_mag",
    "Vitesse verticale|m/s": "vertical_speed",
    # what must not be taken for a measurement
    "IAS bug|kt": None,
    "Target Airspeed|kt": None,
    "target.ias_kt|kt": None,
    "Selected Altitude|ft": None,
    "Fuel Qty Left|gal": None,
    "Heading|kt": None,
    "IAS|ft": None,
}


@pytest.mark.parametrize("spelled", NAMES)
def test_header_means(spelled: str) -> None:
    header, unit = spelled.split("|")
    (name,) = mapped(column(header, unit)).columns
    expected = NAMES[spelled]
    assert name.startswith("raw_") if expected is None else name == expected


SWITCHES = {
    "gear_lever": "gear_lever",
    "gear_dn_lock": "gear_down_locked",
    "gear_up_lock": "gear_up_locked",
    "squat_sw": "weight_on_wheels",
    "WoW": "weight_on_wheels",
    "Gear Lever Down": "gear_lever",
    "gear switch": "gear_lever",
    "Gear Down and Locked": "gear_down_locked",
    "lift_warn": "stall_warning",
    "Stall Warning": "stall_warning",
    "event": "event_mark",
}


@pytest.mark.parametrize("header", SWITCHES)
def test_switches_need_no_unit(header: str) -> None:
    result = mapped(column(header, None, [0, 1, 0]))
    assert set(result.columns) == {SWITCHES[header]}
    assert result.findings == ()


def test_rules_name_channels_of_the_vocabulary() -> None:
    for rule in RULES:
        assert rule.channel in CHANNELS
        assert all(kind in SI or kind == "text" for kind in rule.kinds)


def test_words() -> None:
    assert split_words("IndSpeed") == ("ind", "speed")
    assert split_words("CHT_12 (degF)") == ("cht", "12")
    assert split_words("OILTemp") == ("oil", "temp")
    assert split_words("motor_rpm(min-1)") == ("motor", "rpm")


def test_unknown_word_refuses_the_whole_header() -> None:
    assert find_rules("IAS", "kt") != ()
    assert find_rules("IAS limit", "kt") == ()


def test_values_and_steps_in_si() -> None:
    result = mapped(
        column("IAS", "kt", [0.0, 100.0, np.nan], step=1.0),
        column("OAT", "F", [32.0, 212.0, -40.0], step=1.0),
        column("Alt Press", "ft", [1000.0, 0.0, -100.0], step=10.0),
        column("Lat", "deg", [-38.66, 46.5, 0.0], step=1e-5),
    )
    knot, foot = 1852 / 3600, 0.3048
    np.testing.assert_allclose(result.columns["indicated_airspeed"].values, [0, 100 * knot, np.nan], rtol=1e-12)
    assert result.columns["indicated_airspeed"].step == pytest.approx(knot)
    oat = result.columns["outside_air_temperature"]
    np.testing.assert_allclose(oat.values, [273.15, 373.15, 233.15], rtol=1e-12)
    assert oat.step == pytest.approx(5 / 9)
    np.testing.assert_allclose(result.columns["pressure_altitude"].values, [1000 * foot, 0, -100 * foot])
    assert list(result.columns["latitude"].values) == [-38.66, 46.5, 0.0]  # degrees to the last digit
    for name, kept in result.columns.items():
        assert kept.unit == (meaning_of(name) or CHANNELS["mass"]).unit


def test_acceleration_becomes_load_factor() -> None:
    result = mapped(column("nz", "m/s2", [9.80665, 19.6133, 0.0]))
    np.testing.assert_allclose(result.columns["normal_load_factor"].values, [1, 2, 0], rtol=1e-12)


def test_axis_pointing_down_is_turned_over() -> None:
    result = mapped(column("az", "m/s2", [-9.80665, -19.6133, -9.80665]))
    np.testing.assert_allclose(result.columns["normal_load_factor"].values, [1, 2, 1], rtol=1e-12)
    assert codes(result) == {"CHANNEL_INFERRED"}


@pytest.mark.parametrize(("standing", "flying"), [(1, 0), (0, 1)])
def test_gear_is_down_while_the_aircraft_stands(standing: int, flying: int) -> None:
    gear = [standing] * 20 + [flying] * 20
    result = mapped(column("gear", None, gear), column("IAS", "kt", [0] * 20 + [90] * 20))
    assert list(result.columns["gear_position"].values) == [1.0] * 20 + [0.0] * 20


def test_gear_alone_does_not_tell_its_sense() -> None:
    result = mapped(column("gear", None, [0, 0, 1, 1, 1, 0]))
    doubts = [f for f in result.findings if f.level == "doubt"]
    assert [f.code for f in doubts] == ["CHANNEL_INFERRED"]
    assert "question" in doubts[0].facts


def test_a_counter_called_n_is_no_engine_speed() -> None:
    assert "engine_speed" not in mapped(column("N", None, np.arange(9000.0))).columns


@pytest.mark.parametrize("words", [("True", "False"), ("ON", "OFF"), ("yes", "no")])
def test_a_switch_in_words_is_a_switch(words: tuple[str, str]) -> None:
    values = np.array([words[0], words[1], None, words[0]], dtype=object)
    result = mapped(
        column("gear_down", None, values), column("on_ground", None, values), column("remark", None, values)
    )
    np.testing.assert_array_equal(result.columns["gear_down_locked"].values, [1.0, 0.0, np.nan, 1.0])
    np.testing.assert_array_equal(result.columns["weight_on_wheels"].values, [1.0, 0.0, np.nan, 1.0])
    assert result.columns["raw_remark"].values.tolist() == values.tolist()


def test_words_of_no_switch_stay_words() -> None:
    values = np.array(["True", "down", "False"], dtype=object)
    assert "gear_down_locked" not in mapped(column("gear_down", None, values)).columns


def test_unknown_column_is_kept_raw_in_si() -> None:
    result = mapped(column("Wing Bend", "mm", [1.0, 2.0, 3.0]))
    kept = result.columns["raw_wing_bend"]
    assert kept.unit == "m"
    np.testing.assert_allclose(kept.values, [0.001, 0.002, 0.003])
    assert codes(result) == {"CHANNEL_UNNAMED"}


def test_no_unit_is_a_question_not_a_factor_of_one() -> None:
    result = mapped(column("IAS", None, [95.0, 96.0, 97.0]), column("CHT_1", "bananas", [310.0, 311.0, 312.0]))
    assert set(result.columns) == {"raw_ias", "raw_cht_1"}
    assert {c.unit for c in result.columns.values()} == {None}
    (unknown,) = result.findings
    assert (unknown.code, unknown.count, unknown.level) == ("UNIT_UNKNOWN", 2, "doubt")
    assert "question" in unknown.facts


@pytest.mark.parametrize(
    ("header", "values", "channel", "si"),
    [
        ("flap_pos", [0, 33, 100, 100, 100, 0], "flap_position", 1.0),
        ("Flaps", [0, 0.5, 1, 1, 1, 0], "flap_position", 1.0),
        ("flap_pos", [0, 0, 0, 0, 0, 0], "flap_position", 0.0),
        ("gear", [0, 0, 1, 1, 1, 1], "gear_position", 1.0),
        ("track", [0, 10, 350, 350, 90, 1], "track_true", np.radians(350)),
        ("lat", [46.6, 46.6, 46.6, 46.7, 46.7, 46.7], "latitude", 46.7),
        ("nz", [1, 1.01, 0.99, 2, 1, 1], "normal_load_factor", 2.0),
        ("RPM", [0, 800, 2400, 2400, 2400, 0], "engine_speed", 40.0),
        ("Drehzahl", [0, 800, 2400, 2400, 2400, 0], "engine_speed", 40.0),
        ("qnh", [1013, 1013, 1013, 1014, 1014, 1014], "altimeter_setting", 101400.0),
        ("baro", [29.92, 29.92, 29.92, 29.9, 29.9, 29.9], "altimeter_setting", 29.92 * 3386.389),
    ],
)
def test_unit_from_evidence(header: str, values: list[float], channel: str, si: float) -> None:
    result = mapped(column(header, None, values))
    assert set(result.columns) == {channel}
    assert np.nanmax(result.columns[channel].values) == pytest.approx(si, rel=1e-6)


@pytest.mark.parametrize(
    ("header", "values"),
    [
        ("flap_pos", [0, 10, 20, 20, 20, 0]),  # degrees or percent
        ("OAT", [10, 11, 12, 13, 14, 15]),  # all of C and F
        ("alt", [1000, 1100, 1200, 1300, 1400, 1500]),
        ("lat", [0.5, 0.5, 0.5, 0.5, 0.5, 0.5]),  # near the equator, or radians
    ],
)
def test_undecided_unit_stays_open(header: str, values: list[float]) -> None:
    result = mapped(column(header, None, values))
    assert all(name.startswith("raw_") for name in result.columns)
    assert codes(result) == {"UNIT_UNKNOWN"}


def test_altitude_and_heading_without_reference() -> None:
    result = mapped(column("Alt", "ft"), column("Heading", "deg"))
    assert set(result.columns) == {"unnamed_altitude", "unnamed_heading"}
    assert codes(result) == {"ALT_DATUM_UNKNOWN", "HEADING_REFERENCE_UNKNOWN"}


def test_altitude_beside_its_setting_is_baro() -> None:
    result = mapped(column("alt_ft", "ft"), column("baro_inhg", "inhg", [30.32, 30.32, 30.32]))
    assert set(result.columns) == {"baro_altitude", "altimeter_setting"}
    assert codes(result) == {"CHANNEL_INFERRED"}


def test_profile_answers() -> None:
    profile = InstrumentProfile(
        channels={"X7": "oil_temperature"},
        units={"IAS": "mph", "X7": "degF"},
        altitude_datum="pressure",
        heading_reference="true",
    )
    result = mapped(
        column("IAS", None, [100.0, 100.0, 100.0]),
        column("X7", None, [212.0, 212.0, 212.0]),
        column("Alt", "ft"),
        column("Heading", "deg"),
        profile=profile,
    )
    assert set(result.columns) == {"indicated_airspeed", "oil_temperature", "pressure_altitude", "heading_true"}
    assert result.columns["indicated_airspeed"].values[0] == pytest.approx(44.704)  # 1 mph = 0.44704 m/s
    assert result.columns["oil_temperature"].values[0] == pytest.approx(373.15)
    assert result.findings == ()


def test_the_better_of_two_columns_is_kept() -> None:
    result = mapped(
        column("IAS", "kt", [100.0, np.nan, np.nan], step=1.0, position=1),
        column("Airspeed Ind", "kt", [100.0, 101.0, 102.0], step=1.0, position=2),
        column("IAS 2", "kt", [90.0, 91.0, 92.0], step=0.1, position=3),
    )
    assert result.columns["indicated_airspeed"].source_name == "Airspeed Ind"
    assert {name for name in result.columns if name.startswith("raw_")} == {"raw_ias", "raw_ias_2"}
    assert codes(result) == {"CHANNEL_UNNAMED"}


def test_cylinders_under_one_name_are_numbered() -> None:
    result = mapped(*(column(f"CHT (column {n})", "F", [310.0 + n] * 3, position=n) for n in range(2, 6)))
    assert set(result.columns) == {f"cylinder_head_temperature_{n}" for n in range(1, 5)}


def test_words_stay_words() -> None:
    words = np.array(["UP", "NA", None], dtype=object)
    result = mapped(column("gear_state", None, words), column("id", None, np.array(["007", "008", "9"], dtype=object)))
    assert list(result.columns["gear_reported"].values) == ["UP", "NA", None]
    assert "raw_id" in result.columns


def test_adapter_channel_is_believed() -> None:
    result = mapped(column("RMC.7", "kt", channel="ground_speed"))
    assert set(result.columns) == {"ground_speed"}


@pytest.mark.parametrize(
    ("columns", "kind"),
    [
        ((column("IAS", "kt"), column("RPM", "rpm")), "display"),
        ((column("RPM", "rpm"), column("OAT", "F")), "engine"),
        ((column("lat", "deg"), column("lon", "deg")), "gnss"),
        ((column("gear_lever", None, [0, 1, 1]), column("flap_pos", "%")), "discretes"),
        ((column("Wing Bend", "mm"),), "log"),
    ],
)
def test_kind_by_content(columns: tuple[RawColumn, ...], kind: str) -> None:
    assert mapped(*columns).kind == kind
