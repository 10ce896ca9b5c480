"""NMEA 0183: published teaching sentences, damaged files, midnight, an independent parser as witness."""

from __future__ import annotations

import datetime as dt
import functools
import operator
import zipfile
from pathlib import Path

import numpy as np
import pynmea2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.readings import found, utc
from trimshot.ingest.nmea.adapter import Nmea0183
from trimshot.ingest.raw import HEAD_BYTES, LogFile, RawColumn, RawFile
from trimshot.shared.errors import ClockError, ParseError, TrimshotError

DATA = Path(__file__).parent.parent / "data"
ADAPTER = Nmea0183()


def log_file(content: bytes, folder: Path, name: str = "gps.nmea") -> LogFile:
    """The content as a file of a folder."""
    path = folder / name
    path.write_bytes(content)
    return LogFile(path, name, len(content), content[:HEAD_BYTES])


def memory_file(content: bytes) -> LogFile:
    """A LogFile whose content needs no disk: the cached content is set beforehand."""
    file = LogFile(Path("nowhere.nmea"), "gps.nmea", len(content), content[:HEAD_BYTES])
    vars(file)["content"] = content
    return file


def read(content: bytes) -> RawFile:
    """The content through the adapter."""
    return ADAPTER.read(memory_file(content), None)


def seal(body: str) -> str:
    """A sentence with its checksum and line end."""
    return f"${body}*{functools.reduce(operator.xor, body.encode('latin-1')):02X}\r\n"


def rmc(stamp: str, date: str, speed: str = "95.0", status: str = "A") -> str:
    """An RMC sentence at a fixed place."""
    return seal(f"GPRMC,{stamp},{status},3400.0000,S,14000.0000,W,{speed},180.0,{date},,,A")


def gga(stamp: str, altitude: str = "1800.0", quality: str = "1") -> str:
    """A GGA sentence at a fixed place."""
    return seal(f"GPGGA,{stamp},3400.0000,S,14000.0000,W,{quality},09,0.9,{altitude},M,-12.3,M,,")


def column(raw: RawFile, channel: str) -> RawColumn:
    """The one column of a channel."""
    (found,) = [c for c in raw.tracks[0].columns if c.channel == channel]
    return found


# -- published sentences ------------------------------------------------------------------------


def test_teaching_sentences_rmc_and_gga() -> None:
    # Source: the teaching sentences of the public NMEA pages (many parsers' tests quote them with these values)
    raw = read(
        b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n"
        b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
    )
    assert raw.tracks[0].time.basis == "utc"
    assert raw.tracks[0].time.seconds.tolist() == [utc(1994, 3, 23, 12, 35, 19)]
    expected = {
        "latitude": 48.1173,
        "longitude": 11.516667,
        "ground_speed": 22.4,
        "track_true": 84.4,
        "magnetic_variation": -3.1,
        "fix_quality": 1,
        "satellites": 8,
        "horizontal_dilution": 0.9,
        "gnss_altitude": 545.4,
        "geoid_height": 46.9,
    }
    for channel, value in expected.items():
        assert column(raw, channel).values[0] == pytest.approx(value, abs=1e-6), channel
    assert column(raw, "ground_speed").unit == "kt"
    assert column(raw, "gnss_altitude").unit == "m"
    assert raw.findings == ()


def test_southern_position_with_negative_geoid() -> None:
    # Source: docstring of pynmea2 1.19.0
    raw = read(b"$GPGGA,184353.07,1929.045,S,02410.506,E,1,04,2.6,100.00,M,-33.9,M,,0000*6D\r\n")
    assert column(raw, "latitude").values[0] == pytest.approx(-19.4840833, abs=1e-7)
    assert column(raw, "longitude").values[0] == pytest.approx(24.1751, abs=1e-7)
    assert column(raw, "gnss_altitude").values[0] == 100.0
    assert column(raw, "geoid_height").values[0] == -33.9
    assert raw.tracks[0].time.resolution_s == pytest.approx(0.01)


