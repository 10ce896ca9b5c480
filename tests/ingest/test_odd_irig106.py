"""Chapter 10 recordings with gaps, two clocks and odd words: every right answer was written down before a reader was asked.

ARINC 429 part 1: a BCD word holds five digits in bits 29 to 11, its sign/status matrix is 0 plus, 1 no computed data,
2 functional test, 3 minus; a BNR word is valid with matrix 3. IRIG 106 chapter 9: BFM says the binary format.
"""

from __future__ import annotations

import datetime as dt
import random
from pathlib import Path

import numpy as np
import pytest

from tests.ingest.test_irig106 import (
    SECOND,
    START,
    analog_packet,
    bus_packet,
    bus_word,
    date_code,
    day_code,
    discrete_packet,
    message_packet,
    packet,
    setup_packet,
    time_packets,
)
from tests.right_answers import Refused, Right, Samples, differences

Case = tuple[bytes, Right | Refused]
N = 20
T0 = f"{START.isoformat()}Z"


def moment(seconds: float) -> str:
    return (START + dt.timedelta(seconds=seconds)).isoformat() + "Z"


def blocks(count: int = N, channel: int = 3, first: int = 0) -> list[bytes]:
    """One analog sample a second."""
    return [analog_packet(channel, (first + k) * SECOND, np.array([100 + k])) for k in range(count)]


def setup(name: str, form: str, *, mask: str = "") -> bytes:
    text = (
        "R-1\\TK1-1:5;R-1\\DSI-1:ADC;R-1\\CDLN-1:BUS;B-1\\DLN:BUS;B-1\\NBS\\N:1;B-1\\BID-1:0;"
        f"B-1\\LBL-1-1:203;B-1\\MN-1-1-1:{name};"
        f"C-1\\DCN:{name};C-1\\MN3:FT;C-1\\BFM:{form};C-1\\DCT:COE;C-1\\CO\\N:1;C-1\\CO:0;C-1\\CO-1:1;"
    )
    return setup_packet(text + (f"B-1\\MBM-1-1-1-1:{mask};" if mask else ""))


def bcd_counts(number: int) -> int:
    return int(f"{number:05d}", 16)


def words(*pairs: tuple[int, int]) -> bytes:
    """One word a second from (counts, matrix)."""
    return b"".join(bus_packet(5, k * SECOND, [(0, bus_word(0o203, c, matrix=m))]) for k, (c, m) in enumerate(pairs))


def joined(*parts: bytes | list[bytes]) -> bytes:
    return b"".join(part if isinstance(part, bytes) else b"".join(part) for part in parts)


def shuffled(parts: list[bytes]) -> bytes:
    """Time packet first, the others out of order by up to six places, as memory blocks are written."""
    order = random.Random(4)
    keys = [(k + order.uniform(0, 6), part) for k, part in enumerate(parts)]
    return b"".join(part for _, part in sorted(keys, key=lambda pair: pair[0]))


def from_rtc(k: int, off: float) -> bytes:
    return packet(1, 0x11, k * SECOND, date_code(START + dt.timedelta(seconds=k + off), form=3))


def from_gps(k: int) -> bytes:
    return packet(2, 0x11, k * SECOND, date_code(START + dt.timedelta(seconds=k)))


