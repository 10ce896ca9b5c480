"""IRIG 106 Chapter 10 files, written here field by field with struct and read back.

Layouts as in IRIG 106 Chapter 10 (packet header, time format 1, discrete format 1, analog format 1,
ARINC 429 format 0, message format 0) and Chapter 9 (setup record). Where the public decoder chapter10
is installed it reads the same bytes as an oracle. Run as a module, this file writes the sample anew:

    python -m tests.ingest.test_irig106
"""

from __future__ import annotations

import datetime as dt
import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimshot.ingest.irig106.adapter import Irig106Chapter10
from trimshot.ingest.raw import HEAD_BYTES, LogFile, RawFile, RawTrack
from trimshot.shared.errors import ClockError, ParseError, TrimshotError
from trimshot.shared.settings import InstrumentProfile

SAMPLE = Path(__file__).parents[1] / "data" / "samples" / "irig-106-chapter-10" / "recorder_a.ch10"
START = dt.datetime(2031, 3, 14, 9, 26, 40)
EPOCH = dt.datetime(1970, 1, 1)
SECOND = 10_000_000  # ticks of the relative time counter


# -- an independent writer ----------------------------------------------------------------------


def packet(channel: int, kind: int, counter: int, body: bytes, flags: int = 0, secondary: bytes = b"") -> bytes:
    """One packet, filled up to a multiple of four bytes, header checksum as the sum of eleven words."""
    filler = bytes(-len(body) % 4)
    length = 24 + len(secondary) + len(body) + len(filler)
    head = struct.pack("<HHIIBBBB", 0xEB25, channel, length, len(body), 6, 0, flags, kind)
    head += (counter % 2**48).to_bytes(6, "little")
    total = sum(int.from_bytes(head[k : k + 2], "little") for k in range(0, 22, 2)) % 65536
    return head + struct.pack("<H", total) + secondary + body + filler


def bcd(value: int) -> int:
    """Decimal digits as nibbles."""
    return int(str(value), 16)


def day_code(moment: dt.datetime) -> bytes:
    """Time data of a day-of-year code (IRIG-B, external)."""
    fraction = moment.microsecond // 10_000
    low = bcd(moment.second) << 8 | bcd(fraction)
    middle = bcd(moment.hour) << 8 | bcd(moment.minute)
    return struct.pack("<IHHHH", 1, low, middle, bcd(moment.timetuple().tm_yday), 0)