def test_a_reused_checksum_is_refused() -> None:
    # Source: a public test that changed the position and kept checksum 6A; the right one is 6D
    wrong = "$GPRMC,123519,A,1435.9700,N,12059.0520,E,022.4,084.4,230394,003.1,W*6A\r\n"
    with pytest.raises(ParseError, match="none with a right one"):
        read(wrong.encode())
    assert read(wrong.replace("*6A", "*6D").encode()).ledger["rows_out"] == 1


# -- cases --------------------------------------------------------------------------------------


def case(name: str) -> RawFile:
    """A case's gps.nmea."""
    (folder,) = (DATA / "cases").glob(f"{name}-*")
    return read((folder / "gps.nmea").read_bytes())


def test_case_56_bad_checksum_and_cut_sentence() -> None:
    raw = case("56")
    assert np.count_nonzero(np.isfinite(column(raw, "ground_speed").values)) == 5
    assert np.nanmax(column(raw, "ground_speed").values) == 95.0
    altitude = column(raw, "gnss_altitude")
    assert altitude.header == "GGA.9" and np.isfinite(altitude.values).sum() == 5
    assert np.isnan(altitude.values[3])
    assert found(raw, "CHECKSUM_FAIL").where == "line 5"
    assert found(raw, "NO_CHECKSUM").where == "line 8"
    assert [entry[0] for entry in raw.ledger["dropped_lines"]] == [5, 8]
    expected = [utc(2031, 3, 14, 9, 26, 40) + i for i in range(6)]
    assert raw.tracks[0].time.seconds.tolist() == expected


def test_case_58_positions_without_any_date() -> None:
    raw = case("58")
    assert raw.tracks[0].time.basis == "time_of_day"
    assert raw.tracks[0].time.seconds[0] == 9 * 3600 + 26 * 60 + 40
    assert found(raw, "DATE_MISSING").level == "doubt"


def test_case_59_void_fixes_keep_their_time() -> None:
    raw = case("59")
    speed = column(raw, "ground_speed").values
    assert np.isnan(speed[:2]).all() and (speed[2:] == 95.0).all()
    assert np.isnan(column(raw, "latitude").values[:2]).all()
    void = found(raw, "VOID_FIX")
    assert (void.count, void.where) == (2, "lines 1-3")
    assert raw.tracks[0].time.seconds[0] == utc(2031, 3, 14, 9, 26, 40)


def test_case_61_proprietary_unknown_and_binary() -> None:
    raw = case("61")
    assert raw.ledger["rows_out"] == 3
    assert found(raw, "UNKNOWN_SENTENCE").count == 3
    binary = found(raw, "BINARY_BYTES")  # ten between sentences, two inside the one they destroyed
    assert (binary.count, binary.where) == (12, "lines 2, 6")


def test_case_62_second_60() -> None:
    raw = case("62")
    assert raw.ledger["rows_out"] == 3
    assert found(raw, "LEAP_SECOND").where == "line 2"
    assert raw.tracks[0].time.seconds[0] == utc(2016, 12, 31, 23, 59, 59)
    assert raw.tracks[0].time.seconds[1] == raw.tracks[0].time.seconds[2] == utc(2017, 1, 1)


# -- epochs, dates, midnight --------------------------------------------------------------------


def test_first_position_after_midnight_has_the_new_day() -> None:
    # GGA comes before the RMC that carries the new date
    text = gga("235959.00") + rmc("235959.00", "140331") + gga("000000.00") + rmc("000000.00", "150331")
    seconds = read(text.encode()).tracks[0].time.seconds
    assert seconds.tolist() == [utc(2031, 3, 14, 23, 59, 59), utc(2031, 3, 15)]


def test_a_date_that_turns_late_is_put_right_and_told() -> None:
    text = rmc("235959.00", "140331") + rmc("000000.00", "140331") + rmc("000001.00", "150331")
    raw = read(text.encode())
    assert np.diff(raw.tracks[0].time.seconds).tolist() == [1.0, 1.0]
    assert found(raw, "MIDNIGHT_ROLLOVER").where == "line 2"


