"""Where things stand in a file: preamble, header, units, repeated and changed headers, odd lines."""

from __future__ import annotations

from typing import Any

import pytest

from trimshot.ingest.text.headers import unit_in_name
from trimshot.shared.settings import InstrumentProfile

ROWS = "".join(f"{k},{6000 - k},{90 + k / 10:.1f}\n" for k in range(30))


def _codes(raw: Any) -> set[str]:
    return {finding.code for finding in raw.findings}


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("alt_ft", "ft"),
        ("ias_kt", "kt"),
        ("oat_c", "c"),
        ("fuel_flow_lph", "lph"),
        ("ff_gph", "gph"),
        ("motor_rpm(min-1)", "min-1"),
        ("OAT [°C]", "°C"),
        ("oil_temp(C)", "C"),
        ("cyl_temp_l(C)", "C"),
        ("Oil Temp F", "F"),
        ("vs_ft_min", "ft/min"),
        ("rpm", "rpm"),
        ("AltFt", "Ft"),
        ("fuel_l", "l"),
        # letters that are names here, not units
        ("cyl_temp_l", None),
        ("CHT_1", None),
        ("vel_n", None),
        ("sat_gs", None),
        ("Heading (mag)", None),
        ("HDG_M", None),
        ("alt_min", None),
        ("IAS", None),
        ("g", None),
    ],
)
def test_unit_in_header(name: str, unit: str | None) -> None:
    # common practice of header spellings, no source
    assert unit_in_name(name) == unit


def test_profile_units_override(read_text: Any) -> None:
    raw = read_text("t_s,alt,ias\n" + ROWS, InstrumentProfile(units={"alt": "m", "ias": "km/h"}))
    assert [c.unit for c in raw.tracks[0].columns] == ["m", "km/h"]


def test_missing_header_is_a_question(read_text: Any) -> None:
    raw = read_text(ROWS)
    finding = next(f for f in raw.findings if f.code == "CHANNEL_UNNAMED")
    assert finding.level == "fault"
    assert finding.count == 3
    assert "question" in finding.facts
    assert len(raw.tracks[0].row) == 30


def test_header_in_a_comment_line(read_text: Any) -> None:
    raw = read_text("# logger 5\n#t_s,alt_ft,ias_kt\n" + ROWS)
    assert [c.header for c in raw.tracks[0].columns] == ["alt_ft", "ias_kt"]


def test_key_value_lines_are_not_rows(read_text: Any) -> None:
    head = "Interval [s],1\nGain,2\nOffset,3\nutc,alt_ft\n"
    raw = read_text(head + "".join(f"2031-03-14T09:26:{k:02d}Z,{k}\n" for k in range(20)))
    assert raw.metadata["Gain"] == "2"
    assert len(raw.tracks[0].row) == 20
    assert next(f for f in raw.findings if f.code == "PREAMBLE_SKIPPED").where == "lines 1-3"