def date_code(moment: dt.datetime, form: int = 4) -> bytes:
    """Time data with day, month and year; form 4: UTC from a satellite receiver."""
    low = bcd(moment.second) << 8 | bcd(moment.microsecond // 10_000)
    middle = bcd(moment.hour) << 8 | bcd(moment.minute)
    date = bcd(moment.month) << 8 | bcd(moment.day)
    return struct.pack("<IHHHH", 1 << 9 | form << 4 | 1, low, middle, date, bcd(moment.year))


def time_packets(
    count: int, counter: int = 0, code: Callable[[dt.datetime], bytes] = date_code, channel: int = 1
) -> list[bytes]:
    """One time packet a second from START on."""
    return [packet(channel, 0x11, counter + k * SECOND, code(START + dt.timedelta(seconds=k))) for k in range(count)]


def setup_packet(text: str) -> bytes:
    return packet(0, 0x01, 0, struct.pack("<I", 7) + text.encode("ascii"))


def discrete_packet(channel: int, events: list[tuple[int, int]], bits: int = 8, mode: int = 0) -> bytes:
    body = struct.pack("<I", bits % 32 << 3 | mode)
    body += b"".join(struct.pack("<QI", stamp, word) for stamp, word in events)
    return packet(channel, 0x29, events[0][0], body)


def analog_packet(channel: int, counter: int, samples: np.ndarray, bits: int = 16, mode: int = 0) -> bytes:
    subchannels = 1 if samples.ndim == 1 else samples.shape[1]
    word = mode | bits % 64 << 2 | 1 << 8 | subchannels % 256 << 16 | 1 << 28
    return packet(channel, 0x21, counter, struct.pack("<I", word) + samples.astype("<u2").tobytes())


def bus_word(label: int, counts: int, sdi: int = 0, matrix: int = 3) -> int:
    """A word of ARINC 429 with odd parity; the label stands in it last bit first."""
    word = int(f"{label:08b}"[::-1], 2) | sdi << 8 | (counts % 2**19) << 10 | matrix << 29
    return word | (1 << 31 if word.bit_count() % 2 == 0 else 0)


def bus_packet(channel: int, counter: int, words: list[tuple[int, int]], bus: int = 0, errors: int = 0) -> bytes:
    """Words as (gap in ticks, word); errors: bits 22 and 23 of every word's header."""
    body = struct.pack("<HH", len(words), 0)
    body += b"".join(struct.pack("<II", gap | errors << 22 | bus << 24, word) for gap, word in words)
    return packet(channel, 0x38, counter, body)


def message_packet(channel: int, counter: int, texts: list[str]) -> bytes:
    body = struct.pack("<HH", len(texts), 0)
    for k, text in enumerate(texts):
        raw = text.encode("ascii")
        body += struct.pack("<QHH", counter + k * SECOND, len(raw), 0) + raw + bytes(len(raw) % 2)
    return packet(channel, 0x30, counter, body)


def read(tmp_path: Path, content: bytes, profile: InstrumentProfile | None = None, name: str = "r.ch10") -> RawFile:
    path = tmp_path / name
    path.write_bytes(content)
    file = LogFile(path, name, len(content), content[:HEAD_BYTES])
    return Irig106Chapter10().read(file, profile)


def track_of(raw: RawFile, header: str) -> RawTrack:
    return next(t for t in raw.tracks if any(c.header == header for c in t.columns))


def column(raw: RawFile, header: str) -> np.ndarray:
    return next(c.values for t in raw.tracks for c in t.columns if c.header == header)


def codes(raw: RawFile) -> dict[str, int]:
    return {f.code: f.count for f in raw.findings}


def utc(seconds: float) -> str:
    return (EPOCH + dt.timedelta(seconds=round(seconds, 6))).isoformat()


# -- time ---------------------------------------------------------------------------------------


def test_a_dated_time_code_gives_utc(tmp_path: Path) -> None:
    raw = read(tmp_path, b"".join([*time_packets(5, 77), discrete_packet(2, [(77 + 25 * SECOND // 10, 1)])]))
    track = raw.tracks[0]
    assert track.time.basis == "utc"
    assert utc(track.time.seconds[0]) == "2031-03-14T09:26:42.500000"


def test_native_gps_time_is_said_to_be_gps(tmp_path: Path) -> None:
    content = b"".join([*time_packets(3, code=lambda t: date_code(t, 5)), discrete_packet(2, [(0, 1)])])
    assert read(tmp_path, content).tracks[0].time.basis == "gps"


def test_day_of_year_without_a_year_is_a_question_and_the_year_answers_it(tmp_path: Path) -> None:
    content = b"".join([*time_packets(5, code=day_code), discrete_packet(2, [(SECOND, 1)])])
    raw = read(tmp_path, content)
    assert raw.tracks[0].time.basis == "time_of_day" and raw.tracks[0].time.seconds[0] == 9 * 3600 + 26 * 60 + 41
    assert next(f for f in raw.findings if f.code == "DATE_MISSING").facts["day_of_year"] == 73  # 31 + 28 + 14
    told = read(tmp_path, content, InstrumentProfile(year=2031))
    assert utc(told.tracks[0].time.seconds[0]) == "2031-03-14T09:26:41"
    leap = read(tmp_path, content, InstrumentProfile(year=2032))
    assert utc(leap.tracks[0].time.seconds[0]) == "2032-03-13T09:26:41"  # day 73 of a leap year


def test_the_year_comes_from_the_setup_record_or_the_name_only_when_the_day_fits(tmp_path: Path) -> None:
    stream = [*time_packets(5, code=day_code), discrete_packet(2, [(SECOND, 1)])]
    setup = setup_packet("R-1\\ID:REC;R-1\\RI4:03-14-2031-09-20-00;")
    assert utc(read(tmp_path, b"".join([setup, *stream])).tracks[0].time.seconds[0]).startswith("2031-03-14")
    other = setup_packet("R-1\\ID:REC;R-1\\RI4:07-01-2030-09-20-00;")
    assert read(tmp_path, b"".join([other, *stream])).tracks[0].time.basis == "time_of_day"
    named = read(tmp_path, b"".join(stream), name="20310314_rec.ch10")
    assert named.tracks[0].time.basis == "utc" and "DATE_FROM_FILE_NAME" in codes(named)


def test_day_codes_run_on_past_new_year(tmp_path: Path) -> None:
    def code(moment: dt.datetime) -> bytes:
        return day_code(dt.datetime(2030, 12, 31, 23, 59, 58) + (moment - START))

    content = b"".join([*time_packets(5, code=code), discrete_packet(2, [(0, 0), (4 * SECOND, 1)])])
    raw = read(tmp_path, content, InstrumentProfile(year=2030))
    assert [utc(s) for s in raw.tracks[0].time.seconds] == ["2030-12-31T23:59:58", "2031-01-01T00:00:02"]


@pytest.mark.parametrize(
    ("at", "bad"), [(4, b"\x82"), (5, b"\x7a"), (7, b"\x29"), (8, b"\x45")], ids=["fraction", "digit", "hour", "day"]
)
def test_impossible_codes_are_left_out_and_bend_nothing(tmp_path: Path, at: int, bad: bytes) -> None:
    stream = time_packets(9)
    body = bytearray(date_code(START + dt.timedelta(seconds=4)))
    body[at : at + 1] = bad
    stream[4] = packet(1, 0x11, 4 * SECOND, bytes(body))
    raw = read(tmp_path, b"".join([*stream, discrete_packet(2, [(45 * SECOND // 10, 1)])]))
    assert codes(raw)["BAD_TIME_CODE"] == 1
    assert "5" in (next(f.where for f in raw.findings if f.code == "BAD_TIME_CODE") or "")
    assert utc(raw.tracks[0].time.seconds[0]) == "2031-03-14T09:26:44.500000"


def test_a_counter_that_runs_fast_is_measured(tmp_path: Path) -> None:
    # 40 parts in a million over ten minutes are 24 ms; codes tell hundredths of a second
    stream = [
        packet(1, 0x11, round(k * SECOND * (1 + 40e-6)), date_code(START + dt.timedelta(seconds=k))) for k in range(600)
    ]
    raw = read(tmp_path, b"".join([*stream, discrete_packet(2, [(round(599 * SECOND * (1 + 40e-6)), 1)])]))
    assert raw.ledger["counter_rate_ppm"] == pytest.approx(-40.0, abs=0.05)
    assert raw.tracks[0].time.seconds[0] == pytest.approx((START - EPOCH).total_seconds() + 599, abs=1e-4)


def test_a_clock_set_in_flight_is_told_and_the_longer_part_kept(tmp_path: Path) -> None:
    stream = time_packets(12)
    for k in range(4):
        stream[k] = packet(1, 0x11, k * SECOND, date_code(START + dt.timedelta(seconds=k - 7)))
    raw = read(tmp_path, b"".join([*stream, discrete_packet(2, [(0, 1)])]))
    assert utc(raw.tracks[0].time.seconds[0]) == "2031-03-14T09:26:40"
    step = next(f for f in raw.findings if f.code == "CLOCK_STEP")
    assert step.facts["seconds"] == pytest.approx(-7.0) and "1-4" in (step.where or "")


def test_the_counter_may_wrap(tmp_path: Path) -> None:
    before = 2**48 - 2 * SECOND
    content = b"".join([*time_packets(6, before), discrete_packet(2, [(before, 0)]), discrete_packet(2, [(SECOND, 1)])])
    raw = read(tmp_path, content)
    assert [utc(s) for s in raw.tracks[0].time.seconds] == ["2031-03-14T09:26:40", "2031-03-14T09:26:43"]


def test_without_a_usable_time_packet_it_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ClockError) as caught:
        read(tmp_path, discrete_packet(2, [(0, 1)]))
    assert caught.value.code == "NO_TIME_CHANNEL"


# -- packets ------------------------------------------------------------------------------------


def test_packets_out_of_time_order_are_put_in_order_without_a_finding(tmp_path: Path) -> None:
    late = [discrete_packet(2, [(k * SECOND, k)]) for k in (3, 1, 2, 0)]
    raw = read(tmp_path, b"".join([*late, *time_packets(4)]))
    assert column(raw, "channel 2").tolist() == [0, 1, 2, 3]
    assert raw.tracks[0].row.tolist() == [4, 2, 3, 1]
    assert codes(raw) == {}


def test_damage_is_stepped_over_and_told(tmp_path: Path) -> None:
    stream = [*time_packets(3), discrete_packet(2, [(0, 5)]), discrete_packet(2, [(SECOND, 6)])]
    broken = bytearray(stream[3])
    broken[4] ^= 0xFF  # length: the checksum no longer fits
    raw = read(tmp_path, b"".join([*stream[:3], bytes(broken), b"garbage!", stream[4]]))
    assert column(raw, "channel 2").tolist() == [6]
    found = codes(raw)
    assert found["HEADER_CHECKSUM_FAIL"] == 1 and found["RESYNC"] == 1
    assert raw.ledger["bytes_skipped"] == len(broken) + 8


@pytest.mark.parametrize("left", [1, 2, 12, 23, 24, 30])
def test_a_cut_last_packet_is_dropped_and_told(tmp_path: Path, left: int) -> None:
    whole = b"".join([*time_packets(3), discrete_packet(2, [(0, 5)])])
    raw = read(tmp_path, whole + discrete_packet(2, [(SECOND, 6)])[:left])
    assert codes(raw) == {"TRUNCATED_LAST_PACKET": 1}
    assert column(raw, "channel 2").tolist() == [5]


def test_zero_bytes_behind_the_last_packet_are_nothing(tmp_path: Path) -> None:
    raw = read(tmp_path, b"".join([*time_packets(3), discrete_packet(2, [(0, 5)]), bytes(512)]))
    assert codes(raw) == {}


def test_packets_that_are_not_decoded_are_counted(tmp_path: Path) -> None:
    bus = packet(9, 0x19, 0, struct.pack("<I", 1) + bytes(20))
    raw = read(
        tmp_path, b"".join([*time_packets(3), discrete_packet(2, [(0, 5)]), bus, bus, packet(7, 0x40, 5, bytes(8))])
    )
    found = next(f for f in raw.findings if f.code == "PACKET_SKIPPED")
    assert found.count == 3 and found.facts["kinds"] == {"MIL-STD-1553": 2, "video": 1}
    assert raw.ledger["packet_kinds"]["MIL-STD-1553"] == 2


def test_stamps_of_a_secondary_header_count_from_it(tmp_path: Path) -> None:
    base = struct.pack("<II", 250_000_000, 1_000_000)  # nanoseconds, seconds: IEEE 1588
    check = struct.pack("<HH", 0, sum(struct.unpack("<4H", base)) % 65536)
    event = struct.pack("<I", 1 << 3) + struct.pack("<QI", 1_000_001 << 32 | 750_000_000, 1)
    stamped = packet(2, 0x29, 2 * SECOND, event, flags=0x80 | 0x40 | 1 << 2, secondary=base + check)
    raw = read(tmp_path, b"".join([*time_packets(3), stamped]))
    assert utc(raw.tracks[0].time.seconds[0]) == "2031-03-14T09:26:43.500000"  # 2 s + 1.5 s


# -- channels -----------------------------------------------------------------------------------


def test_discrete_bits_take_their_names_from_the_setup_record(tmp_path: Path) -> None:
    setup = setup_packet(
        "R-1\\N:1;R-1\\TK1-1:2;R-1\\DSI-1:SWITCHES;R-1\\NDM\\N-1:2;"
        "R-1\\DMN-1-1:GEAR DN LOCK;R-1\\DMSK-1-1:00000100;R-1\\DMN-1-2:FLAP SEL;R-1\\DMSK-1-2:00011000;"
    )
    raw = read(tmp_path, b"".join([setup, *time_packets(3), discrete_packet(2, [(0, 0b10100), (SECOND, 0b01000)])]))
    assert column(raw, "SWITCHES").tolist() == [20, 8]
    assert column(raw, "GEAR DN LOCK").tolist() == [1, 0]
    assert column(raw, "FLAP SEL").tolist() == [2, 1]
    assert [c.header for c in raw.tracks[0].columns] == ["SWITCHES", "GEAR DN LOCK", "FLAP SEL"]


def test_discrete_words_at_the_high_end_are_brought_down(tmp_path: Path) -> None:
    raw = read(tmp_path, b"".join([*time_packets(3), discrete_packet(2, [(0, 0b101 << 29)], bits=3, mode=2)]))
    assert column(raw, "channel 2").tolist() == [0b101]


def test_analog_samples_with_rate_sign_and_conversion(tmp_path: Path) -> None:
    setup = setup_packet(
        "R-1\\TK1-1:3;R-1\\DSI-1:AIR;R-1\\ASR-1:50;R-1\\AMN-1-1:IAS;R-1\\AF-1-1:2;R-1\\AMN-1-2:PS;R-1\\AF-1-2:U;"
        "C-1\\DCN:IAS;C-1\\MN3:KNOTS;C-1\\DCT:COE;C-1\\CO\\N:1;C-1\\CO:10;C-1\\CO-1:0.25;"
        "C-2\\DCN:PS;C-2\\MN3:HPA;C-2\\DCT:PRS;C-2\\PS\\N:2;C-2\\PS3-1:0;C-2\\PS4-1:300;C-2\\PS3-2:65535;C-2\\PS4-2:1100;"
    )
    counts = np.array([[400, 0], [65532, 65535], [404, 13107]])  # 65532 is -4
    raw = read(tmp_path, b"".join([setup, *time_packets(3), analog_packet(3, SECOND, counts)]))
    track = track_of(raw, "IAS")
    assert np.diff(track.time.seconds) == pytest.approx([0.02, 0.02], abs=1e-6)
    assert column(raw, "IAS").tolist() == [110.0, 9.0, 111.0]  # 10 + counts / 4
    assert column(raw, "PS") == pytest.approx([300, 1100, 460])  # 300 + 800 * counts / 65535
    assert [(c.unit, c.step) for c in track.columns] == [("KNOTS", 0.25), ("HPA", None)]


def test_analog_rate_is_told_by_the_counters_when_nothing_states_it(tmp_path: Path) -> None:
    blocks = [analog_packet(3, k * SECOND, np.arange(10) + 10 * k) for k in range(3)]
    raw = read(tmp_path, b"".join([*time_packets(4), *blocks]))
    assert np.diff(raw.tracks[0].time.seconds) == pytest.approx(np.full(29, 0.1), abs=1e-6)
    assert column(raw, "channel 3").tolist() == list(range(30))


@pytest.mark.parametrize(("mode", "word"), [(1, 0xABC0), (3, 0x0ABC)])
def test_unpacked_analog_samples_of_twelve_bits(tmp_path: Path, mode: int, word: int) -> None:
    raw = read(tmp_path, b"".join([*time_packets(3), analog_packet(3, 0, np.array([word]), bits=12, mode=mode)]))
    assert column(raw, "channel 3").tolist() == [0xABC]


def test_analog_layouts_that_are_not_decoded_are_counted(tmp_path: Path) -> None:
    raw = read(tmp_path, b"".join([*time_packets(3), analog_packet(3, 0, np.array([1, 2]), bits=12, mode=0)]))
    assert codes(raw)["PACKET_SKIPPED"] == 1 and raw.tracks == ()


def test_bus_words_are_decoded_where_the_setup_record_names_them(tmp_path: Path) -> None:
    # label 203: pressure altitude, BNR; one count of the 19-bit field is 131072 ft / 2**18 = 0.5 ft
    setup = setup_packet(
        "R-1\\TK1-1:5;R-1\\DSI-1:ADC;R-1\\CDLN-1:ADCBUS;B-1\\DLN:ADCBUS;B-1\\NBS\\N:1;B-1\\BID-1:0;"
        "B-1\\LBL-1-1:203;B-1\\MN-1-1-1:PRESSURE ALT;"
        "C-1\\DCN:PRESSURE ALT;C-1\\MN3:FT;C-1\\BFM:TWO;C-1\\DCT:COE;C-1\\CO\\N:1;C-1\\CO:0;C-1\\CO-1:0.5;"
    )
    words = [(0, bus_word(0o203, 12000)), (500, bus_word(0o206, 77)), (1000, bus_word(0o203, -500))]
    words.append((1000, bus_word(0o203, 9999, matrix=1)))  # no computed data
    raw = read(tmp_path, b"".join([setup, *time_packets(3), bus_packet(5, SECOND, words)]))
    altitude = column(raw, "PRESSURE ALT")
    assert altitude[:2].tolist() == [6000.0, -250.0] and np.isnan(altitude[2])
    track = track_of(raw, "PRESSURE ALT")
    assert track.columns[0].unit == "FT" and track.columns[0].step == 0.5
    assert np.diff(track.time.seconds) == pytest.approx([1500e-7, 1000e-7], abs=3e-7)
    assert column(raw, "ADC bus 0 label 206 sdi 0").tolist() == [float(bus_word(0o206, 77))]


def test_bus_words_with_errors_are_left_out_and_counted(tmp_path: Path) -> None:
    good, bad = [(0, bus_word(0o206, 5))], [(0, bus_word(0o206, 6))]
    raw = read(tmp_path, b"".join([*time_packets(3), bus_packet(5, 0, good), bus_packet(5, SECOND, bad, errors=1)]))
    assert codes(raw)["ROW_DROPPED"] == 1
    assert (raw.ledger["rows_in"], raw.ledger["rows_out"], raw.ledger["rows_dropped"]) == (2, 1, 1)


def test_messages_are_kept_as_text(tmp_path: Path) -> None:
    raw = read(tmp_path, b"".join([*time_packets(3), message_packet(7, 0, ["GEAR DOWN", "abc", "\x01\x02"])]))
    assert column(raw, "channel 7 message").tolist() == ["GEAR DOWN", "abc", None]


# -- whatever the bytes -------------------------------------------------------------------------


def test_a_file_without_a_whole_packet_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ParseError):
        read(tmp_path, b"\x25\xeb" + bytes(40))


@settings(max_examples=60, deadline=None)
@given(noise=st.binary(max_size=400), at=st.integers(0, 600))
def test_noise_inside_gives_findings_or_an_error_of_ours(
    tmp_path_factory: pytest.TempPathFactory, noise: bytes, at: int
) -> None:
    whole = b"".join(
        [*time_packets(4), discrete_packet(2, [(0, 5)]), bus_packet(5, 9, [(0, 1)]), message_packet(7, 0, ["x"])]
    )
    content = whole[:at] + noise + whole[at:]
    try:
        raw = read(tmp_path_factory.mktemp("noise"), content)
    except TrimshotError:
        return
    for track in raw.tracks:
        assert np.isfinite(track.time.seconds).all() and (np.diff(track.time.seconds) >= 0).all()


@settings(max_examples=60, deadline=None)
@given(
    kind=st.sampled_from([0x01, 0x11, 0x19, 0x21, 0x29, 0x30, 0x38]),
    body=st.binary(max_size=200),
    flags=st.integers(0, 255),
)
def test_any_body_in_a_good_packet_is_survived(
    tmp_path_factory: pytest.TempPathFactory, kind: int, body: bytes, flags: int
) -> None:
    content = b"".join([*time_packets(4), packet(2, kind, 5, body, flags), discrete_packet(3, [(0, 5)])])
    raw = read(tmp_path_factory.mktemp("body"), content)
    assert column(raw, "channel 3").tolist() == [5]


@settings(max_examples=40, deadline=None)
@given(words=st.lists(st.integers(0, 2**31 - 1), min_size=1, max_size=30), bits=st.integers(1, 31))
def test_discrete_words_come_back(tmp_path_factory: pytest.TempPathFactory, words: list[int], bits: int) -> None:
    kept = [word % 2**bits for word in words]
    events = [(k * 1000, word) for k, word in enumerate(kept)]
    raw = read(tmp_path_factory.mktemp("words"), b"".join([*time_packets(3), discrete_packet(2, events, bits)]))
    assert column(raw, "channel 2").tolist() == kept


# -- oracle -------------------------------------------------------------------------------------


def test_the_sample_reads_as_a_public_decoder_reads_it(tmp_path: Path) -> None:
    chapter10 = pytest.importorskip("chapter10", reason="the public decoder chapter10 is not installed")
    ours = Irig106Chapter10().read(LogFile(SAMPLE, SAMPLE.name, SAMPLE.stat().st_size, b""), None)
    stamps, words, texts = [], [], []
    undamaged = SAMPLE.read_bytes().split(b"\x25\xeb\x00damaged")[0]  # the decoder stops there
    for one in chapter10.C10.from_string(undamaged):
        if one.data_type == 0x11:
            stamps.append((one.time - EPOCH).total_seconds())
        if one.data_type == 0x38:
            words += [int.from_bytes(message.data, "little") for message in one]
        if one.data_type == 0x30:
            texts += [message.data.decode() for message in one]
    assert track_of(ours, "SWITCHES").time.seconds[0] == pytest.approx(stamps[0] + 2.0, abs=1e-5)
    assert len(stamps) == ours.ledger["packet_kinds"]["time"]
    named = [c for t in ours.tracks for c in t.columns if c.header in ("PRESSURE ALT", "COMPUTED AIRSPEED")]
    decoded = np.concatenate([column.values / (column.step or 1) for column in named])
    fields = [word >> 10 & 0x7FFFF for word in words]
    assert sorted(decoded) == sorted(f - 2**19 if f >= 2**18 else f for f in fields)
    assert column(ours, "CREW message").tolist() == texts


# -- the sample ---------------------------------------------------------------------------------


def write_sample(path: Path) -> None:
    """Twenty seconds of a descent: air data on a bus and as analog, switches, crew messages, damage and a cut end."""
    setup = (
        "G\\PN:SAMPLE;\nG\\106:17;\nR-1\\ID:REC;\nR-1\\N:5;\n"
        "R-1\\TK1-1:1;R-1\\DSI-1:CLOCK;R-1\\TK1-2:2;R-1\\DSI-2:SWITCHES;R-1\\DMN-2-1:GEAR DN LOCK;R-1\\DMSK-2-1:00000001;\n"
        "R-1\\DMN-2-2:GEAR UP LOCK;R-1\\DMSK-2-2:00000010;\n"
        "R-1\\TK1-3:3;R-1\\DSI-3:ENGINE;R-1\\ASR-3:10;R-1\\AMN-3-1:RPM;R-1\\AMN-3-2:OIL TEMP;R-1\\AF-3-2:2;\n"
        "R-1\\TK1-4:5;R-1\\DSI-4:ADC;R-1\\CDLN-4:ADCBUS;R-1\\TK1-5:7;R-1\\DSI-5:CREW;\n"
        "B-1\\DLN:ADCBUS;B-1\\NBS\\N:1;B-1\\BID-1:0;B-1\\LBL-1-1:203;B-1\\MN-1-1-1:PRESSURE ALT;\n"
        "B-1\\LBL-1-2:206;B-1\\MN-1-2-1:COMPUTED AIRSPEED;\n"
        "C-1\\DCN:PRESSURE ALT;C-1\\MN3:FT;C-1\\BFM:TWO;C-1\\DCT:COE;C-1\\CO\\N:1;C-1\\CO:0;C-1\\CO-1:0.5;\n"
        "C-2\\DCN:COMPUTED AIRSPEED;C-2\\MN3:KT;C-2\\BFM:TWO;C-2\\DCT:COE;C-2\\CO\\N:1;C-2\\CO:0;C-2\\CO-1:0.00390625;\n"
        "C-3\\DCN:RPM;C-3\\MN3:RPM;C-3\\DCT:COE;C-3\\CO\\N:1;C-3\\CO:0;C-3\\CO-1:0.1;\n"
        "C-4\\DCN:OIL TEMP;C-4\\MN3:DEGC;C-4\\DCT:COE;C-4\\CO\\N:1;C-4\\CO:0;C-4\\CO-1:0.01;\n"
    )
    zero = 123_456_789
    parts = [setup_packet(setup)]
    for k in range(20):
        now = zero + k * SECOND
        parts.append(packet(1, 0x11, now, date_code(START + dt.timedelta(seconds=k))))
        pairs = [((0 if j == 0 else 700_000), bus_word(0o203, 12_000 - 160 * k - 20 * j)) for j in range(8)]
        speeds = [(550_000, bus_word(0o206, 25_600 + 16 * ((3 * k + j) % 5))) for j in range(8)]
        parts.append(bus_packet(5, now, [word for pair in zip(pairs, speeds, strict=True) for word in pair]))
        rpm = 23_000 + 10 * ((k + np.arange(10)) % 3)
        parts.append(analog_packet(3, now, np.column_stack([rpm, np.full(10, 8_450 + k)])))
    # switches and crew messages are written when their packets close: late
    parts.append(
        discrete_packet(
            2, [(zero + 20 * SECOND // 10, 2), (zero + 81 * SECOND // 10, 0), (zero + 152 * SECOND // 10, 1)]
        )
    )
    parts.append(message_packet(7, zero + 8 * SECOND, ["gear down", "three green"]))
    parts.append(b"\x25\xeb\x00damaged bytes here\x00")
    parts.append(packet(9, 0x19, zero, struct.pack("<I", 0)))
    parts.append(message_packet(7, zero + 18 * SECOND, ["end of run"])[:30])
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"".join(parts))


if __name__ == "__main__":
    write_sample(SAMPLE)