def test_midnight_without_a_date_is_unrolled() -> None:
    raw = read((gga("235959.00") + gga("000000.00")).encode())
    assert raw.tracks[0].time.seconds.tolist() == [86399.0, 86400.0]
    assert found(raw, "MIDNIGHT_ROLLOVER").where == "line 2"


def test_positions_between_dates_take_the_day_around_them() -> None:
    text = gga("235958.00") + gga("000003.00") + rmc("000004.00", "010132")
    seconds = read(text.encode()).tracks[0].time.seconds
    assert seconds.tolist() == [utc(2031, 12, 31, 23, 59, 58), utc(2032, 1, 1, 0, 0, 3), utc(2032, 1, 1, 0, 0, 4)]


def test_two_digit_years_begin_with_satellite_time() -> None:
    # satellite time begins in January 1980 (IS-GPS-200): 79 is 2079, 80 is 1980
    assert read(rmc("000000", "060180").encode()).tracks[0].time.seconds[0] == utc(1980, 1, 6)
    assert read(rmc("000000", "010179").encode()).tracks[0].time.seconds[0] == utc(2079, 1, 1)


def test_zda_gives_the_date() -> None:
    text = seal("GPZDA,092640.00,14,03,2031,00,00") + gga("092640.00")
    raw = read(text.encode())
    assert raw.tracks[0].time.seconds.tolist() == [utc(2031, 3, 14, 9, 26, 40)]
    assert raw.ledger["rows_out"] == 1


def test_stamps_before_the_first_fix_are_counted_back_from_it() -> None:
    text = "".join(rmc(f"00000{i}.00", "060180", status="V") for i in range(3))
    text += "".join(rmc(f"09264{i}.00", "140331") for i in range(3))
    raw = read(text.encode())
    first_fix = utc(2031, 3, 14, 9, 26, 40)
    assert raw.tracks[0].time.seconds.tolist() == [first_fix + i for i in range(-3, 3)]
    assert found(raw, "TIME_BEFORE_FIX").where == "lines 1-3"


def test_an_earlier_void_hour_of_the_same_day_is_left_alone() -> None:
    text = rmc("080000.00", "140331", status="V") + rmc("092640.00", "140331")
    raw = read(text.encode())
    assert raw.tracks[0].time.seconds.tolist() == [utc(2031, 3, 14, 8), utc(2031, 3, 14, 9, 26, 40)]
    assert "TIME_BEFORE_FIX" not in {f.code for f in raw.findings}


def test_a_repeated_stamp_gives_two_rows() -> None:
    raw = read((rmc("092640", "140331", "95.0") + gga("092640") + rmc("092640", "140331", "96.0")).encode())
    assert column(raw, "ground_speed").values.tolist() == [95.0, 96.0]
    assert raw.tracks[0].row.tolist() == [1, 3]


def test_two_talkers_of_one_moment_share_a_row() -> None:
    text = rmc("092640", "140331") + seal("GNRMC,092640,A,3400.0000,S,14000.0000,W,95.0,180.0,140331,,,A")
    assert read(text.encode()).ledger["rows_out"] == 1


def test_speed_from_vtg_where_rmc_is_missing() -> None:
    text = gga("092640") + seal("GPVTG,180.0,T,,M,95.0,N,175.9,K,A") + gga("092641") + seal("GPVTG,,T,,M,,N,,K,N")
    raw = read(text.encode())
    speed = column(raw, "ground_speed")
    assert (speed.header, speed.unit, speed.values[0]) == ("VTG.5", "kt", 95.0)
    assert np.isnan(speed.values[1])


def test_speed_from_vtg_in_kilometres_per_hour_keeps_that_unit() -> None:
    raw = read((gga("092640") + seal("GPVTG,180.0,T,,M,,N,175.9,K,A")).encode())
    speed = column(raw, "ground_speed")
    assert (speed.header, speed.unit, speed.values[0]) == ("VTG.7", "km/h", 175.9)


# -- damage -------------------------------------------------------------------------------------


def test_empty_fields_are_missing_and_never_zero() -> None:
    raw = read(seal("GPRMC,092640,A,,,,,,,140331,,,A").encode())
    for channel in ("latitude", "longitude", "ground_speed", "track_true"):
        assert np.isnan(column(raw, channel).values).all(), channel


