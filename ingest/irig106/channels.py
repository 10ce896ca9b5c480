"""Channels of a recorder file as tables: names, units and conversions from the setup record."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ..raw import RawColumn
from .buswords import read_field
from .packets import ANALOG, ARINC_429, DISCRETE, MESSAGE, Packet
from .samples import Samples, read_analog, read_bus_words, read_discrete, read_messages
from .setup_record import Conversion, Setup, number

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
_REVERSED = np.array([int(f"{b:08b}"[::-1], 2) for b in range(256)], dtype=np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Rows of one channel: counters in ticks, packet of each row, columns as written."""

    name: str
    kind: str | None
    counter: Integers
    packet: Integers
    columns: tuple[RawColumn, ...]


@dataclass
class Tables:
    """All tables of a file, samples that were left out, and packets that were not read, by channel."""

    tables: list[Table] = field(default_factory=list)
    dropped: list[tuple[int, str]] = field(default_factory=list)  # (packet, channel) of each
    unread: dict[str, int] = field(default_factory=dict)

    def note(self, channel: int, samples: Samples) -> None:
        """Keep what a channel's reader left out."""
        self.dropped += [(packet, f"channel {channel}") for packet in samples.wrong]
        if samples.unread:
            self.unread[f"channel {channel}"] = samples.unread


def read_channels(packets: list[Packet], data: bytes, setup: Setup) -> Tables:
    """Tables of every channel of a kind this reader decodes, in order of channel ids."""
    groups: dict[tuple[int, int], list[Packet]] = {}
    for packet in packets:
        groups.setdefault((packet.channel, packet.kind), []).append(packet)
    out = Tables()
    for (channel, kind), some in sorted(groups.items()):
        reader = _READERS.get(kind)
        if reader is not None:
            reader(channel, some, data, setup, out)
    return out


def _discrete(channel: int, packets: list[Packet], data: bytes, setup: Setup, out: Tables) -> None:
    samples, bits = read_discrete(packets, data)
    out.note(channel, samples)
    if not len(samples.counter):
        return
    name = setup.name_of(channel)
    words = samples.values.astype(np.int64)
    columns = [RawColumn(name, samples.values, None, None, 1.0)]
    named = _named_bits(channel, setup, bits)
    for bit in range(bits):
        if named and 1 << bit not in named:
            continue
        title = named.get(1 << bit) or f"{name} bit {bit}"
        columns.append(RawColumn(title, (words >> bit & 1).astype(np.float64), "0/1", None, 1.0))
    for mask, title in named.items():
        if mask & (mask - 1):  # more than one bit
            low = (mask & -mask).bit_length() - 1
            columns.append(RawColumn(title, ((words & mask) >> low).astype(np.float64), None, None, 1.0))
    out.tables.append(Table(name, "discretes", samples.counter, samples.packet, _numbered(columns)))


def _named_bits(channel: int, setup: Setup, bits: int) -> dict[int, str]:
    """Mask -> measurement name; masks are written as binary digits, most significant first."""
    out = {}
    for m in range(1, 65):
        title, mask = setup.of_channel(channel, "DMN", m), setup.of_channel(channel, "DMSK", m)
        if title and mask and set(mask) <= {"0", "1"} and 0 < int(mask, 2) < 1 << bits:
            out[int(mask, 2)] = title
    return out


def _numbered(columns: list[RawColumn]) -> tuple[RawColumn, ...]:
    """Columns with their positions, and headers that repeat numbered."""
    seen: dict[str, int] = {}
    out = []
    for i, column in enumerate(columns):
        seen[column.header] = seen.get(column.header, 0) + 1
        again = seen[column.header]
        header = column.header if again == 1 else f"{column.header} ({again})"
        out.append(RawColumn(header, column.values, column.unit, None, column.step, i))
    return tuple(out)


def _analog(channel: int, packets: list[Packet], data: bytes, setup: Setup, out: Tables) -> None:
    rate = number(setup.of_channel(channel, "ASR"))
    samples = read_analog(packets, data, rate)
    out.note(channel, samples)
    if not len(samples.counter):
        return
    name, width = setup.name_of(channel), samples.values.shape[1]
    columns = []
    for k in range(width):
        measured = setup.of_channel(channel, "AMN", k + 1)
        title = measured or (name if width == 1 else f"{name} subchannel {k + 1}")
        form = setup.of_channel(channel, "AF", k + 1) or "U"
        counts = _signed(samples.values[:, k], form)
        columns.append(_converted(title, counts, setup.conversions.get(title)))
    out.tables.append(Table(name, None, samples.counter, samples.packet, _numbered(columns)))


def _signed(counts: NDArray[np.unsignedinteger], form: str) -> Floats:
    """Unsigned samples in the sample format of the setup record: U, 2 (two's complement), B (offset), F (float)."""
    size = counts.dtype.itemsize * 8
    if form == "2":
        return np.ascontiguousarray(counts).view(f"<i{size // 8}").astype(np.float64)
    if form == "F" and size == 32:
        numbers = np.ascontiguousarray(counts).view("<f4").astype(np.float64)
        return np.where(np.isfinite(numbers), numbers, np.nan)
    if form == "B":
        return counts.astype(np.float64) - 2.0 ** (size - 1)
    return counts.astype(np.float64)


def _converted(title: str, counts: Floats, conversion: Conversion | None) -> RawColumn:
    if conversion is None or not conversion.is_known:
        return RawColumn(title, counts, None, None, 1.0)
    values = conversion.apply(counts)
    values = np.where(np.isfinite(values), values, np.nan)
    step = abs(conversion.coefficients[1]) if len(conversion.coefficients) == 2 else None
    return RawColumn(title, values, conversion.unit, None, step or None)


def _bus(channel: int, packets: list[Packet], data: bytes, setup: Setup, out: Tables) -> None:
    samples, buses = read_bus_words(packets, data)
    out.note(channel, samples)
    words = samples.values.astype(np.int64)
    labels, sdis = _REVERSED[words & 0xFF], words >> 8 & 3  # the label stands in the word last bit first
    keys = buses << 16 | labels << 8 | sdis
    known = setup.labels.get(setup.links.get(channel, ""), [])
    done = np.zeros(len(words), np.bool_)
    for label in known:
        rows = (labels == label.label) & ((sdis == label.sdi) if label.sdi is not None else True)
        conversion = setup.conversions.get(label.name)
        counts = read_field(words[rows], conversion.binary if conversion is not None else "", label.mask)
        if rows.any() and counts is not None:
            column = _converted(label.name, counts, conversion)
            out.tables.append(Table(label.name, None, samples.counter[rows], samples.packet[rows], (column,)))
            done |= rows
    for key in np.unique(keys[~done]):
        rows = keys == key
        title = f"{setup.name_of(channel)} bus {key >> 16} label {key >> 8 & 0xFF:03o} sdi {key & 3}"
        column = RawColumn(title, words[rows].astype(np.float64), None, None, 1.0)
        out.tables.append(Table(title, None, samples.counter[rows], samples.packet[rows], (column,)))


def _message(channel: int, packets: list[Packet], data: bytes, setup: Setup, out: Tables) -> None:
    samples = read_messages(packets, data)
    out.note(channel, samples)
    if len(samples.counter):
        title = f"{setup.name_of(channel)} message"
        column = RawColumn(title, samples.values)
        out.tables.append(Table(title, None, samples.counter, samples.packet, (column,)))


_READERS: dict[int, Callable[[int, list[Packet], bytes, Setup, Tables], None]] = {
    DISCRETE: _discrete,
    ANALOG: _analog,
    ARINC_429: _bus,
    MESSAGE: _message,
}
