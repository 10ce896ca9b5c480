"""Test cards: two forms, many spellings, units stated or left open, nothing guessed.

Conversions are the definitions: 1 lb = 0.45359237 kg, 1 in = 0.0254 m, 1 ft = 0.3048 m, 1 kt = 1852/3600 m/s,
1 mph = 0.44704 m/s (international yard and pound agreement of 1959); 1 inHg (32 degF) = 3386.39 Pa (NIST SP 811).
"""

from __future__ import annotations

import json
import zipfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimshot.ingest.card.adapter import LARGEST, TestCardFile
from trimshot.ingest.raw import HEAD_BYTES, LogFile, RawFile
from trimshot.shared import recording
from trimshot.shared.errors import ParseError, TrimshotError
from trimshot.shared.settings import InstrumentProfile

DATA = Path(__file__).parent.parent / "data"
ADAPTER = TestCardFile()


def memory_file(content: bytes, name: str = "card.csv") -> LogFile:
    """A LogFile whose content needs no disk."""
    file = LogFile(Path("nowhere"), name, len(content), content[:HEAD_BYTES])
    vars(file)["content"] = content
    return file


def read(text: str) -> RawFile:
    """The text through the adapter."""
    return ADAPTER.read(memory_file(text.encode()), None)


def card(text: str) -> recording.TestCard:
    """The card of a text."""
    found = read(text).card
    assert found is not None
    return found


def codes(raw: RawFile) -> list[str]:
    """Codes of the findings, in order."""
    return [f.code for f in raw.findings]


FULL = """item,value
sortie,S-17
date,2031-03-14
aircraft,X-TEST
purpose,drag survey
takeoff weight lb,2480
fuel lb,296
cg in,101.5
qnh hPa,1017
field elevation ft,1470
oat_c,12
note,smooth
note,"light chop, later"
point 1,glide 100 kt clean
point 2,level 90 kias gear down
"""

FULL_TOML = """sortie = "S-17"
date = 2031-03-14
aircraft = "X-TEST"
purpose = "drag survey"
takeoff_weight_lb = 2480
takeoff_fuel_lb = 296
cg_in = 101.5
qnh_hpa = 1017
field_elevation_ft = 1470
oat_c = 12
notes = ["smooth", "light chop, later"]

[[point]]
kind = "glide"
speed = "100 kt"
config = "clean"

[[point]]
kind = "level"
kias = 90
config = "gear down"
"""


@pytest.mark.parametrize("text", [FULL, FULL.replace(",", ";", 8), FULL_TOML], ids=["csv", "mixed", "toml"])
def test_both_forms_say_the_same(text: str) -> None:
    if ";" in text:
        text = FULL.replace('"light chop, later"', "light chop later").replace(",", "\t")
    found = card(text)
    assert found.aircraft == "X-TEST"
    assert found.purpose == "drag survey"
    assert found.take_off_mass_kg == pytest.approx(2480 * 0.45359237)
    assert found.take_off_fuel_kg == pytest.approx(296 * 0.45359237)
    assert found.cg_m == pytest.approx(101.5 * 0.0254)
    assert found.altimeter_setting_pa == pytest.approx(101700)
    assert found.field_elevation_m == pytest.approx(1470 * 0.3048)
    assert found.other == {"sortie": "S-17", "date": "2031-03-14", "outside_air_temperature": pytest.approx(285.15)}
    assert len(found.notes) == 2
    first, second = found.planned_points
    assert (first["number"], first["kind"], first["configuration"]) == (1, "glide", "clean")
    assert first["airspeed_m_s"] == pytest.approx(100 * 1852 / 3600)
    assert (second["number"], second["kind"], second["configuration"]) == (2, "level", "gear down")
    assert second["airspeed_m_s"] == pytest.approx(90 * 1852 / 3600)
    assert second["airspeed_reference"] == "indicated"
    assert codes(read(text)) == []
    assert read(text).tracks == ()