LEVEL = {"channel 3": Samples(100.0, 119.0)}
TIMES = time_packets(N)
NET = [packet(1, 0x12, k * SECOND, bytes(12)) for k in range(N)]
NEW_YEAR = [
    packet(1, 0x11, k * SECOND, day_code(dt.datetime(2030, 12, 31, 23, 59, 50) + dt.timedelta(seconds=k)))
    for k in range(N)
]
DAMAGED = bytearray(joined([p for pair in zip(TIMES, blocks(), strict=True) for p in pair]))
DAMAGED[410:460] = bytes(50)
RIGHT = Right(N, "utc", T0, moment(19), LEVEL)
CASES: dict[str, Case] = {
    "a time packet a second": (joined([p for pair in zip(TIMES, blocks(), strict=True) for p in pair]), RIGHT),
    "no time packet for the first seconds": (
        joined(
            blocks(5),
            TIMES[5:],
            blocks(15, first=5)[0:0],
            [analog_packet(3, k * SECOND, np.array([100 + k])) for k in range(5, N)],
        ),
        RIGHT,
    ),
    "one time packet at the very end": (joined(blocks(), TIMES[-1:]), RIGHT),
    "no setup record, nothing named": (joined(TIMES, blocks()), RIGHT),
    "a setup record cut short": (
        joined(setup_packet("G\\PN:x;R-1\\ID:rec;R-1\\TK1-1:3;R-1\\DS"), TIMES, blocks()),
        RIGHT,
    ),
    "packets out of order": (joined(TIMES[:1], shuffled([*TIMES[1:], *blocks()])), RIGHT),
    "a recorder's own clock beside a satellite one, as many packets": (
        joined([p for k in range(N) for p in (from_rtc(k, 3600.0), from_gps(k))], blocks()),
        Right(N, "utc", T0, moment(19), LEVEL, codes=["CLOCK_OFFSET"]),
    ),
    "a recorder's own clock beside a satellite one, first": (
        joined([from_rtc(k, 3600.0) for k in range(N)], [from_gps(k) for k in range(0, N, 2)], blocks()),
        Right(N, "utc", T0, moment(19), LEVEL, codes=["CLOCK_OFFSET"]),
    ),
    "a satellite clock without a date beside a dated one": (
        joined(
            [packet(4, 0x11, k * SECOND, day_code(START + dt.timedelta(seconds=k))) for k in range(N)],
            [from_gps(k) for k in range(N)],
            blocks(),
        ),
        Right(N, "utc", T0, moment(19), LEVEL, never=["DATE_MISSING"]),
    ),
    "damage in the middle": (bytes(DAMAGED), Right(N - 1, "utc", T0, moment(19), LEVEL, codes=["RESYNC"])),
    "network time only": (joined(NET, blocks()), Refused(["time", "format 2"])),
    "video and streams beside": (
        joined(
            TIMES,
            blocks(),
            [packet(8, 0x40, k * SECOND, bytes(100)) for k in range(5)],
            [packet(9, 0x09, 0, bytes(64))],
        ),
        Right(N, "utc", T0, moment(19), LEVEL, codes=["PACKET_SKIPPED"]),
    ),
    "several subchannels": (
        joined(TIMES, [analog_packet(3, k * SECOND, np.array([[100 + k, 7, 65535 - k]])) for k in range(N)]),
        Right(
            N,
            "utc",
            T0,
            moment(19),
            {"channel 3 subchannel 1": LEVEL["channel 3"], "channel 3 subchannel 3": Samples(65535.0, 65516.0)},
        ),
    ),
    "discretes only when they change": (
        joined(TIMES, discrete_packet(2, [(0, 0b1), (7 * SECOND, 0b11), (19 * SECOND, 0b10)])),
        Right(
            3,
            "utc",
            T0,
            moment(19),
            {"channel 2 bit 0": Samples(1.0, 0.0), "channel 2 bit 1": Samples(0.0, 1.0)},
            never=["GAP"],
        ),
    ),
    "a bus's binary words with no computed data and failures": (
        joined(setup("ALT", "TWO"), TIMES, words((6000, 3), (9, 1), (9, 0), (5990, 3))),
        Right(4, "utc", T0, moment(3), {"ALT": Samples(6000.0, 5990.0, 2, "ft")}),
    ),
    "a bus's decimal words": (
        joined(
            setup("ALT", "BCD"),
            TIMES,
            words((bcd_counts(6000), 0), (bcd_counts(12), 3), (bcd_counts(77), 1), (bcd_counts(79999), 0)),
        ),
        Right(4, "utc", T0, moment(3), {"ALT": Samples(6000.0, 79999.0, 1, "ft")}),
    ),
    "a digit above nine in a decimal word": (
        joined(setup("ALT", "BCD"), TIMES, words((bcd_counts(6000), 0), (0xA0, 0), (bcd_counts(6001), 0))),
        Right(3, "utc", T0, moment(2), {"ALT": Samples(6000.0, 6001.0, 1, "ft")}),
    ),
    "sign and magnitude": (
        joined(setup("ALT", "SIG"), TIMES, words((1 << 18 | 500, 3), (500, 3))),
        Right(2, "utc", T0, moment(1), {"ALT": Samples(-500.0, 500.0, 0, "ft")}),
    ),
    "a measurement in some of a word's bits": (
        # the mask takes bits 29 to 19, eleven bits of the word's thirty-two: 300 counts stand eight bits up
        joined(
            setup("ALT", "TWO", mask="000" + "1" * 11 + "0" * 18),
            TIMES,
            words((300 << 8, 3), ((2048 - 5) << 8, 3)),
        ),
        Right(2, "utc", T0, moment(1), {"ALT": Samples(300.0, -5.0, 0, "ft")}),
    ),
    "messages of words": (
        joined(TIMES, message_packet(7, 0, ["GEAR DOWN", "FLAP 20"])),
        Right(2, "utc", T0, moment(1), {"channel 7 message": Samples("GEAR DOWN", "FLAP 20")}),
    ),
    "a counter that wraps": (
        joined(
            time_packets(N, counter=2**48 - 10 * SECOND),
            [analog_packet(3, 2**48 - 10 * SECOND + k * SECOND, np.array([100 + k])) for k in range(N)],
        ),
        RIGHT,
    ),
    "a day of the year over New Year": (
        joined(setup_packet("G\\OD:12-31-2030;"), NEW_YEAR, blocks()),
        Right(N, "utc", "2030-12-31T23:59:50Z", "2031-01-01T00:00:09Z", LEVEL),
    ),
    "an hour of filler behind": (
        joined([p for pair in zip(TIMES, blocks(), strict=True) for p in pair], b"\0" * 5000),
        RIGHT,
    ),
    "another recording's beginning in front": (
        joined(b"x" * 999, [p for pair in zip(TIMES, blocks(), strict=True) for p in pair]),
        Right(N, "utc", T0, moment(19), LEVEL, codes=["RESYNC"]),
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_recording(name: str, tmp_path: Path) -> None:
    content, right = CASES[name]
    path = tmp_path / "log.ch10"
    path.write_bytes(content)
    assert differences(path, right) == []
