"""What a condition may be, and what is said of one that it may not."""

from __future__ import annotations

import re
from collections.abc import Iterator

import duckdb
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trimshot.shared.errors import ConditionError
from trimshot.store.condition import parse_condition
from trimshot.store.connection import connect_memory


@pytest.fixture(scope="module")
def connection() -> Iterator[duckdb.DuckDBPyConnection]:
    made = connect_memory()
    yield made
    made.close()


@pytest.mark.parametrize(
    ("text", "channels"),
    [
        ("gear = 'down'", ("gear",)),
        ("Gear = 'down' AND Vertical_Speed < fpm(-500)", ("gear", "vertical_speed")),
        ("flap = 'full'", ("flap",)),
        ("flap >= deg(20)", ("flap_angle",)),
        ("deg(20) <= flap", ("flap_angle",)),
        ("flap BETWEEN deg(10) AND deg(30)", ("flap_angle",)),
        ("flap IN (deg(0), deg(20))", ("flap_angle",)),
        ("flap = 'full' OR flap > 0.3", ("flap", "flap_angle")),
        ("abs(flap) > 0.1", ("flap_angle",)),
        ("flap LIKE 'f%'", ("flap",)),
        ("calibrated_airspeed - indicated_airspeed > kt(2) -- said so", ("calibrated_airspeed", "indicated_airspeed")),
        ("exhaust_gas_temperature_3 > degc(700)", ("exhaust_gas_temperature_3",)),
        ("vertical_speed IS NOT NULL and not (t < 60)", ("vertical_speed", "t")),
        ("case when gear = 'down' then vertical_speed else 0 end < -1", ("gear", "vertical_speed")),
        ("true", ()),
    ],
)
def test_conditions_and_the_channels_they_name(
    connection: duckdb.DuckDBPyConnection, text: str, channels: tuple[str, ...]
) -> None:
    assert parse_condition(connection, text).channels == channels


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        ("   \n", "empty"),
        ("gear = = 'down'", r"character 8 .*syntax error"),
        ("gear = 'down", "unterminated"),
        ("(gear = 'down'", "syntax error"),
        ("gear = 'down')", "syntax error"),
        ("flap = full", "single quotes: flap = 'full'"),
        ("gear = 'down' AND flap <> FULL", "single quotes: flap = 'full'"),
        ("gear = 'down' AND", "something is missing or left open at the end"),
        ("gear = 'down'; DROP TABLE sortie", "syntax error"),
        ("1 = 1); DROP TABLE sortie; --", "syntax error"),
        ("true) UNION SELECT 1 FROM frame WHERE (true", "one expression"),
        ("true) LIMIT (1", "one expression"),
        ("true) GROUP BY (1", "one expression"),
        ("true) ORDER BY (1", "one expression"),
        ("gear = 'down', flap = 'up'", "one expression"),
        ("gear IN (SELECT value FROM run)", "query inside"),
        ("EXISTS (FROM read_csv('/etc/passwd'))", "query inside"),
        ("(SELECT count(*) FROM '/etc/passwd') > 0", "query inside"),
        ("sum(vertical_speed) OVER () > 3", "window"),
        ("count(*) > 3", r"unknown function count_star\(\)"),
        ("read_text('/etc/passwd') = 'x'", r"unknown function read_text\(\)"),
        ("current_setting('memory_limit') = 'x'", "unknown function"),
        ("pg_sleep(9) is null", "unknown function"),
        ("gear = $1", "parameter"),
        ("gear = ?", "parameter"),
        ("COLUMNS('.*') > 3", "star"),
        ("calibrated_airspeed > knots(95)", r"unknown function knots\(\).*kt"),
        ("vertical_sped < 0", "unknown channel 'vertical_sped'; did you mean: vertical_speed"),
        ("gear = down", "single quotes: 'down'"),
        ('gear = "down"', "single quotes: 'down'"),
        ("frame.gear = 'down'", "unknown name"),
        ("gear > kt(3)", "gear is a word"),
        ("gear + 1 > 3", "gear is a word"),
        ("vertical_speed < '500 fpm'", "vertical_speed is a number"),
        ("calibrated_airspeed", "not a test"),
        ("kt(3)", "not a test"),
        ("kt(3, 4) > 1", "does not hold together"),
        ("gear", "not a test"),
        ("cast(gear as integer[]) = [1]", "list_value"),
        ("x" * 6000, "too long"),
        ("gear = 'a\0b'", "not text"),
        ("(" * 900 + "true" + ")" * 900 + " and x", "."),
    ],
)
def test_wrong_conditions_say_so_in_one_line(connection: duckdb.DuckDBPyConnection, text: str, said: str) -> None:
    with pytest.raises(ConditionError, match=said) as caught:
        parse_condition(connection, text)
    assert "\n" not in str(caught.value)


@given(st.text(max_size=60))
def test_any_text_is_a_condition_or_a_condition_error(text: str) -> None:
    _judge(text)


@given(
    st.lists(
        st.sampled_from(
            re.findall(
                r"\S+",
                "gear flap vertical_speed = <> < > 'down' 'full' kt( deg( ) ( 95 -500 AND OR NOT IN , ; -- /* */ "
                "SELECT FROM frame read_parquet( '/x' BETWEEN IS NULL CASE WHEN THEN END :: int [ ] { } $1 ? * + -",
            )
        ),
        max_size=14,
    )
)
def test_any_heap_of_pieces_is_a_condition_or_a_condition_error(pieces: list[str]) -> None:
    _judge(" ".join(pieces))


def _judge(text: str) -> None:
    made = _shared()
    try:
        condition = parse_condition(made, text)
    except ConditionError as error:
        assert "\n" not in str(error)
    else:
        assert "SELECT" not in condition.sql.upper().replace("'SELECT'", "")


_CONNECTIONS: list[duckdb.DuckDBPyConnection] = []


def _shared() -> duckdb.DuckDBPyConnection:
    if not _CONNECTIONS:
        _CONNECTIONS.append(connect_memory())
    return _CONNECTIONS[0]
