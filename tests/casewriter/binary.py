"""Binary records broken on purpose: Chapter 10 packets, HDF5 and MATLAB 7.3 files."""

from __future__ import annotations

import io
import struct
from collections.abc import Callable

import h5py
import numpy as np

from .facts import T0, Case, asked, case, channel, times, warn
from .tables import airspeed, altitude, fixed, iso, rows, seconds, text

TICK = 10_000_000


def packet(number: int, kind: int, counter: int, body: bytes) -> bytes:
    """One packet: header of 24 bytes with the sum of its first eleven words, body filled to four bytes."""
    filler = bytes(-len(body) % 4)
    head = struct.pack("<HHIIBBBB", 0xEB25, number, 24 + len(body) + len(filler), len(body), 6, 0, 0, kind)
    head += counter.to_bytes(6, "little")
    words = struct.unpack("<11H", head)
    return head + struct.pack("<H", sum(words) % 65536) + body + filler


def bcd(value: int) -> int:
    """Decimal digits as nibbles."""
    return int(str(value), 16)


def time_packet(second: int) -> bytes:
    """14 March 2031, 09:26:40 and `second` seconds, as a code with day, month and year (UTC)."""
    minute, rest = divmod(26 * 60 + 40 + second, 60)
    code = struct.pack("<IHHHH", 0x241, bcd(rest) << 8, 0x0900 | bcd(minute), 0x0314, 0x2031)
    return packet(1, 0x11, (100 + second) * TICK, code)


def event(second: float, value: int) -> bytes:
    """A packet with one discrete word of eight bits."""
    counter = round((100 + second) * TICK)
    return packet(2, 0x29, counter, struct.pack("<IQI", 8 << 3, counter, value))


def stream(damage: dict[int, bytes], events: list[tuple[float, int]]) -> bytes:
    """Time packets and events in order; `damage` stands before the event of that number."""
    out = [time_packet(0), time_packet(1)]
    for k, (second, value) in enumerate(events):
        out += [damage.get(k, b""), event(second, value), time_packet(2 + k)]
    return b"".join(out)


EVENTS = [(0.5, 0), (1.25, 1), (2.0, 3), (2.75, 2), (3.5, 6), (4.25, 4)]


def _recorded(content: bytes, kept: list[tuple[float, int]], *found: dict[str, object]) -> Case:
    told = {"discrete": channel("channel 2", None, [v for _, v in kept])}
    axis = times([T0 + s for s, _ in kept]) | {"gaps": []}  # a row at each change: nothing is missing in between
    return Case({"rec.ch10": content}, len(kept), told, axis, found)


@case("80a-irig106-damaged-bytes-and-cut-last-packet")
def _() -> Case:
    content = stream({2: bytes(range(1, 38))}, EVENTS) + event(5.0, 7)[:30]
    return _recorded(content, EVENTS, warn("RESYNC", 1), warn("TRUNCATED_LAST_PACKET", 1))


@case("80b-irig106-header-checksum-wrong")
def _() -> Case:
    content = bytearray(stream({}, EVENTS))
    at = content.index(event(2.0, 3))
    content[at + 22] ^= 0x55
    kept = [e for e in EVENTS if e != (2.0, 3)]
    return _recorded(bytes(content), kept, warn("HEADER_CHECKSUM_FAIL", 1), warn("RESYNC", 1))


@case("80c-irig106-zero-tail-and-sync-inside-damage")
def _() -> Case:
    content = stream({1: b"\x25\xeb" + b"\x11" * 40}, EVENTS) + bytes(512)
    return _recorded(content, EVENTS, warn("HEADER_CHECKSUM_FAIL", 1), warn("RESYNC", 1))


def hdf5(fill: Callable[[h5py.File], None], block: int = 0) -> bytes:
    """An HDF5 file in memory, with a user block of `block` bytes."""
    out = io.BytesIO()
    with h5py.File(out, "w", userblock_size=block) as file:
        fill(file)
    return out.getvalue()


@case("77a-hdf5-text-stamps-and-units-in-attributes")
def _() -> Case:
    alt, ias, when = altitude(12), airspeed(12), seconds(12)

    def fill(file: h5py.File) -> None:
        file["utc"] = np.array([iso(s).encode() for s in when])
        for name, unit, values in (("pressure_altitude", "ft", alt), ("indicated_airspeed", "kt", ias)):
            file[name] = np.array(values)
            file[name].attrs["units"] = unit

    told = {"alt": channel("pressure_altitude", "ft", alt), "ias": channel("indicated_airspeed", "kt", ias)}
    return Case({"log.h5": hdf5(fill)}, 12, told, times(when))


@case("77b-hdf5-compound-table-epoch")
def _() -> Case:
    alt, ias, when = altitude(12), airspeed(12), seconds(12)
    kind = np.dtype([("epoch_s", "<f8"), ("pressure_alt_ft", "<f8"), ("ias_kt", "<f8")])

    def fill(file: h5py.File) -> None:
        file.create_group("log")["samples"] = np.array(list(zip(when, alt, ias, strict=True)), dtype=kind)

    told = {"alt": channel("pressure_alt_ft", "ft", alt), "ias": channel("ias_kt", "kt", ias)}
    return Case({"log.hdf5": hdf5(fill)}, 12, told, times(when), [warn("EPOCH_UNIT_INFERRED", 1)])


@case("76b-hdf5-truncated-beside-a-good-file")
def _() -> Case:
    alt, when = altitude(10), seconds(10)

    def fill(file: h5py.File) -> None:
        file["time"] = np.arange(4000.0)
        file["value"] = np.arange(4000.0)

    whole = hdf5(fill)
    content = text("utc,pressure_alt_ft", rows([iso(s) for s in when], fixed(alt)))
    told = {"alt": channel("pressure_alt_ft", "ft", alt)}
    found = warn("HDF5_TRUNCATED", 1, "broken.h5")
    files = {"broken.h5": whole[: len(whole) // 2], "log.csv": content}
    return Case(files, 10, told, times(when), [found])


@case("76c-hdf5-truncated-alone")
def _() -> Case:
    def fill(file: h5py.File) -> None:
        file["time"] = np.arange(2000.0)

    whole = hdf5(fill)
    error = asked("HDF5_TRUNCATED", "truncated", str(len(whole)), str(len(whole) - 5000))
    return Case({"log.h5": whole[:-5000]}, 0, {}, None, (), error, "error")