def test_a_position_without_its_hemisphere_is_no_position() -> None:
    raw = read(seal("GPRMC,092640,A,3400.0,,14000.0,W,95.0,180.0,140331,,,A").encode())
    assert np.isnan(column(raw, "latitude").values[0])


def test_glued_sentences_are_separated() -> None:
    raw = read((rmc("092640", "140331").rstrip() + gga("092640")).encode())
    assert raw.ledger["rows_out"] == 1
    assert column(raw, "gnss_altitude").values[0] == 1800.0
    assert found(raw, "GLUED_SENTENCES").count == 1


def test_a_proprietary_sentence_is_not_taken_for_its_last_letters() -> None:
    raw = read((seal("PGRMC,092640,A,1.0,2.0") + rmc("092641", "140331")).encode())
    assert raw.ledger["rows_out"] == 1
    assert found(raw, "UNKNOWN_SENTENCE").facts == {"PGRMC": 1}


def test_logger_text_before_sentences_and_zero_tail() -> None:
    text = "# started\r\n12:00:01.2 " + rmc("092640", "140331") + "12:00:02.2 " + rmc("092641", "140331") + "\0" * 50
    raw = read(text.encode())
    assert raw.ledger["rows_out"] == 2
    assert raw.tracks[0].row.tolist() == [2, 3]
    assert found(raw, "PREAMBLE_SKIPPED").where == "line 1"
    assert found(raw, "NUL_BYTES").count == 50


def test_a_file_cut_inside_its_last_sentence_says_so() -> None:
    raw = read((rmc("092640", "140331") + rmc("092641", "140331")[:40]).encode())
    assert raw.ledger["rows_out"] == 1
    assert found(raw, "TRUNCATED_LAST_LINE").where == "line 2"
    assert "NO_CHECKSUM" not in {f.code for f in raw.findings}


def test_a_whole_last_sentence_without_line_end_is_kept() -> None:
    raw = read((rmc("092640", "140331") + rmc("092641", "140331").rstrip()).encode())
    assert raw.ledger["rows_out"] == 2


def test_old_line_ends_count_as_lines() -> None:
    raw = read((rmc("092640", "140331") + rmc("092641", "140331")).replace("\r\n", "\r").encode())
    assert raw.tracks[0].row.tolist() == [1, 2]


def test_no_time_is_a_clock_error_with_its_code() -> None:
    with pytest.raises(ClockError) as caught:
        read(seal("GPGGA,,,,,,0,00,99.9,,,,,,").encode())
    assert caught.value.code == "NO_TIME_CHANNEL"


def test_nothing_whole_is_a_parse_error_naming_the_file() -> None:
    with pytest.raises(ParseError, match=r"gps\.nmea"):
        read(b"$GPRMC,092640,A\r\n")


def test_every_cut_of_a_file_reads_or_fails_in_order() -> None:
    whole = (rmc("092640", "140331") + gga("092640") + rmc("092641", "140331") + gga("092641")).encode()
    for length in range(len(whole)):
        try:
            raw = read(whole[:length])
        except TrimshotError:
            continue
        speed = column(raw, "ground_speed").values
        assert set(speed[np.isfinite(speed)]) <= {95.0}


# -- witness and properties ---------------------------------------------------------------------


def test_a_whole_flight_agrees_with_an_independent_parser() -> None:
    # oracle: pynmea2 1.19.0; its 0.0 for an empty position is left out by asking for a status first
    with zipfile.ZipFile(DATA / "sorties" / "S250509-04-handling.zip") as archive:
        (name,) = [n for n in archive.namelist() if n.endswith(".nmea")]
        content = archive.read(name)
    raw = read(content)
    seconds = raw.tracks[0].time.seconds
    rows = {round(s): i for i, s in enumerate(seconds)}
    latitude, speed = column(raw, "latitude").values, column(raw, "ground_speed").values
    altitude = column(raw, "gnss_altitude").values
    compared = 0
    day = None
    for line in content.decode("ascii").splitlines():
        try:
            message = pynmea2.parse(line, check=True)
        except pynmea2.ParseError:
            continue
        if message.sentence_type == "RMC":
            day = message.datestamp
            row = rows[int(dt.datetime.combine(day, message.timestamp).timestamp())]
            if message.status == "A":
                assert latitude[row] == pytest.approx(message.latitude, abs=1e-9)
                assert speed[row] == float(message.spd_over_grnd)
                compared += 1
        elif message.sentence_type == "GGA" and day is not None and int(message.gps_qual) > 0:
            row = rows[int(dt.datetime.combine(day, message.timestamp).timestamp())]
            assert altitude[row] == float(message.altitude)
    assert compared > 1000
    assert len(seconds) == raw.ledger["rows_out"]


