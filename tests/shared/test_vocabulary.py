"""The channel table: no name twice, every entry whole, states among the channels."""

import ast
import inspect
import re

import pytest

from trimshot.shared import vocabulary
from trimshot.shared.units import SI, UNITS
from trimshot.shared.vocabulary import CHANNELS, STATES, ChannelMeaning, meaning_of, unit_of_channel


def test_no_name_stands_twice_in_the_table() -> None:
    tree = ast.parse(inspect.getsource(vocabulary))
    calls = [n for n in ast.walk(tree) if isinstance(n, ast.Call) and getattr(n.func, "id", "") == "ChannelMeaning"]
    assert len(calls) == len(CHANNELS)


@pytest.mark.parametrize("entry", CHANNELS.values(), ids=lambda entry: str(entry.name))
def test_entry_is_whole(entry: ChannelMeaning) -> None:
    assert re.fullmatch(r"[a-z]+(_[a-z]+)*", entry.name)
    assert entry.meaning
    if entry.is_text:
        assert entry.unit is None
        assert entry.reduction == "last"
        return
    assert entry.unit == SI[entry.kind]
    assert entry.low < entry.high
    if entry.display:
        kind = UNITS[entry.display].kind
        assert kind == entry.kind or (entry.kind, kind) == ("coordinate", "angle")
    if entry.reduction == "circular":
        assert entry.kind in ("angle", "coordinate")


def test_ranges_hold_everyday_values() -> None:
    # sea level standard day at 100 kt, engine at 2400 rpm: common practice, no source
    everyday = {
        "static_pressure": 101325.0,
        "outside_air_temperature": 288.15,
        "calibrated_airspeed": 51.4,
        "engine_speed": 40.0,
        "altimeter_setting": 101325.0,
        "normal_load_factor": 1.0,
        "cylinder_head_temperature": 450.0,
    }
    for name, value in everyday.items():
        assert CHANNELS[name].low < value < CHANNELS[name].high


def test_states_are_words() -> None:
    assert all(CHANNELS[state].is_text for state in STATES)


def test_numbered_channels_are_found_and_others_not() -> None:
    entry = meaning_of("cylinder_head_temperature_3")
    assert entry is CHANNELS["cylinder_head_temperature"]
    assert meaning_of("pitch_2") is None
    assert meaning_of("raw_pitch") is None
    assert meaning_of("cylinder_head_temperature_x") is None


def test_unit_of_a_channel() -> None:
    assert unit_of_channel("pressure_altitude") == "m"
    assert unit_of_channel("exhaust_gas_temperature_4") == "K"
    assert unit_of_channel("flap") is None
    assert unit_of_channel("raw_something") is None
