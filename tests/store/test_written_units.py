"""Numbers with units in conditions: read as the unit function people could have written, nothing else touched."""

from __future__ import annotations

import pytest

from trimshot.shared.errors import ConditionError
from trimshot.store.condition import parse_condition
from trimshot.store.connection import connect_memory
from trimshot.store.programme import Programme
from trimshot.store.written_units import bare_number_note, spell_units

DRAG = "S250506-01-drag_survey"


@pytest.mark.parametrize(
    ("written", "read"),
    [
        ("calibrated_airspeed > 95 kt", "calibrated_airspeed > kt(95)"),
        ("calibrated_airspeed>95kts", "calibrated_airspeed>kt(95)"),
        ("ground_speed > 110 km/h", "ground_speed > kmh(110)"),
        ("bank BETWEEN -20 deg AND 20 deg", "bank BETWEEN deg(-20) AND deg(20)"),
        # the sign belongs inside: minus (10 degC) would be -283.15 K
        ("static_air_temperature < -10 degC", "static_air_temperature < degc(-10)"),
        ("true_airspeed - 5 kt > 40 kt", "true_airspeed - kt(5) > kt(40)"),
        ("calibrated_airspeed > 95 kt/2", "calibrated_airspeed > kt(95)/2"),
        ("altitude > 1e3 ft OR pitch > .5 deg", "altitude > ft(1e3) OR pitch > deg(.5)"),
        # nothing to read
        ("calibrated_airspeed > kt(95)", "calibrated_airspeed > kt(95)"),
        ("t BETWEEN 5 AND 6 OR t IN (7, 8)", "t BETWEEN 5 AND 6 OR t IN (7, 8)"),
        ("flap = '20 deg'", "flap = '20 deg'"),
        ("cylinder_head_temperature_1 > 5 furlong", "cylinder_head_temperature_1 > 5 furlong"),
    ],
)
def test_a_unit_behind_a_number_becomes_its_function(written: str, read: str) -> None:
    assert spell_units(written) == read


def test_the_answer_is_that_of_the_function(demo_programme: Programme) -> None:
    spelled = demo_programme.find("calibrated_airspeed > 95 kt AND vertical_speed < -500 fpm", 5.0, sortie=DRAG)
    by_function = demo_programme.find("calibrated_airspeed > kt(95) AND vertical_speed < fpm(-500)", 5.0, sortie=DRAG)
    assert len(spelled.frame) > 0
    assert spelled.frame.equals(by_function.frame)
    assert spelled.notes == by_function.notes == ()


@pytest.mark.parametrize(
    ("condition", "told"),
    [
        ("calibrated_airspeed > 95", ["95 was taken in m/s", "95 kt"]),
        ("-500 > vertical_speed", ["-500 was taken in m/s", "-500 fpm"]),
        ("bank BETWEEN 30 AND deg(60)", ["30 was taken in rad", "30 deg"]),
        ("static_air_temperature > 0", ["0 was taken in K", "0 degC"]),
        ("flap >= 20", ["20 was taken in rad", "flap_angle"]),
    ],
)
def test_a_number_without_a_unit_is_told_with_the_unit_it_was_taken_in(
    demo_programme: Programme, condition: str, told: list[str]
) -> None:
    notes = [one for one in demo_programme.find(condition, sortie=DRAG).notes if "was taken in" in one]
    assert len(notes) == 1
    assert all(part in notes[0] for part in told)


def test_nothing_is_told_where_no_unit_is_missing(demo_programme: Programme) -> None:
    assert bare_number_note("calibrated_airspeed", "0") is None  # nought is nought in every unit of speed
    assert bare_number_note("gear_position", "0.5") is None  # a ratio
    assert bare_number_note("latitude", "46.5") is None  # kept in degrees
    assert demo_programme.find("t > 60 AND vertical_speed < 0", sortie=DRAG).notes == ()


@pytest.mark.parametrize(
    ("condition", "wrong"),
    [
        ("vertical_speed < -500 fpm AND gaer = 1", "gaer = 1"),
        ("calibrated_airspeed > 95kt AND 'a  b' <> 'c' AND bank < 3 deg OR speeed > 1", "speeed > 1"),
        ("calibrated_airspeed > 95 kt AND vertical_speed < -1 m/s AND gear = 3", "gear = 3"),
        ("air > 95 kt", "air > 95 kt"),
    ],
)
def test_what_is_wrong_is_found_where_it_was_written(condition: str, wrong: str) -> None:
    connection = connect_memory()
    try:
        with pytest.raises(ConditionError) as told:
            parse_condition(connection, condition)
    finally:
        connection.close()
    where = str(told.value.where)
    place = int(where.split("character ")[1].split()[0])  # counted from one, as people count
    assert condition[place - 1 :] == wrong
    assert repr(wrong) in where
