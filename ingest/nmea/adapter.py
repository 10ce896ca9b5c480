"""The NMEA 0183 adapter: a receiver's sentences as one row per epoch."""

from __future__ import annotations

import re
from typing import Any

import numpy as np

from ...shared.errors import ClockError, ParseError
from ...shared.findings import Finding
from ...shared.settings import InstrumentProfile
from ..lines import DroppedLines, name_lines
from ..order import put_in_order
from ..raw import Claim, LogFile, RawFile, RawTime, RawTrack
from .columns import Reading, read_columns
from .epochs import DAY_S, Epochs, Integers, Timed, bind_epochs, rebuild_before_fix
from .fields import day_of, days_of_dates, decimals, numbers, text_at, times_of_day
from .remains import Remains, find_remains
from .sentences import Sentences, find_sentences, trust_unsealed

TIMED = ("RMC", "GGA", "ZDA")
USED = (*TIMED, "VTG", "GSA")
_STANDARD = re.compile(rb"\$[A-OQ-Z][A-Z](?:RMC|GGA|VTG|GSA|ZDA|GSV|GLL|GNS|GBS|GST),")
_LINE = re.compile(rb"[^\r\n]+")


class Nmea0183:
    """Adapter for NMEA 0183 logs: RMC, GGA, VTG, GSA and ZDA of any talker."""

    name = "NMEA 0183"
    version = 1

    def claims(self, file: LogFile) -> Claim:
        """Yes when most readable lines of the head are sentences and one is a satellite receiver's."""
        lines = [line for line in _LINE.findall(file.head) if line.isascii()]
        sentences = [line for line in lines if re.search(rb"\$[A-Z]{2}[A-Z0-9]{2,6},", line)]
        if not any(_STANDARD.search(line) for line in sentences):
            return Claim(False, "no satellite receiver's sentence ($--RMC, $--GGA ...) in the first 4 KiB")
        if 2 * len(sentences) < len(lines):
            return Claim(False, f"only {len(sentences)} of {len(lines)} lines are sentences")
        return Claim(True, f"{len(sentences)} of {len(lines)} lines are sentences")

    def read(self, file: LogFile, profile: InstrumentProfile | None) -> RawFile:
        """One track of kind 'gnss', UTC where the file holds a date, else time of day.

        Raises ParseError when no sentence is whole, ClockError when none carries a time.
        """
        found = find_sentences(file.content)
        sentences = trust_unsealed(found)
        reading, epochs, timed = _read_rows(file, sentences)
        remains = find_remains(sentences, USED)
        time, findings = _time_of(reading, epochs)
        columns, more = read_columns(reading)
        track = RawTrack(time, columns, reading.line, kind="gnss", fingerprint=_fingerprint(sentences, time))
        leap = reading.line[_leap_rows(reading, epochs)]
        if len(leap):
            findings.append(_finding("LEAP_SECOND", "second 60 was kept", leap))
        track, disorder = put_in_order(track, leap.tolist())
        if sentences is not found:
            text = "no sentence has a checksum: those with the usual number of fields were trusted; a cut one may be among them"
            count = int(np.count_nonzero(sentences.good))
            findings.append(Finding("NO_CHECKSUM", text, "doubt", file.name, count))
        findings += [*more, *disorder, *_without_time(sentences, timed, epochs), *remains.findings()]
        return RawFile(
            file=file,
            adapter=self.name,
            adapter_version=self.version,
            tracks=(track,),
            ledger=_ledger(sentences, remains, epochs, time),
            findings=tuple(findings),
            metadata={"sentences": ", ".join(f"{k} {v}" for k, v in remains.used.items())},
        )


def _read_rows(file: LogFile, sentences: Sentences) -> tuple[Reading, Epochs, Timed]:
    if not sentences.good.any():
        some = int(np.count_nonzero(sentences.sealed))
        raise ParseError(
            "no sentence is whole",
            where=file.name,
            found=f"{len(sentences.start)} sentences, {some} with a checksum and none with a right one",
            do="a sentence without a right checksum cannot be told from a cut one; copy the file again from the recorder",
        )
    indices = {name: sentences.of_type(name) for name in USED}
    fields = {name: sentences.fields(indices[name]) for name in USED}
    timed = _timed(indices, fields)
    epochs = bind_epochs(timed)
    if not len(epochs.seconds):
        raise ClockError(
            "no time in the file",
            where=file.name,
            code="NO_TIME_CHANNEL",
            found=f"{int(np.count_nonzero(sentences.good))} whole sentences, none of {', '.join(TIMED)} with a time",
        )
    return Reading(indices, fields, sentences, timed, epochs), epochs, timed