def test_repeated_header_and_comments_are_no_rows(read_text: Any) -> None:
    text = "t_s,alt_ft,ias_kt\n" + ROWS[: len(ROWS) // 2].rsplit("\n", 1)[0] + "\n"
    rest = ROWS[len(text) - len("t_s,alt_ft,ias_kt\n") :]
    raw = read_text(text + "t_s,alt_ft,ias_kt\n# pilot mark\n" + rest)
    assert len(raw.tracks[0].row) == 30
    assert raw.ledger["not_rows"]["header"] == 2
    assert raw.ledger["not_rows"]["comment"] == 1
    assert next(f for f in raw.findings if f.code == "HEADER_REPEATED").where == f"line {text.count(chr(10)) + 1}"


def test_new_header_with_more_names(read_text: Any) -> None:
    more = "t_s,rpm,alt_ft,ias_kt\n" + "".join(f"{30 + k},2400,{5900 - k},95\n" for k in range(25))
    raw = read_text("t_s,alt_ft,ias_kt\n" + ROWS + more)
    columns = {c.header: c for c in raw.tracks[0].columns}
    assert list(columns) == ["alt_ft", "ias_kt", "rpm"]
    assert columns["alt_ft"].values[-1] == 5876.0
    assert columns["rpm"].values[-1] == 2400.0
    assert (columns["rpm"].values[:30] != columns["rpm"].values[:30]).all()
    assert next(f for f in raw.findings if f.code == "LAYOUT_CHANGED").where == "line 33"


def test_three_ragged_rows_are_no_new_layout(read_text: Any) -> None:
    lines = ROWS.splitlines()
    for k in (10, 11, 12):
        lines[k] = lines[k].replace(".", ",")
    raw = read_text("t_s,alt_ft,ias_kt\n" + "\n".join(lines) + "\n")
    assert len(raw.tracks[0].row) == 27
    finding = next(f for f in raw.findings if f.code == "RAGGED_ROW")
    assert (finding.where, finding.count) == ("lines 12-14", 3)
    assert [line for line, *_ in raw.ledger["dropped_lines"]] == [12, 13, 14]
    assert raw.ledger["dropped_lines"][0][2] == "10,5990,91,0"


def test_short_row_and_words_are_dropped_with_their_lines(read_text: Any) -> None:
    lines = ROWS.splitlines()
    lines[5] = "5,5995"
    lines[20] = "memory card changed"
    raw = read_text("t_s,alt_ft,ias_kt\n" + "\n".join(lines) + "\n")
    where = {f.code: f.where for f in raw.findings}
    assert where["SHORT_ROW"] == "line 7"
    assert where["ROW_DROPPED"] == "line 22"
    assert len(raw.tracks[0].row) == 28


def test_zero_bytes_in_the_middle_cost_only_their_row(read_text: Any) -> None:
    data = ("t_s,alt_ft,ias_kt\n" + ROWS).encode()
    cut = data.index(b"15,5985")
    raw = read_text(data[:cut] + b"\0" * 64 + data[cut:])
    assert len(raw.tracks[0].row) == 29
    assert 17 not in raw.tracks[0].row
    assert next(f for f in raw.findings if f.code == "NUL_BYTES").count == 64


def test_control_bytes_cost_only_their_row(read_text: Any) -> None:
    data = ("t_s,alt_ft,ias_kt\n" + ROWS * 1).encode()
    data = data.replace(b"15,5985", b"15,\x03\x0459")
    raw = read_text(data)
    assert next(f for f in raw.findings if f.code == "BINARY_BYTES").where == "line 17"
    assert len(raw.tracks[0].row) == 29


def test_names_that_differ_by_case_are_numbered(read_text: Any) -> None:
    raw = read_text("t_s,ALT,alt\n" + ROWS)
    assert [c.header for c in raw.tracks[0].columns] == ["ALT (column 2)", "alt (column 3)"]
    assert "CASE_COLLISION" in _codes(raw)


def test_fingerprint_ignores_serial_numbers_and_row_values(read_text: Any) -> None:
    one = read_text("# unit 7 boot 12\nt_s,alt_ft,ias_kt\n" + ROWS).tracks[0].fingerprint
    two = read_text("# unit 7 boot 345\nt_s,alt_ft,ias_kt\n" + ROWS[:300].rsplit("\n", 1)[0] + "\n")
    other = read_text("# unit 7 boot 12\nt_s,alt_m,ias_kt\n" + ROWS).tracks[0].fingerprint
    assert one == two.tracks[0].fingerprint
    assert one != other


def test_units_row_needs_units(read_text: Any) -> None:
    raw = read_text("group,left,right\nt_s,alt_ft,ias_kt\n" + ROWS)
    assert [c.header for c in raw.tracks[0].columns] == ["alt_ft", "ias_kt"]
    assert "UNITS_ROW_FOUND" not in _codes(raw)


@pytest.mark.parametrize("head", ["", "t_s,ias_kt\n"])
def test_names_the_user_stated_are_used(read_text: Any, head: str) -> None:
    asked = read_text(head + ROWS)
    raw = read_text(head + ROWS, InstrumentProfile(columns=("t_s", "alt_ft", "ias_kt")))
    assert [(c.header, c.unit) for c in raw.tracks[0].columns] == [("alt_ft", "ft"), ("ias_kt", "kt")]
    assert not [f for f in raw.findings if f.level == "fault"]
    assert raw.tracks[0].fingerprint == asked.tracks[0].fingerprint  # or the answer would not be found again


def test_a_wrong_number_of_stated_names_asks_again(read_text: Any) -> None:
    raw = read_text(ROWS, InstrumentProfile(columns=("t_s", "alt_ft")))
    assert "CHANNEL_UNNAMED" in _codes(raw)
