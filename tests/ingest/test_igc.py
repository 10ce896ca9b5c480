"""IGC: published records, datums, dates, extensions, an independent reader as witness."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import aerofiles.igc
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.readings import column_headed as column
from tests.readings import found, utc
from trimshot.ingest.igc.adapter import Igc
from trimshot.ingest.raw import HEAD_BYTES, LogFile, RawFile
from trimshot.shared.errors import ParseError, TrimshotError

DATA = Path(__file__).parent.parent / "data"
ADAPTER = Igc()
HEAD = "AXXX001\r\nHFDTE140331\r\n"
FIX = "B0926403400000S14000000WA0179001812"


def memory_file(content: bytes) -> LogFile:
    """A LogFile whose content needs no disk."""
    file = LogFile(Path("nowhere.igc"), "log.igc", len(content), content[:HEAD_BYTES])
    vars(file)["content"] = content
    return file


def read(text: str | bytes) -> RawFile:
    """The content through the adapter."""
    return ADAPTER.read(memory_file(text if isinstance(text, bytes) else text.encode("latin-1")), None)


def fixes(*stamps: str) -> str:
    """Fix records at a fixed place."""
    return "".join(f"B{stamp}3400000S14000000WA0179001812\r\n" for stamp in stamps)


# -- published records --------------------------------------------------------------------------


def test_teaching_fix() -> None:
    # Source: FAI IGC format guide's fix record; several public parsers agree on its values
    raw = read(HEAD + "B1101355206343N00006198WA0058700558\r\n")
    assert raw.tracks[0].time.seconds[0] == utc(2031, 3, 14, 11, 1, 35)
    assert column(raw, "B lat").values[0] == pytest.approx(52.105717, abs=1e-6)
    assert column(raw, "B lon").values[0] == pytest.approx(-0.103300, abs=1e-6)
    assert column(raw, "B pressure").values[0] == 587
    assert column(raw, "B pressure").channel == "pressure_altitude"
    assert column(raw, "B gnss").values[0] == 558


def test_walk_through_record_with_extensions() -> None:
    # Source: IGC file format reference and developers' guide (2008), annotated sample
    raw = read(
        "AXXXABC\r\nHFDTE160701\r\nI033638FXA3940SIU4143ENL\r\nB1602405407121N00249342WA0028000421205" + "09950\r\n"
    )
    assert raw.tracks[0].time.seconds[0] == utc(2001, 7, 16, 16, 2, 40)
    assert column(raw, "B lat").values[0] == pytest.approx(54.118683, abs=1e-6)
    assert column(raw, "B lon").values[0] == pytest.approx(-2.822367, abs=1e-6)
    values = {h: column(raw, h).values[0] for h in ("B pressure", "B gnss", "FXA", "SIU", "ENL")}
    assert values == {"B pressure": 280, "B gnss": 421, "FXA": 205, "SIU": 9, "ENL": 950}
    assert column(raw, "FXA").channel == "fix_accuracy"
    assert column(raw, "SIU").channel == "satellites"


def test_disorder_is_sorted_and_told_and_is_no_midnight() -> None:
    # Source: the same sample steps back from 16:03:10 to 16:02:48
    raw = read(HEAD + fixes("160310", "160248"))
    assert np.diff(raw.tracks[0].time.seconds).tolist() == [22.0]
    assert raw.tracks[0].row.tolist() == [4, 3]
    assert found(raw, "TIME_REVERSAL").where == "line 4"
    assert "MIDNIGHT_ROLLOVER" not in {f.code for f in raw.findings}


def test_several_fixes_in_one_second_are_spread_inside_it() -> None:
    stamps = [f"09264{i // 4}" for i in range(20)]
    raw = read(HEAD + fixes(*stamps))
    assert np.diff(raw.tracks[0].time.seconds) == pytest.approx([0.25] * 19, abs=1e-6)
    assert raw.tracks[0].time.resolution_s == 1.0
    assert found(raw, "COARSE_TIMESTAMP").level == "note"


# -- cases --------------------------------------------------------------------------------------


def case(name: str) -> RawFile:
    """A case's log.igc."""
    (folder,) = (DATA / "cases").glob(f"{name}-*")
    return read((folder / "log.igc").read_bytes())