def _timed(indices: dict[str, Any], fields: dict[str, list[list[bytes]]]) -> Timed:
    sentence = np.concatenate([indices[name] for name in TIMED])
    stamps = [text for name in TIMED for text in text_at(fields[name], 1)]
    names = [row[0] for name in TIMED for row in fields[name]]
    numbered = {name: number for number, name in enumerate(dict.fromkeys(names))}
    day = np.concatenate(
        [
            days_of_dates(text_at(fields["RMC"], 9)),
            np.full(len(indices["GGA"]), np.nan),
            _zda_days(fields["ZDA"]),
        ]
    )
    order = np.argsort(sentence, kind="stable")
    address = np.array([numbered[name] for name in names], dtype=np.int64)
    return Timed(sentence[order], address[order], times_of_day(stamps)[order], day[order])


def _zda_days(fields: list[list[bytes]]) -> Any:
    parts = [numbers(text_at(fields, position)) for position in (4, 3, 2)]
    return np.array([day_of(*row) for row in zip(*parts, strict=True)], dtype=np.float64)


def _time_of(reading: Reading, epochs: Epochs) -> tuple[RawTime, list[Finding]]:
    findings: list[Finding] = []
    resolution = 10.0 ** -decimals([text for name in TIMED for text in text_at(reading.fields[name], 1)])
    if epochs.dated:
        utc, rebuilt = rebuild_before_fix(epochs.day * DAY_S + epochs.seconds, reading.fixed)
        if len(rebuilt):
            text = "stamps before the first fix were of another day and were counted back from it"
            findings.append(_finding("TIME_BEFORE_FIX", text, reading.line[rebuilt], level="doubt"))
        if len(epochs.late_dates):
            text = "the date turned later than the time of day"
            findings.append(_finding("MIDNIGHT_ROLLOVER", text, reading.line[epochs.late_dates]))
        evidence = "date from RMC or ZDA, time of day from the same epoch"
        return RawTime("utc", utc, resolution_s=resolution, header="RMC.1", evidence=evidence), findings
    findings.append(Finding("DATE_MISSING", "times of day and no date (no RMC or ZDA with one)", "doubt"))
    if len(epochs.midnights):
        text = "the time of day passed midnight; one day was added"
        findings.append(_finding("MIDNIGHT_ROLLOVER", text, reading.line[epochs.midnights]))
    seconds = epochs.turned * DAY_S + epochs.seconds
    evidence = "time of day in UTC; no sentence carries a date"
    return RawTime(
        "time_of_day", seconds, zone_s=0.0, resolution_s=resolution, header="GGA.1", evidence=evidence
    ), findings


def _leap_rows(reading: Reading, epochs: Epochs) -> Integers:
    """Rows stamped with second 60."""
    stamps = np.array([text[4:6] == b"60" for name in TIMED for text in text_at(reading.fields[name], 1)], dtype=bool)
    sentence = np.concatenate([reading.indices[name] for name in TIMED])[stamps]
    rows = np.unique(epochs.row_of[np.searchsorted(reading.timed.sentence, sentence)])
    return rows[rows >= 0]


def _without_time(sentences: Sentences, timed: Timed, epochs: Epochs) -> list[Finding]:
    lines = sentences.line[timed.sentence[epochs.row_of < 0]]
    if not len(lines):
        return []
    return [_finding("VOID_FIX", "sentences without a time of day give no row", lines)]


def _finding(code: str, text: str, lines: Any, level: Any = "note") -> Finding:
    return Finding(code, text, level, where=name_lines(lines.tolist()), count=len(lines))


def _fingerprint(sentences: Sentences, time: RawTime) -> str:
    present = [name for name in USED if len(sentences.of_type(name))]
    return f"nmea {'+'.join(present)} {time.resolution_s:g}s"


def _ledger(sentences: Sentences, remains: Remains, epochs: Epochs, time: RawTime) -> dict[str, Any]:
    rows = len(epochs.seconds)
    without_time = int(np.count_nonzero(epochs.row_of < 0))
    dropped: DroppedLines = remains.dropped
    return {
        "rows_in": len(sentences.start) + remains.text_lines,
        "rows_out": rows,
        "rows_dropped": dropped.count,
        "rows_repaired": remains.glued,
        "dropped_lines": dropped.as_json(),
        "not_rows": {
            "sentences of an epoch already counted": sum(remains.used.values()) - rows - without_time,
            "sentences without a time": without_time,
            "sentences of other types": sum(remains.unused.values()),
            "lines of text": remains.text_lines,
        },
        "unused_sentences": remains.unused,
        "encoding": "ascii",
        "evidence": {"time": time.evidence},
    }
