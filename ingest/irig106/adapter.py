"""The adapter for IRIG 106 Chapter 10 recorder files."""

from __future__ import annotations

import datetime as dt
import hashlib
import mmap
from collections import Counter
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ...shared.errors import ClockError, ParseError
from ...shared.findings import Finding
from ...shared.settings import InstrumentProfile
from ..lines import LINES_KEPT
from ..raw import Claim, LogFile, RawFile, RawTime, RawTrack, TimeBasis
from ..timeline import find_gaps
from .channels import Table, Tables, read_channels
from .packets import (
    COUNTER_SIZE,
    NETWORK_TIME,
    SETUP,
    SYNC,
    TICK_S,
    TIME,
    Packet,
    Scan,
    find_wrap,
    header_is_good,
    kind_name,
    scan_packets,
)
from .setup_record import Setup, read_setup
from .timecodes import DAY_S, FORMATS, SOURCES, TimeLine, compare_clocks, fit_line, rank_clocks, read_codes, report_bad
from .year import find_year

_DECODED = (SETUP, TIME, 0x02, 0x03, 0x21, 0x29, 0x30, 0x38)  # events and index hold no samples
_EPOCH = dt.date(1970, 1, 1)


class Irig106Chapter10:
    """Recorder files of packets: time, discrete, analog, ARINC 429 and message channels."""

    name = "IRIG 106 Chapter 10"
    version = 1

    def claims(self, file: LogFile) -> Claim:
        """Yes when the file begins with a packet whose header checksum is right, or holds one in its head."""
        head = file.head
        if head.startswith(SYNC):
            if header_is_good(head):
                return Claim(True, "a packet header with the sync pattern EB25 and a right checksum")
            return Claim(True, "the sync pattern EB25 at the start")
        at = head.find(SYNC)
        while at >= 0 and not header_is_good(head, at):
            at = head.find(SYNC, at + 1)
        if at > 0:
            return Claim(True, f"a packet header with a right checksum at byte {at}")
        return Claim(False, "no packet header with the sync pattern EB25 in the first 4 KiB")

    def read(self, file: LogFile, profile: InstrumentProfile | None) -> RawFile:
        """One table per channel (per bus word for buses), times through the time packets.

        Raises ParseError when no packet is whole, ClockError when no time packet is usable.
        """
        if file.size == 0:
            raise ParseError("the file is empty", where=file.name, code="EMPTY_FILE")
        with file.path.open("rb") as stream, mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as data:
            return _read(self, file, profile, data)  # type: ignore[arg-type]


def _read(adapter: Irig106Chapter10, file: LogFile, profile: InstrumentProfile | None, data: bytes) -> RawFile:
    scan = scan_packets(data)
    if not scan.packets:
        raise ParseError(
            "no whole packet in the file",
            where=file.name,
            found="; ".join(f.text for f in scan.findings) or "no packet header",
            code="TRUNCATED_LAST_PACKET" if scan.cut is not None else None,
            do="copy the recording from the recorder again",
        )
    setup = _setup(scan.packets, data)
    wrap = find_wrap(scan.packets)
    clock = _clock(file, scan.packets, data, wrap, setup, profile)
    channels = read_channels(scan.packets, data, setup)
    tracks = tuple(_track(table, clock, wrap, file) for table in channels.tables)
    findings = [*scan.findings, *clock.findings, *_unread(scan, channels)]
    if not tracks:
        findings.append(Finding("NO_DATA_ROWS", "no channel of a kind this reader decodes", "doubt", file.name))
    for table, track in zip(channels.tables, tracks, strict=True):
        if table.kind != "discretes":  # recorded when they change: a pause is no gap
            findings += find_gaps(track)
    return RawFile(
        file=file,
        adapter=adapter.name,
        adapter_version=adapter.version,
        tracks=tracks,
        ledger=_ledger(scan, channels, clock, tracks),
        findings=tuple(findings),
        metadata={key: value for key, value in setup.attributes.items() if key.startswith("G\\")},
    )


def _setup(packets: list[Packet], data: bytes) -> Setup:
    record = next((p for p in packets if p.kind == SETUP), None)
    if record is None:
        return Setup()
    return read_setup(bytes(data[record.start + 4 : record.stop]).decode("latin-1"))


# -- time -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Clock:
    """From counters to the file's time axis."""

    line: TimeLine
    basis: TimeBasis
    shift_s: float  # added to the line's seconds
    zone_s: float | None
    evidence: str
    findings: list[Finding]


def _clock(
    file: LogFile, packets: list[Packet], data: bytes, wrap: int, setup: Setup, profile: InstrumentProfile | None
) -> _Clock:
    stamped = [p for p in packets if p.kind == TIME]
    codes, bad = read_codes(stamped, data)
    if not codes:
        raise ClockError(
            "no usable time packet in the file",
            where=file.name,
            found=_tell_times(packets, stamped, bad),
            code="NO_TIME_CHANNEL",
            do="record the time channel with the data",
        )
    best, *others = rank_clocks(codes)
    line = fit_line(best, wrap)
    findings = [*report_bad(sorted([*bad, *line.odd])), *line.findings]
    findings += [f for other in others for f in compare_clocks(line, fit_line(other, wrap))]
    first = line.first
    evidence = f"{len(line.codes)} time packets of channel {first.channel}, {FORMATS.get(first.form, 'unknown form')}"
    evidence += f", source {SOURCES.get(first.source, 'not stated')}"
    basis: TimeBasis = "gps" if first.form == 5 else "local" if first.form == 3 else "utc"
    if first.year is not None:
        return _Clock(line, basis, 0.0, None, evidence, findings)
    return _dated(file, line, basis, evidence, findings, setup, profile)