def test_case_64_midnight() -> None:
    raw = case("64")
    assert raw.tracks[0].time.seconds[0] == utc(2031, 3, 14, 23, 59, 57)
    assert raw.tracks[0].time.seconds[-1] == utc(2031, 3, 15, 0, 0, 2)
    rollover = found(raw, "MIDNIGHT_ROLLOVER")
    assert (rollover.count, rollover.where) == (1, "line 7") and "fix 4" in rollover.text


def test_case_66_pressure_altitude_zero_throughout() -> None:
    raw = case("66")
    assert np.isnan(column(raw, "B pressure").values).all()
    assert found(raw, "PRESSURE_ALT_ABSENT").count == 6
    assert column(raw, "B gnss").values.tolist() == [1812, 1804, 1796, 1788, 1780, 1772]


def test_case_67_negative_pressure_altitude() -> None:
    raw = case("67")
    assert column(raw, "B pressure").values.tolist() == [-3, -2, -1, 0, 1, 2]
    assert raw.findings == ()


def test_case_68_void_fixes_keep_pressure_altitude() -> None:
    raw = case("68")
    assert np.isfinite(column(raw, "B pressure").values).all()
    for header in ("B lat", "B lon", "B gnss"):
        assert np.isnan(column(raw, header).values).tolist() == [True, True, False, False, False, False]
    assert found(raw, "VOID_FIX").count == 2


def test_case_70_cut_last_record() -> None:
    raw = case("70")
    assert column(raw, "B gnss").values[-1] == 1780
    assert raw.ledger["rows_out"] == 5
    assert found(raw, "TRUNCATED_LAST_LINE").where == "line 9"


def test_null_island_marked_valid_is_void_too() -> None:
    raw = read(HEAD + "B0926400000000N00000000EA0179001812\r\n" + FIX + "\r\n")
    assert np.isnan(column(raw, "B lat").values).tolist() == [True, False]


# -- datums -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("header", "channel"),
    [
        ("HFALGALTGPS:ELL\r\n", "gnss_ellipsoid_altitude"),
        ("HFALGALTGPS:GEO\r\n", "gnss_altitude"),
        ("HFALG:GEO\r\n", "gnss_altitude"),
        ("HFALGALTGPS:NKN\r\n", "gnss_unnamed_altitude"),
        ("HFDTM100GPSDATUM:WGS84\r\n", "gnss_unnamed_altitude"),  # a horizontal datum names no vertical one
        ("", "gnss_unnamed_altitude"),
    ],
)
def test_datum_of_the_satellite_altitude(header: str, channel: str) -> None:
    assert column(read(HEAD + header + FIX + "\r\n"), "B gnss").channel == channel


@pytest.mark.parametrize(
    ("header", "channel"),
    [
        ("", "pressure_altitude"),
        ("HFALPALTPRESSURE:ISA\r\n", "pressure_altitude"),
        ("HFALPALTPRESSURE:MSL\r\n", "baro_altitude"),
        ("HFALPALTPRESSURE:NKN\r\n", "unnamed_altitude"),
    ],
)
def test_datum_of_the_pressure_altitude(header: str, channel: str) -> None:
    assert column(read(HEAD + header + FIX + "\r\n"), "B pressure").channel == channel


def test_a_recorder_without_satellite_altitude_has_none() -> None:
    raw = read(HEAD + "B0926403400000S14000000WA0179000000\r\n")
    assert np.isnan(column(raw, "B gnss").values).all()
    assert found(raw, "SENTINEL_VALUES").count == 1


