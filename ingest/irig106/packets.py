"""Packets of a Chapter 10 file: found by sync pattern and header checksum, damaged stretches stepped over.

Layout of header, flags and secondary header: IRIG 106 Chapter 10 (since 2017 Chapter 11), packet
structure; the header checksum is the 16-bit sum of the header's other eleven words.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

from ...shared.findings import Finding

SYNC = b"\x25\xeb"
HEADER = struct.Struct("<HHIIBBBB3HH")
HEADER_BYTES = 24
SECONDARY_BYTES = 12
LARGEST_PACKET = 524_288  # bytes; the standard's limit for all types but the setup record, which may have 134,217,728
LARGEST_SETUP = 134_217_728
COUNTER_SIZE = 1 << 48  # relative time counter, 10 MHz
TICK_S = 1e-7

NETWORK_TIME = 0x12
SETUP, TIME, BUS_1553, ANALOG, DISCRETE, MESSAGE, ARINC_429 = 0x01, 0x11, 0x19, 0x21, 0x29, 0x30, 0x38
KIND_NAMES = {
    0x00: "user defined",
    SETUP: "setup record",
    0x02: "recording events",
    0x03: "recording index",
    0x09: "PCM",
    TIME: "time",
    NETWORK_TIME: "time, format 2",
    BUS_1553: "MIL-STD-1553",
    0x1A: "16PP194",
    ANALOG: "analog",
    DISCRETE: "discrete",
    MESSAGE: "message",
    ARINC_429: "ARINC 429",
    0x40: "video",
    0x50: "UART",
    0x60: "parallel",
    0x68: "Ethernet",
    0x78: "CAN bus",
}


@dataclass(frozen=True, slots=True)
class Packet:
    """One good packet: its number from 1, place of its body in the file, counter of its header in ticks of 100 ns.

    `secondary`: the secondary header's 8 time bytes, None without one.
    """

    number: int
    channel: int
    kind: int
    flags: int
    counter: int
    start: int
    stop: int
    secondary: bytes | None


@dataclass
class Scan:
    """All good packets in file order, and what stood between them."""

    packets: list[Packet] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    skipped: list[tuple[int, int]] = field(default_factory=list)  # (offset, bytes)
    bad_headers: list[int] = field(default_factory=list)
    cut: int | None = None  # offset of a packet that the end of the file cuts


def kind_name(kind: int) -> str:
    """A word for a packet's data type."""
    return KIND_NAMES.get(kind, f"type 0x{kind:02x}")


def header_is_good(data: bytes, at: int = 0) -> bool:
    """True when a header with a right checksum and a possible length stands at this offset."""
    if data[at : at + 2] != SYNC or at + HEADER_BYTES > len(data):
        return False
    return _checksum_fits(data, at) and _length_fits(data, at)


def _checksum_fits(data: bytes, at: int) -> bool:
    words = struct.unpack_from("<12H", data, at)
    return bool(sum(words[:11]) & 0xFFFF == words[11])


def _length_fits(data: bytes, at: int) -> bool:
    _, _, length, used, _, _, _, kind, *_ = HEADER.unpack_from(data, at)
    largest = LARGEST_SETUP if kind == SETUP else LARGEST_PACKET
    return bool(HEADER_BYTES <= length <= largest and used <= length - HEADER_BYTES)


def scan_packets(data: bytes) -> Scan:
    """Every packet with a good header; `data` may be any buffer with find(), such as a memory map."""
    scan = Scan()
    at, size = 0, len(data)
    while at < size:
        if not header_is_good(data, at):
            at = _resume(data, at, scan)
            continue
        _, channel, length, used, _, _, flags, kind, low, middle, high, _ = HEADER.unpack_from(data, at)
        if at + length > size:
            scan.cut = at
            break
        body, secondary = at + HEADER_BYTES, None
        if flags & 0x80 and length >= HEADER_BYTES + SECONDARY_BYTES:
            secondary = bytes(data[body : body + 8])
            body += SECONDARY_BYTES
        stop = min(body + used, at + length)
        counter = low | middle << 16 | high << 32
        scan.packets.append(Packet(len(scan.packets) + 1, channel, kind, flags, counter, body, stop, secondary))
        at += length
    _report(scan, size)
    return scan


def _resume(data: bytes, at: int, scan: Scan) -> int:
    """Offset of the next good header after a bad one, or the end of the data."""
    size = len(data)
    if at + HEADER_BYTES <= size and data[at : at + 2] == SYNC and not _checksum_fits(data, at):
        scan.bad_headers.append(at)
    after = data.find(SYNC, at + 1)
    while 0 <= after < size and not header_is_good(data, after):
        after = data.find(SYNC, after + 1)
    if after >= 0:
        scan.skipped.append((at, after - at))
        return after
    rest = bytes(data[at : at + 4096])
    if (rest.startswith(SYNC) and size - at < HEADER_BYTES) or (rest == SYNC[: len(rest)] and rest):
        scan.cut = at
    elif rest.strip(b"\0"):
        scan.skipped.append((at, size - at))
    return size


def _report(scan: Scan, size: int) -> None:
    if scan.bad_headers:
        where = f"byte {scan.bad_headers[0]}"
        text = f"{len(scan.bad_headers)} packet headers have a wrong checksum; their packets were left out"
        scan.findings.append(Finding("HEADER_CHECKSUM_FAIL", text, "doubt", where, len(scan.bad_headers)))
    if scan.skipped:
        total = sum(length for _, length in scan.skipped)
        text = f"{total} damaged bytes in {len(scan.skipped)} places were skipped up to the next good packet"
        places = [{"offset": at, "bytes": length} for at, length in scan.skipped[:50]]
        where = f"byte {scan.skipped[0][0]}"
        scan.findings.append(Finding("RESYNC", text, "doubt", where, len(scan.skipped), facts={"places": places}))
    if scan.cut is not None:
        text = f"the file ends {size - scan.cut} bytes into its last packet; that packet was dropped"
        scan.findings.append(Finding("TRUNCATED_LAST_PACKET", text, "note", f"byte {scan.cut}"))


def find_wrap(packets: list[Packet]) -> int:
    """Ticks to add to counters below half the counter's size: its size when the recording passed the wrap, else 0."""
    if not packets:
        return 0
    counters = [packet.counter for packet in packets]
    return COUNTER_SIZE if max(counters) - min(counters) > COUNTER_SIZE // 2 else 0