@pytest.mark.parametrize(
    ("line", "field", "expected"),
    [
        ("take-off mass kg,1125", "take_off_mass_kg", 1125),
        ("Take-off mass [kg],1125", "take_off_mass_kg", 1125),
        ("TakeoffWeight_lb,2480", "take_off_mass_kg", 2480 * 0.45359237),
        ('T/O weight lb,"2,480"', "take_off_mass_kg", 2480 * 0.45359237),
        ("T/O weight lb,2,480", "take_off_mass_kg", 2480 * 0.45359237),
        ("gross weight,2480 lb", "take_off_mass_kg", 2480 * 0.45359237),
        ("gross weight,2480,lb", "take_off_mass_kg", 2480 * 0.45359237),
        ("fuel on board kg,134", "take_off_fuel_kg", 134),
        ("takeoff_fuel_lb,296", "take_off_fuel_kg", 296 * 0.45359237),
        ("fuel,296 lbs", "take_off_fuel_kg", 296 * 0.45359237),
        ("CG position (m),2.58", "cg_m", 2.58),
        ("c.g. in,101.5", "cg_m", 101.5 * 0.0254),
        ("QNH,1017 hPa", "altimeter_setting_pa", 101700),
        ("altimeter setting inHg,29.92", "altimeter_setting_pa", 29.92 * 3386.389),
        ("altimeter setting in Hg,29.92", "altimeter_setting_pa", 29.92 * 3386.389),
        ("qnh mbar,1017", "altimeter_setting_pa", 101700),
        ("field elev m,448", "field_elevation_m", 448),
        ("aerodrome elevation ft,1470", "field_elevation_m", 448.056),
    ],
)
def test_spellings(line: str, field: str, expected: float) -> None:
    found = read(f"aircraft,X\npurpose,test\n{line}\nnote,end\n")
    assert getattr(found.card, field) == pytest.approx(expected, rel=1e-5)
    assert codes(found) == []


def test_decimal_comma_in_a_semicolon_card() -> None:
    found = card("aircraft;X\nTake-off mass;1.124,5;kg\nCG [m];2,58\nOAT °C;−3,5\n")
    assert found.take_off_mass_kg == 1124.5
    assert found.cg_m == 2.58
    assert found.other["outside_air_temperature"] == pytest.approx(269.65)


@pytest.mark.parametrize(
    ("line", "code", "where"),
    [
        ("takeoff weight,2480", "UNIT_UNKNOWN", "line 3"),
        ("qnh,29.92", "UNIT_UNKNOWN", "line 3"),
        ("fuel l,180", "CARD_FIELD_UNKNOWN", "line 3"),  # a volume: its density is not on the card
        ("cg %,24", "CARD_FIELD_UNKNOWN", "line 3"),
        ("fuel used lb,180", "CARD_FIELD_UNKNOWN", "line 3"),
        ("landing weight lb,2200", "CARD_FIELD_UNKNOWN", "line 3"),
        ("weight lb,2200", "CARD_FIELD_UNKNOWN", "line 3"),  # of what, and when?
        ("qfe hPa,960", "CARD_FIELD_UNKNOWN", "line 3"),
        ("fuel lb,full", "CARD_FIELD_UNKNOWN", "line 3"),
        ("moon,full", "CARD_FIELD_UNKNOWN", "line 3"),
    ],
)
def test_what_is_not_understood_is_kept_and_told_and_never_guessed(line: str, code: str, where: str) -> None:
    raw = read(f"aircraft,X\npurpose,test\n{line}\nnote,end\n")
    assert [(f.code, f.where) for f in raw.findings] == [(code, where)]
    assert raw.card is not None
    assert raw.card.other == {line.split(",")[0]: line.partition(",")[2]}
    for field in ("take_off_mass_kg", "take_off_fuel_kg", "cg_m", "altimeter_setting_pa"):
        assert getattr(raw.card, field) is None


def test_a_second_statement_does_not_replace_the_first() -> None:
    raw = read("aircraft,X\nfuel lb,296\nfuel kg,100\nnote,end\n")
    assert raw.card is not None
    assert raw.card.take_off_fuel_kg == pytest.approx(296 * 0.45359237)
    assert codes(raw) == ["CARD_FIELD_UNKNOWN"]


def test_the_unit_of_planned_speeds_is_the_one_the_user_stated_where_the_card_names_none() -> None:
    text = "aircraft,X\nfuel lb,1\npoint 1,glide 100.0 clean\npoint 2,glide 90 mph clean\n"
    raw = TestCardFile().read(memory_file(text.encode()), InstrumentProfile(units={"planned speed": "kt"}))
    assert raw.card is not None and raw.findings == ()
    first, second = raw.card.planned_points
    assert first["airspeed_m_s"] == pytest.approx(100 * 1852 / 3600)
    assert second["airspeed_m_s"] == pytest.approx(90 * 0.44704)


def test_points_without_a_unit_keep_the_number_as_written() -> None:
    raw = read(
        "aircraft,X\nfuel lb,1\npoint 1,glide 100.0 clean_low_rpm\npoint 7,sideslip 66.0\npoint 8,glide 9000 ft\n"
    )
    assert raw.card is not None
    first, second, third = raw.card.planned_points
    assert first == {
        "number": 1,
        "kind": "glide",
        "airspeed_as_written": 100.0,
        "configuration": "clean_low_rpm",
        "text": "glide 100.0 clean_low_rpm",
    }
    assert (second["number"], second["airspeed_as_written"]) == (7, 66.0)
    assert third == {"number": 8, "kind": "glide", "configuration": "9000 ft", "text": "glide 9000 ft"}
    (finding,) = raw.findings
    assert (finding.code, finding.count, finding.where) == ("UNIT_UNKNOWN", 2, "lines 3-4")