# -- dates --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("header", "standard"),
    [
        ("HFDTE140331", True),
        ("HFDTEDATE:140331,01", True),
        ("HFDTEDATE:140331", True),
        ("HFDTEDATE: 14.03.2031", False),
        ("HFDTE:2031-03-14", False),
        ("HODTEDATE:14/03/31", False),
        ("HFDTE14032031", False),
        ("hfdte140331", False),
        ("hfdtedate:140331,01", False),
    ],
)
def test_date_headers(header: str, standard: bool) -> None:
    raw = read(f"AXXX001\r\n{header}\r\n{FIX}\r\n")
    assert raw.tracks[0].time.seconds[0] == utc(2031, 3, 14, 9, 26, 40)
    assert ("NONSTANDARD_DATE_HEADER" in {f.code for f in raw.findings}) is not standard


@pytest.mark.parametrize("header", ["", "HFDTE000000\r\n", "HFDTE310231\r\n"])
def test_no_date_leaves_the_time_of_day(header: str) -> None:
    raw = read(f"AXXX001\r\n{header}" + fixes("235959", "000000"))
    assert raw.tracks[0].time.basis == "time_of_day"
    assert raw.tracks[0].time.seconds.tolist() == [86399.0, 86400.0]
    assert {"DATE_MISSING", "MIDNIGHT_ROLLOVER"} <= {f.code for f in raw.findings}


def test_a_second_date_header_at_midnight_does_not_count_twice() -> None:
    raw = read(HEAD + fixes("235959") + "HFDTE150331\r\n" + fixes("000000", "000001"))
    assert np.diff(raw.tracks[0].time.seconds).tolist() == [1.0, 1.0]
    early = read(HEAD + fixes("235957") + "HFDTE150331\r\n" + fixes("235959", "000001"))
    assert np.diff(early.tracks[0].time.seconds).tolist() == [2.0, 2.0]


def test_a_later_flight_in_the_same_file_has_its_own_date() -> None:
    raw = read(HEAD + fixes("090000") + "HFDTE160331\r\n" + fixes("100000"))
    assert raw.tracks[0].time.seconds[1] == utc(2031, 3, 16, 10)


# -- extensions ---------------------------------------------------------------------------------


def test_speeds_have_three_digits_before_their_decimals() -> None:
    # Source: FAI technical specification, appendix A: speed SSSsss in km/h, direction DDDddd
    raw = read(HEAD + "I023638TAS3943GSP\r\n" + FIX + "20518012\r\n")
    assert (column(raw, "TAS").values[0], column(raw, "TAS").unit) == (205.0, "km/h")
    assert column(raw, "TAS").channel == "recorded_true_airspeed"
    assert column(raw, "GSP").values[0] == pytest.approx(180.12)
    assert column(raw, "GSP").step == pytest.approx(0.01)


def test_a_wide_number_that_never_uses_its_leading_digits_is_whole() -> None:
    # Source: the same specification's example of a slow record writes a heading of 90 degrees as 00090
    whole = read(HEAD + "I013640TRT\r\n" + FIX + "00090\r\n" + FIX.replace("B092640", "B092641") + "00270\r\n")
    assert column(whole, "TRT").values.tolist() == [90.0, 270.0]
    assert found(whole, "UNIT_INFERRED").where == "TRT"
    decimals = read(HEAD + "I013640TRT\r\n" + FIX + "00090\r\n" + FIX.replace("B092640", "B092641") + "09000\r\n")
    assert column(decimals, "TRT").values == pytest.approx([0.9, 90.0])


def test_declared_airspeed_of_zeros_is_absent() -> None:
    raw = read(HEAD + "I013638TAS\r\n" + (FIX + "000\r\n") * 2)
    assert np.isnan(column(raw, "TAS").values).all()


