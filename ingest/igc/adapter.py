"""The IGC adapter: a flight recorder's fixes as one row each."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...shared.errors import ParseError
from ...shared.findings import Finding, Level
from ...shared.settings import InstrumentProfile
from ..lines import name_lines
from ..order import put_in_order
from ..raw import Claim, LogFile, RawColumn, RawFile, RawTime, RawTrack
from ..timeline import sort_track
from .columns import coordinate, extension_columns, numbers
from .headers import Extension, gnss_altitude_channel, pressure_altitude_channel
from .records import Records, read_records
from .times import DAY_S, FixTimes, fix_times, seconds_of_day

_FIX = re.compile(rb"(?m)^B\d{6}\d{7}[NS]\d{8}[EW][AV]")
_IDENTITY = re.compile(rb"(?:\xef\xbb\xbf)?\s*A[A-Z0-9]{3}")
_SMALL = re.compile(rb"(?m)^b\d{6}\d{7}[ns]\d{8}[ew][av]")  # some programs write all their records in small letters
_DATE = re.compile(rb"(?m)^H[A-Z]DTE")
Floats = NDArray[np.float64]


class Igc:
    """Adapter for IGC files: A, B, E, H, I, J and K records; the others are counted."""

    name = "IGC"
    version = 1

    def claims(self, file: LogFile) -> Claim:
        """Yes for a fix record, or an identity record followed by a date header, in the head."""
        lines = file.head.replace(b"\r", b"\n")
        if _IDENTITY.match(lines) and _DATE.search(lines):
            return Claim(True, "an A record and a date header")
        if _FIX.search(lines):
            return Claim(True, "fix records (B)")
        if _SMALL.search(lines):
            return Claim(True, "fix records in small letters (b)")
        return Claim(False, "no fix record (B) and no A record with a date header in the first 4 KiB")

    def read(self, file: LogFile, profile: InstrumentProfile | None) -> RawFile:
        """A 'gnss' track of the fixes, and a 'slow' one of the K records where there are any.

        Raises ParseError when the file holds no whole fix.
        """
        small = _SMALL.search(file.head) is not None and _FIX.search(file.head) is None
        records = read_records(file.content.upper() if small else file.content)
        if not records.fixes:
            raise ParseError("no whole fix record", where=file.name, found=f"{records.lines} lines, no B record")
        texts = [text for _, text in records.fixes]
        times = fix_times(texts, records.dates, _extension(records, "TDS"))
        columns, findings = _fix_columns(records)
        track, disorder = put_in_order(_track(records, times, columns), _leap_lines(records))
        slow, more = _slow_track(records, times)
        tracks = [track, *slow]
        findings += [*disorder, *more, *_time_findings(records, times), *_structure_findings(records)]
        return RawFile(
            file=file,
            adapter=self.name,
            adapter_version=self.version,
            tracks=tuple(tracks),
            ledger=_ledger(records, sum(len(track.row) for track in tracks), times),
            findings=tuple(findings),
            metadata=_metadata(records),
        )


def _leap_lines(records: Records) -> list[int]:
    return [line for line, text in records.fixes if text[5:7] == "60"]


def _extension(records: Records, code: str) -> Extension | None:
    return next((e for e in records.fix_extensions if e.code == code), None)


def _fix_columns(records: Records) -> tuple[list[RawColumn], list[Finding]]:
    texts = [text for _, text in records.fixes]
    latitude, latitude_step = coordinate(texts, start=7, width=2, finer=_extension(records, "LAD"))
    longitude, longitude_step = coordinate(texts, start=15, width=3, finer=_extension(records, "LOD"))
    valid = np.array([text[24] == "A" for text in texts], dtype=bool)
    valid &= ~((latitude == 0.0) & (longitude == 0.0)) & np.isfinite(latitude) & np.isfinite(longitude)
    findings = []
    if not valid.all():
        void = np.flatnonzero(~valid)
        text = "fixes marked V or at 0 N 0 E: position and satellite altitude are missing, pressure altitude is kept"
        where = name_lines(records.fixes[i][0] for i in void)
        findings.append(Finding("VOID_FIX", text, "note", where, len(void)))
    columns = [
        RawColumn("B lat", np.where(valid, latitude, np.nan), "deg", "latitude", latitude_step),
        RawColumn("B lon", np.where(valid, longitude, np.nan), "deg", "longitude", longitude_step),
    ]
    for column, finding in (_pressure_column(records, texts), _gnss_column(records, texts, valid)):
        columns.append(column)
        findings += finding
    extensions, more = extension_columns(records.fixes, records.fix_extensions)
    columns += [*extensions, *_mark_column(records)]
    return columns, findings + more


def _pressure_column(records: Records, texts: list[str]) -> tuple[RawColumn, list[Finding]]:
    values = numbers([text[25:30] for text in texts])
    channel = pressure_altitude_channel(records.headers)
    findings = _unreadable(records, values, "pressure altitude")
    if channel is None or not np.nan_to_num(values).any():
        text = "pressure altitude is zero throughout: the recorder has none"
        findings.append(Finding("PRESSURE_ALT_ABSENT", text, "doubt", None, len(values)))
        values = np.full(len(values), np.nan)
    return RawColumn("B pressure", values, "m", channel or "pressure_altitude", 1.0), findings


def _gnss_column(records: Records, texts: list[str], valid: NDArray[np.bool_]) -> tuple[RawColumn, list[Finding]]:
    values = numbers([text[30:35] for text in texts])
    channel = gnss_altitude_channel(records.headers)
    findings = _unreadable(records, values, "satellite altitude")
    values = np.where(valid, values, np.nan)
    if channel is None or (valid.any() and not np.nan_to_num(values).any()):
        text = "satellite altitude is zero throughout: the recorder has none"
        findings.append(Finding("SENTINEL_VALUES", text, "doubt", None, len(values)))
        values = np.full(len(values), np.nan)
    return RawColumn("B gnss", values, "m", channel or "gnss_unnamed_altitude", 1.0), findings


def _unreadable(records: Records, values: Floats, what: str) -> list[Finding]:
    bad = np.flatnonzero(~np.isfinite(values))
    if not len(bad):
        return []
    where = name_lines(records.fixes[i][0] for i in bad)
    return [Finding("TEXT_IN_NUMERIC", f"{what} cannot be read", "doubt", where, len(bad))]


def _mark_column(records: Records) -> list[RawColumn]:
    """Crew marks so far (event PEV) at every fix; an event stands before the fix of its second."""
    lines = [line for line, text in records.events if text[7:10].upper() == "PEV"]
    if not lines:
        return []
    fixes = np.array([line for line, _ in records.fixes])
    return [RawColumn("E PEV", np.searchsorted(lines, fixes).astype(np.float64), "1", "event_mark", 1.0)]


def _track(records: Records, times: FixTimes, columns: list[RawColumn]) -> RawTrack:
    if times.dated:
        evidence = "date from the header record, UTC by the format"
    else:
        evidence = "UTC time of day by the format; no date header"
    basis: Any = "utc" if times.dated else "time_of_day"
    time = RawTime(basis, times.seconds, 0.0, resolution_s=10.0**-times.decimals, header="B time", evidence=evidence)
    numbered = tuple(RawColumn(c.header, c.values, c.unit, c.channel, c.step, i) for i, c in enumerate(columns))
    row = np.array([line for line, _ in records.fixes], dtype=np.int64)
    return RawTrack(time, numbered, row, kind="gnss", fingerprint=_fingerprint(records, times))


def _slow_track(records: Records, times: FixTimes) -> tuple[list[RawTrack], list[Finding]]:
    """K records, each on the day of the fix before it in the file."""
    if not records.slow or not records.slow_extensions:
        return [], []
    columns, findings = extension_columns(records.slow, records.slow_extensions)
    row = np.array([line for line, _ in records.slow], dtype=np.int64)
    fixes = np.array([line for line, _ in records.fixes])
    near = np.maximum(np.searchsorted(fixes, row) - 1, 0)
    of_day = seconds_of_day([text for _, text in records.slow])
    nearest_day = np.round((times.seconds[near] - of_day) / DAY_S)
    basis: Any = "utc" if times.dated else "time_of_day"
    evidence = "time of day in the record, day of the fix before it"
    time = RawTime(basis, of_day + nearest_day * DAY_S, 0.0, resolution_s=1.0, header="K time", evidence=evidence)
    fingerprint = f"{_fingerprint(records, times)} slow {'+'.join(e.code for e in records.slow_extensions)}"
    track, disorder = sort_track(RawTrack(time, tuple(columns), row, kind="slow", fingerprint=fingerprint))
    return [track], findings + disorder


def _fingerprint(records: Records, times: FixTimes) -> str:
    codes = "+".join(e.code for e in records.fix_extensions) or "-"
    return f"igc {records.maker} {records.headers.get('FTY', '-')} {codes} {10.0**-times.decimals:g}s"


def _time_findings(records: Records, times: FixTimes) -> list[Finding]:
    out = []
    if not times.dated:
        out.append(Finding("DATE_MISSING", "no header record names the date", "doubt"))
    if records.odd_dates:
        text = "the date header has neither of the two standard forms"
        out.append(Finding("NONSTANDARD_DATE_HEADER", text, "note", name_lines(records.odd_dates)))
    for fix in times.midnights:
        text = f"fix {fix + 1} is past midnight; one day was added"
        out.append(Finding("MIDNIGHT_ROLLOVER", text, "note", name_lines([records.fixes[fix][0]])))
    leap = _leap_lines(records)
    if leap:
        out.append(Finding("LEAP_SECOND", "second 60 was kept", "note", name_lines(leap), len(leap)))
    return out


def _structure_findings(records: Records) -> list[Finding]:
    out = []

    def note(code: str, text: str, lines: list[int], level: Level, count: int | None = None) -> None:
        if lines:
            out.append(Finding(code, text, level, name_lines(lines), len(lines) if count is None else count))

    note("ROW_DROPPED", "not a whole record", records.dropped_lines, "doubt")
    note("UNKNOWN_SENTENCE", "lines of no known record were skipped", records.unknown, "note")
    note("TRUNCATED_LAST_LINE", "the file ends inside a fix", [records.cut] if records.cut else [], "note")
    binary = sum(count for _, count in records.binary)
    note("BINARY_BYTES", "lines with bytes that are not text", [n for n, _ in records.binary], "doubt", binary)
    return out


def _ledger(records: Records, rows: int, times: FixTimes) -> dict[str, Any]:
    not_rows = {f"{kind} records": count for kind, count in sorted(records.others.items())}
    not_rows["E records"] = len(records.events)
    not_rows["unknown lines"] = len(records.unknown)
    if records.slow and not records.slow_extensions:
        not_rows["K records without a J record"] = len(records.slow)
    return {
        "rows_in": records.lines,
        "rows_out": rows,
        "rows_dropped": records.dropped.count,
        "rows_repaired": 0,
        "dropped_lines": records.dropped.as_json(),
        "not_rows": not_rows,
        "encoding": "latin-1",
        "evidence": {
            "date": "header record" if times.dated else "none",
            "altitude datum": records.headers.get("ALG", "not stated"),
        },
    }


def _metadata(records: Records) -> dict[str, str]:
    out = {subject: text for subject, text in records.headers.items() if text}
    out["recorder"] = records.maker
    if records.events:
        out["events"] = "; ".join(f"{text[1:7]} {text[7:].strip()}" for _, text in records.events)
    return out