def test_toml_tables_and_other_facts_of_a_point() -> None:
    found = card(
        'aircraft = "X"\n[takeoff]\nweight_lb = 2480\nfuel = "296 lb"\n'
        '[[test_points]]\nkind = "glide"\nspeed_mph = 100\nconfiguration = "clean"\naltitude_ft = 5000\n'
    )
    assert found.take_off_mass_kg == pytest.approx(2480 * 0.45359237)
    assert found.take_off_fuel_kg == pytest.approx(296 * 0.45359237)
    (point,) = found.planned_points
    assert point["airspeed_m_s"] == pytest.approx(44.704)
    assert point["altitude_ft"] == 5000


def test_a_number_without_a_line_end_may_be_half_and_is_dropped() -> None:
    raw = read("aircraft,X\npurpose,test\nfuel lb,29")
    assert raw.card is not None and raw.card.take_off_fuel_kg is None
    (finding,) = raw.findings
    assert (finding.code, finding.where) == ("TRUNCATED_LAST_LINE", "line 3")
    toml = read('aircraft = "X"\nqnh_hpa = 10')
    assert toml.card is not None and toml.card.altimeter_setting_pa is None
    whole = read('qnh_hpa = 1017\naircraft = "X"')
    assert whole.card is not None and whole.card.aircraft == "X"


def test_a_text_that_is_no_card_is_a_parse_error() -> None:
    with pytest.raises(ParseError, match=r"card\.csv"):
        read("just\nsome words\n")


def test_cards_of_the_simulated_sorties_leave_nothing_unread() -> None:
    for path in sorted((DATA / "sorties").glob("*.zip")):
        with zipfile.ZipFile(path) as archive:
            (name,) = [n for n in archive.namelist() if "card." in n]
            raw = ADAPTER.read(memory_file(archive.read(name), name), None)
        assert ADAPTER.claims(raw.file).yes, path
        assert set(codes(raw)) <= {"UNIT_UNKNOWN"}, path
        assert raw.card is not None and raw.card.take_off_mass_kg, path
        json.dumps([dict(p) for p in raw.card.planned_points] + [dict(raw.card.other)])


LOG = "utc,fuel lb,note\n" + "".join(f"2031-03-14T09:26:{i:02d}Z,{i},x\n" for i in range(60))


@pytest.mark.parametrize(
    ("text", "yes"),
    [
        (FULL, True),
        (FULL_TOML, True),
        ("aircraft: X\nfuel lb: 296\n", True),
        (LOG, False),
        ("time,fuel\n0,296\n1,295\n", False),
        ('[aircraft]\nname = "X"\nmass = "2500 lb"\n[points]\nminimum_duration = "15 s"\n', False),
        ("note,one\nmoon,full\nsun,high\nstars,none\nwind,calm\n", False),
        ("", False),
        (FULL + "note,x\n" * (LARGEST // 5), False),
    ],
    ids=["csv", "toml", "colon", "log", "series", "settings", "few", "empty", "large"],
)
def test_claims(text: str, yes: bool) -> None:
    claim = ADAPTER.claims(memory_file(text.encode()))
    assert claim.yes is yes, claim.reason
    assert claim.reason


def test_a_long_toml_card_is_known_by_its_head() -> None:
    text = FULL_TOML + '\n[[point]]\nkind = "glide"\nkias = 100.0\nconfig = "clean_low_rpm"\n' * 120
    assert len(text) > HEAD_BYTES
    for cut in range(HEAD_BYTES - 40, HEAD_BYTES):
        file = LogFile(Path("nowhere"), "card.toml", len(text), text.encode()[:cut])
        assert ADAPTER.claims(file).yes
    assert len(card(text).planned_points) == 122


@given(st.binary(max_size=200), st.integers(0, 300), st.sampled_from([FULL, FULL_TOML]))
@settings(deadline=None, max_examples=150)
def test_rubbish_never_raises_anything_else(rubbish: bytes, position: int, text: str) -> None:
    good = text.encode()
    for content in (rubbish, good[:position], good[:position] + rubbish + good[position:]):
        ADAPTER.claims(memory_file(content))
        try:
            raw = ADAPTER.read(memory_file(content), None)
        except TrimshotError:
            continue
        ledger: Any = raw.ledger
        assert ledger["rows_in"] == ledger["rows_out"] + ledger["rows_dropped"] + sum(ledger["not_rows"].values())


@given(st.floats(1, 1e5).map(lambda x: round(x, 1)), st.sampled_from(["takeoff weight {}", "Gross mass [{}]", "{}"]))
@settings(deadline=None, max_examples=60)
def test_any_mass_reads_back(value: float, spelling: str) -> None:
    key = spelling.format("kg") if spelling != "{}" else "auw_kg"
    assert card(f"aircraft,X\n{key},{value}\n").take_off_mass_kg == pytest.approx(value)
