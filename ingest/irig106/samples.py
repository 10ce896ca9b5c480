"""Samples inside packets, by data type: discrete, analog, ARINC 429, message; whole channels at once.

Layouts: IRIG 106 Chapter 10, discrete data format 1, analog data format 1, ARINC 429 data format 0,
message data format 0. Times are counters in ticks of 100 ns.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .packets import Packet

Integers = NDArray[np.int64]
_STAMPED = np.dtype([("stamp", "<u8"), ("word", "<u4")])
_BUS_WORD = np.dtype([("head", "<u4"), ("word", "<u4")])
_UNSIGNED = {8: "<u1", 16: "<u2", 32: "<u4", 64: "<u8"}
_COUNTER_MASK = (1 << 48) - 1


@dataclass
class Samples:
    """Samples of one channel (or one bus word): counter and packet number of each, and its values.

    counter, packet: shape (n,); values: shape (n,) or (n, k) for k subchannels.
    """

    counter: Integers
    packet: Integers
    values: NDArray[Any]
    unread: int = 0  # packets of a make this reader does not decode
    wrong: list[int] = field(default_factory=list)  # packet of every sample that was left out


def stamp_ticks(stamps: NDArray[np.uint64], packet: Packet) -> Integers | None:
    """Counters of intra-packet stamps: the counter itself, or counted from the secondary header's time.

    None for a secondary header format this reader does not know.
    """
    if not packet.flags & 0x40 or packet.secondary is None:
        return (stamps & np.uint64(_COUNTER_MASK)).astype(np.int64)
    form = packet.flags >> 2 & 3
    if form == 1:  # IEEE 1588: nanoseconds, then seconds
        nanoseconds = (stamps & np.uint64(0xFFFFFFFF)).astype(np.int64)
        seconds = (stamps >> np.uint64(32)).astype(np.int64)
        base_ns, base_s = struct.unpack("<II", packet.secondary)
        ticks = packet.counter + (seconds - base_s) * 10_000_000 + (nanoseconds - base_ns) // 100
        return np.asarray(ticks, dtype=np.int64)
    return None


def read_discrete(packets: list[Packet], data: bytes) -> tuple[Samples, int]:
    """All words of one discrete channel, and its number of bits. values: uint32 as float64."""
    pieces, length, unread = [], 0, 0
    for packet in packets:
        body = bytes(data[packet.start : packet.stop])
        if len(body) < 4:
            unread += 1
            continue
        mode, bits = body[0] & 7, (body[0] >> 3) or 32
        events = np.frombuffer(body, _STAMPED, (len(body) - 4) // _STAMPED.itemsize, 4)
        ticks = stamp_ticks(events["stamp"], packet)
        if ticks is None:
            unread += 1
            continue
        words = events["word"] >> np.uint32(32 - bits) if mode & 2 else events["word"]
        if bits < 32:
            words = words & np.uint32((1 << bits) - 1)
        length = max(length, bits)
        pieces.append((ticks, np.full(len(ticks), packet.number), words.astype(np.float64)))
    return _joined(pieces, unread), length


def _joined(pieces: list[tuple[Integers, Integers, NDArray[Any]]], unread: int) -> Samples:
    if not pieces:
        empty = np.empty(0, np.int64)
        return Samples(empty, empty, np.empty(0), unread)
    counter, packet, values = (np.concatenate(part) for part in zip(*pieces, strict=True))
    return Samples(counter, packet, values, unread)


@dataclass(frozen=True, slots=True)
class AnalogWord:
    """The channel specific word of an analog packet."""

    mode: int
    bits: int
    subchannel: int
    count: int
    factor: int
    same: bool


def read_analog_word(body: bytes, at: int = 0) -> AnalogWord:
    """Mode (0 packed, 1 padded at the low end, 3 at the high end), bits of a sample, subchannel, their number, rate factor."""
    word = struct.unpack_from("<I", body, at)[0]
    bits, count = (word >> 2 & 63) or 64, (word >> 16 & 255) or 256
    return AnalogWord(word & 3, bits, word >> 8 & 255, count, word >> 24 & 15, bool(word >> 28 & 1))


def read_analog(packets: list[Packet], data: bytes, rate: float | None) -> Samples:
    """All samples of one analog channel, shape (n, subchannels), as unsigned counts.

    rate: simultaneous samples per second, None: told by the packets' own counters. Read are samples
    of 8, 16, 32 or 64 bits, or up to 16 bits in words of their own, all subchannels at one rate;
    packets of another make are counted as unread.
    """
    blocks: list[tuple[Packet, NDArray[Any]]] = []
    unread = 0
    for packet in packets:
        block = _analog_block(bytes(data[packet.start : packet.stop]))
        if block is None or (blocks and block.shape[1] != blocks[0][1].shape[1]):
            unread += 1
        else:
            blocks.append((packet, block))
    steps = _analog_steps(blocks, rate)
    pieces = []
    for (packet, block), step in zip(blocks, steps, strict=True):
        ticks = packet.counter + np.rint(np.arange(len(block)) * step).astype(np.int64)
        pieces.append((ticks, np.full(len(block), packet.number), block))
    return _joined(pieces, unread)


def _analog_block(body: bytes) -> NDArray[Any] | None:
    if len(body) < 4:
        return None
    word = read_analog_word(body)
    words = 1 if word.same else word.count
    if len(body) < 4 * words:
        return None
    heads = [word] if word.same else [read_analog_word(body, 4 * k) for k in range(words)]
    if any(h.factor or h.bits != word.bits or h.mode != word.mode for h in heads):
        return None
    width = word.bits if word.mode == 0 else 16 if word.bits <= 16 else 32
    if width not in _UNSIGNED or word.bits > width:
        return None
    values = np.frombuffer(body, _UNSIGNED[width], (len(body) - 4 * words) * 8 // width, 4 * words)
    values = values[: len(values) // word.count * word.count].reshape(-1, word.count)
    if word.bits == width:
        return values
    if word.mode == 1:  # padded at the low end
        return np.asarray(values >> np.array(width - word.bits, values.dtype))
    return np.asarray(values & np.array((1 << word.bits) - 1, values.dtype))


def _analog_steps(blocks: list[tuple[Packet, NDArray[Any]]], rate: float | None) -> list[float]:
    """Ticks between samples for each packet."""
    if rate is not None and rate > 0:
        return [1e7 / rate] * len(blocks)
    starts = np.array([packet.counter for packet, _ in blocks], dtype=np.float64)
    counts = np.array([max(1, len(block)) for _, block in blocks], dtype=np.float64)
    if len(blocks) < 2:
        return [0.0] * len(blocks)
    steps = np.diff(starts) / counts[:-1]
    good = steps[steps > 0]
    return [float(np.median(good)) if len(good) else 0.0] * len(blocks)


def read_bus_words(packets: list[Packet], data: bytes) -> tuple[Samples, Integers]:
    """All words of an ARINC 429 channel (values: uint32) and their bus numbers; words with errors are left out.

    A word's time is its packet's counter plus the gaps before it.
    """
    pieces, buses = [], []
    wrong: list[int] = []
    for packet in packets:
        body = bytes(data[packet.start : packet.stop])
        if len(body) < 4:
            continue
        count = min(struct.unpack_from("<H", body)[0], (len(body) - 4) // _BUS_WORD.itemsize)
        words = np.frombuffer(body, _BUS_WORD, count, 4)
        gaps = (words["head"] & np.uint32(0xFFFFF)).astype(np.int64)
        good = (words["head"] >> np.uint32(22) & np.uint32(3)) == 0  # parity and format errors
        wrong += [packet.number] * int((~good).sum())
        ticks = (packet.counter + np.cumsum(gaps))[good]
        pieces.append((ticks, np.full(len(ticks), packet.number), words["word"][good]))
        buses.append((words["head"][good] >> np.uint32(24)).astype(np.int64))
    samples = _joined(pieces, 0)
    samples.wrong = wrong
    return samples, np.concatenate(buses) if buses else np.empty(0, np.int64)


def read_messages(packets: list[Packet], data: bytes) -> Samples:
    """Complete text messages of one channel; values: object (str, None for what is no text)."""
    counters: list[int] = []
    numbers: list[int] = []
    texts: list[str | None] = []
    unread = 0
    for packet in packets:
        body = bytes(data[packet.start : packet.stop])
        if len(body) < 4 or struct.unpack_from("<I", body)[0] >> 16 & 3:
            unread += 1  # a piece of a long message
            continue
        for stamp, text in _messages(body):
            ticks = stamp_ticks(np.array([stamp], np.uint64), packet)
            counters.append(packet.counter if ticks is None else int(ticks[0]))
            numbers.append(packet.number)
            texts.append(text)
    values = np.array(texts, dtype=object) if texts else np.empty(0, object)
    return Samples(np.array(counters, np.int64), np.array(numbers, np.int64), values, unread)


def _messages(body: bytes) -> Iterator[tuple[int, str | None]]:
    count, at = struct.unpack_from("<H", body)[0], 4
    for _ in range(count):
        if at + 12 > len(body):
            return
        stamp, length = struct.unpack_from("<QH", body, at)
        raw = body[at + 12 : at + 12 + length]
        text = raw.rstrip(b"\0\r\n").decode("ascii", errors="replace")
        yield stamp, text if text.isprintable() and text else None
        at += 12 + length + length % 2