def test_temperature_and_negative_temperature() -> None:
    raw = read(HEAD + "I013638OAT\r\n" + FIX + "012\r\n" + FIX.replace("B092640", "B092641") + "-05\r\n")
    assert column(raw, "OAT").values.tolist() == [12.0, -5.0]
    assert (column(raw, "OAT").unit, column(raw, "OAT").channel) == ("degC", "outside_air_temperature")


def test_an_unknown_code_keeps_its_digits_without_a_unit() -> None:
    raw = read(HEAD + "I013640ZZZ\r\n" + FIX + "01234\r\n")
    assert (column(raw, "ZZZ").values[0], column(raw, "ZZZ").unit, column(raw, "ZZZ").channel) == (1234.0, None, None)


def test_decimal_seconds_and_finer_position() -> None:
    raw = read(HEAD + "I033636TDS3737LAD3838LOD\r\n" + FIX + "567\r\n")
    assert raw.tracks[0].time.seconds[0] == pytest.approx(utc(2031, 3, 14, 9, 26, 40) + 0.5, abs=1e-6)
    assert raw.tracks[0].time.resolution_s == pytest.approx(0.1)
    assert column(raw, "B lat").values[0] == pytest.approx(-(34 + 0.0006 / 60), abs=1e-12)
    assert column(raw, "B lon").values[0] == pytest.approx(-(140 + 0.0007 / 60), abs=1e-12)


def test_a_damaged_extension_is_missing_and_told() -> None:
    raw = read(HEAD + "I013638FXA\r\n" + FIX + "0x8\r\n" + FIX.replace("B092640", "B092641") + "\r\n")
    assert np.isnan(column(raw, "FXA").values).all()
    assert found(raw, "BAD_EXTENSION_FIELD").where == "line 4"


def test_crew_marks_are_counted_from_the_fix_after_the_event() -> None:
    raw = read(HEAD + fixes("092640") + "E092641PEV\r\n" + fixes("092641", "092642"))
    assert column(raw, "E PEV").values.tolist() == [0.0, 1.0, 1.0]
    assert column(raw, "E PEV").channel == "event_mark"
    assert raw.metadata["events"] == "092641 PEV"


def test_slow_records_are_a_track_of_their_own() -> None:
    # Source: FAI technical specification, appendix A: J 08 12 HDT, K HHMMSS 00090 is true heading 090
    raw = read(HEAD + "J010812HDT\r\n" + fixes("235959") + "K00000000090\r\n" + fixes("000001"))
    slow = raw.tracks[1]
    assert (slow.kind, slow.columns[0].channel) == ("slow", "heading_true")
    assert slow.columns[0].values[0] == 90.0
    assert slow.time.seconds[0] == utc(2031, 3, 15)


def test_the_crew_is_not_kept() -> None:
    raw = read(HEAD + "HFPLTPILOTINCHARGE:A N Other\r\nHFGIDGLIDERID:X-TEST\r\n" + FIX + "\r\n")
    assert "A N Other" not in raw.metadata.values()
    assert raw.metadata["GID"] == "X-TEST"


# -- damage, witness, properties ----------------------------------------------------------------


def test_a_damaged_record_in_the_middle_is_dropped_with_its_line() -> None:
    raw = read(HEAD + fixes("092640") + "B0926413400\r\n" + fixes("092642") + "?what\r\n")
    assert raw.ledger["rows_out"] == 2
    assert found(raw, "ROW_DROPPED").where == "line 4"
    assert found(raw, "UNKNOWN_SENTENCE").where == "line 6"


def test_a_damaged_altitude_costs_only_itself() -> None:
    raw = read(HEAD + "B0926403400000S14000000WA01x9001812\r\n" + fixes("092641"))
    assert np.isnan(column(raw, "B pressure").values).tolist() == [True, False]
    assert found(raw, "TEXT_IN_NUMERIC").where == "line 3"


def test_no_fix_is_a_parse_error() -> None:
    with pytest.raises(ParseError, match=r"log\.igc: no whole fix"):
        read(HEAD)