def _tell_times(packets: list[Packet], stamped: list[Packet], bad: list[tuple[int, str]]) -> str:
    network = sum(p.kind == NETWORK_TIME for p in packets)
    told = f"{len(stamped)} time packets, {len(bad)} impossible"
    return told + (f"; {network} of time format 2 (network time), which are not decoded" if network else "")


def _dated(
    file: LogFile,
    line: TimeLine,
    basis: TimeBasis,
    evidence: str,
    findings: list[Finding],
    setup: Setup,
    profile: InstrumentProfile | None,
) -> _Clock:
    """A day-of-year clock with its year; without a year, times of day."""
    day, leap = line.first.day, line.first.leap
    year, who = find_year(day, leap=leap, name=file.name, setup=setup, profile=profile)
    if year is not None:
        if who.endswith("name"):
            text = f"the time code has no year; {year} was taken from the file's name, whose day fits"
            findings.append(Finding("DATE_FROM_FILE_NAME", text, facts={"year": year}))
        first_day = dt.date(year, 1, 1).toordinal() - _EPOCH.toordinal()
        return _Clock(line, basis, (first_day - 1) * DAY_S, None, f"{evidence}; year {year}: {who}", findings)
    text = f"the time code holds day {day} of the year and no year"
    facts = {"question": f"in which year was {file.name} recorded?", "day_of_year": day}
    findings.append(Finding("DATE_MISSING", text, "doubt", facts=facts))
    zone_s = None if basis == "local" else 0.0
    return _Clock(line, "time_of_day", -day * DAY_S, zone_s, f"{evidence}; {text}", findings)


def _track(table: Table, clock: _Clock, wrap: int, file: LogFile) -> RawTrack:
    """The table in time order: packets are written when they are full, not in order of time."""
    counter = table.counter
    if wrap:
        counter = np.where(counter < COUNTER_SIZE // 2, counter + wrap, counter)
    order = np.argsort(counter, kind="stable")
    seconds = np.round(clock.line.seconds(counter[order]) + clock.shift_s, 7)
    columns = tuple(replace(column, values=column.values[order]) for column in table.columns)
    header = "relative time counter through the time packets"
    time = RawTime(clock.basis, seconds, clock.zone_s, None, TICK_S, header, clock.evidence)
    text = "\n".join([table.name, *(f"{c.header}|{c.unit or ''}" for c in columns)])
    mark = "irig106-" + hashlib.sha256(text.encode()).hexdigest()[:16]
    return RawTrack(time, columns, table.packet[order], table.kind, mark)


# -- account ----------------------------------------------------------------------------------------


def _unread(scan: Scan, channels: Tables) -> list[Finding]:
    """Packets of kinds this reader does not decode, and rows with errors."""
    kinds = Counter(kind_name(p.kind) for p in scan.packets if p.kind not in _DECODED)
    parts = [f"{kind} x {n}" for kind, n in sorted(kinds.items())]
    parts += [f"{what} (other layout) x {n}" for what, n in channels.unread.items()]
    findings = []
    count = sum(kinds.values()) + sum(channels.unread.values())
    if count:
        text = f"{count} packets of kinds that are not decoded were counted and passed over: {', '.join(parts)}"
        findings.append(Finding("PACKET_SKIPPED", text, count=count, facts={"kinds": dict(kinds), **channels.unread}))
    for channel, n in Counter(channel for _, channel in channels.dropped).items():
        text = f"{n} words with parity or format errors were left out"
        findings.append(Finding("ROW_DROPPED", text, "doubt", channel, n))
    return findings


def _ledger(scan: Scan, channels: Tables, clock: _Clock, tracks: tuple[RawTrack, ...]) -> dict[str, Any]:
    rows = sum(len(track.row) for track in tracks)
    dropped = len(channels.dropped)
    kinds = Counter(kind_name(p.kind) for p in scan.packets)
    return {
        "rows_in": rows + dropped,
        "rows_out": rows,
        "rows_dropped": dropped,
        "rows_repaired": 0,
        "not_rows": {},
        "dropped_lines": [[p, f"{who}: parity or format error", ""] for p, who in channels.dropped[:LINES_KEPT]],
        "packets": len(scan.packets),
        "packet_kinds": dict(sorted(kinds.items())),
        "bytes_skipped": sum(length for _, length in scan.skipped),
        "counter_rate_ppm": round((clock.line.slope / TICK_S - 1.0) * 1e6, 3),
        "evidence": {"time": clock.evidence},
    }