@given(
    st.lists(
        st.tuples(st.integers(0, 89), st.integers(0, 5_999_999), st.booleans(), st.floats(0, 400)),
        min_size=1,
        max_size=20,
    ),
    st.integers(0, 86_000),
)
@settings(deadline=None, max_examples=50)
def test_generated_sentences_read_back(fixes: list[tuple[int, int, bool, float]], start: int) -> None:
    text, latitudes, speeds = "", [], []
    for i, (degrees, minutes, south, speed) in enumerate(fixes):
        second = start + i
        stamp = f"{second // 3600:02d}{second // 60 % 60:02d}{second % 60:02d}.00"
        mark = "S" if south else "N"
        place = f"{degrees:02d}{minutes // 100000:02d}.{minutes % 100000:05d}"
        text += seal(f"GNRMC,{stamp},A,{place},{mark},00000.00000,E,{speed:.2f},1.0,140331,,,A")
        latitudes.append((degrees + minutes / 100000 / 60) * (-1 if south else 1))
        speeds.append(float(f"{speed:.2f}"))
    raw = read(text.encode())
    assert column(raw, "latitude").values == pytest.approx(latitudes, abs=1e-9)
    assert column(raw, "ground_speed").values.tolist() == speeds
    assert raw.tracks[0].time.seconds.tolist() == [utc(2031, 3, 14) + start + i for i in range(len(fixes))]


@given(st.binary(max_size=400), st.integers(0, 150), st.integers(0, 255))
@settings(deadline=None, max_examples=200)
def test_rubbish_never_raises_anything_else(rubbish: bytes, position: int, byte: int) -> None:
    good = (rmc("092640", "140331") + gga("092641") + seal("GPZDA,092640.00,14,03,2031,00,00")).encode()
    damaged = good[:position] + bytes([byte]) + good[position + 1 :]
    for content in (rubbish, rubbish + good, good[:position] + rubbish + good[position:], damaged):
        ADAPTER.claims(memory_file(content))
        try:
            raw = read(content)
        except TrimshotError:
            continue
        ledger = raw.ledger
        assert ledger["rows_in"] == ledger["rows_out"] + ledger["rows_dropped"] + sum(ledger["not_rows"].values())


@given(st.lists(st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=12), max_size=16))
@settings(deadline=None, max_examples=200)
def test_sealed_nonsense_never_raises_anything_else(fields: list[str]) -> None:
    for kind in ("RMC", "GGA", "VTG", "GSA", "ZDA"):
        body = ",".join([f"GP{kind}", *fields]).replace("*", "").replace("$", "")
        try:
            raw = read((seal(body) + rmc("092640", "140331")).encode())
        except TrimshotError:
            continue
        assert len(raw.tracks[0].row) >= 1


# -- claims -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "yes"),
    [
        (rmc("092640", "140331").encode(), True),
        (b"$GPRMC,092640.00,A,34\r\n$GPGGA,0926\r\n", True),
        (b"utc,alt\n2031-03-14T09:26:40Z,100\n", False),
        (b"$PXYZ,OK*23\r\n", False),
        (b"", False),
        (b"a,b\n" * 30 + rmc("092640", "140331").encode(), False),
    ],
)
def test_claims(content: bytes, yes: bool, tmp_path: Path) -> None:
    claim = ADAPTER.claims(log_file(content, tmp_path))
    assert claim.yes is yes
    assert claim.reason