def test_a_whole_flight_agrees_with_an_independent_reader() -> None:
    # oracle: aerofiles 1.5.6, fed text (from bytes it reads no fix)
    with zipfile.ZipFile(DATA / "sorties" / "S250509-04-handling.zip") as archive:
        (name,) = [n for n in archive.namelist() if n.endswith(".igc")]
        content = archive.read(name)
    raw = read(content)
    result = aerofiles.igc.Reader().read(io.StringIO(content.decode("ascii")))
    witness = result["fix_records"][1]
    assert len(witness) == len(raw.tracks[0].row) > 1000
    assert raw.tracks[0].time.seconds.tolist() == [f["datetime"].timestamp() for f in witness]
    valid = np.array([f["validity"] == "A" for f in witness])
    for header, key in (("B lat", "lat"), ("B lon", "lon"), ("B gnss", "gps_alt")):
        assert column(raw, header).values[valid] == pytest.approx([f[key] for f in np.array(witness)[valid]], abs=1e-9)
    assert column(raw, "B pressure").values.tolist() == [f["pressure_alt"] for f in witness]
    assert column(raw, "FXA").values.tolist() == [f["FXA"] for f in witness]


@given(
    st.lists(
        st.tuples(st.integers(-9_999, 99_999), st.integers(1, 99_999), st.integers(0, 89), st.integers(1, 59_999)),
        min_size=1,
        max_size=20,
    ),
    st.integers(0, 86_000),
)
@settings(deadline=None, max_examples=50)
def test_generated_records_read_back(rows: list[tuple[int, int, int, int]], start: int) -> None:
    text = HEAD
    for i, (pressure, gnss, degrees, minutes) in enumerate(rows):
        second = start + i
        stamp = f"{second // 3600:02d}{second // 60 % 60:02d}{second % 60:02d}"
        text += f"B{stamp}{degrees:02d}{minutes:05d}N00100000EA{pressure:05d}{gnss:05d}\r\n"
    raw = read(text)
    assert column(raw, "B gnss").values.tolist() == [gnss for _, gnss, _, _ in rows]
    if any(pressure for pressure, *_ in rows):
        assert column(raw, "B pressure").values.tolist() == [pressure for pressure, *_ in rows]
    assert column(raw, "B lat").values == pytest.approx([d + m / 60000 for _, _, d, m in rows], abs=1e-9)
    assert raw.tracks[0].time.seconds.tolist() == [utc(2031, 3, 14) + start + i for i in range(len(rows))]


@given(st.binary(max_size=300), st.integers(0, 120), st.integers(0, 255))
@settings(deadline=None, max_examples=200)
def test_rubbish_never_raises_anything_else(rubbish: bytes, position: int, byte: int) -> None:
    good = (
        HEAD + "I013638FXA\r\nJ010812HDT\r\n" + FIX + "008\r\nE092640PEV\r\nK09264000090\r\n" + FIX + "009"
    ).encode()
    damaged = good[:position] + bytes([byte]) + good[position + 1 :]
    for content in (rubbish, rubbish + good, good[:position] + rubbish + good[position:], damaged, good[:position]):
        ADAPTER.claims(memory_file(content))
        try:
            raw = read(content)
        except TrimshotError:
            continue
        ledger = raw.ledger
        assert ledger["rows_in"] == ledger["rows_out"] + ledger["rows_dropped"] + sum(ledger["not_rows"].values())


@pytest.mark.parametrize(
    ("content", "yes"),
    [
        (HEAD + FIX, True),
        (FIX, True),
        (HEAD, True),
        ("AXXX001\r\nsomething else\r\n", False),
        ("", False),
        ("$GPRMC,092640.00,A*00\r\n", False),
        ("Altitude,B\r\n1,2\r\n", False),
    ],
)
def test_claims(content: str, yes: bool) -> None:
    claim = ADAPTER.claims(memory_file(content.encode()))
    assert claim.yes is yes
    assert claim.reason
