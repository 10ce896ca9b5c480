"""The GPX adapter: track points as one row each."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...shared.errors import ClockError, ParseError
from ...shared.findings import Finding
from ...shared.settings import InstrumentProfile
from ..lines import DroppedLines, name_lines
from ..order import put_in_order
from ..raw import Claim, LogFile, RawColumn, RawFile, RawTime, RawTrack
from .points import Point, Points, read_points
from .times import read_stamp

_ROOT = re.compile(rb"<(?:\w+:)?gpx[\s>]")
_TOO_LONG = 200
NEWLINE = b"\n"
Floats = NDArray[np.float64]


class Gpx:
    """Adapter for GPX 1.0 and 1.1 tracks. Waypoints and routes are plans and are counted only."""

    name = "GPX"
    version = 1

    def claims(self, file: LogFile) -> Claim:
        """Yes when a gpx element opens in the head."""
        if _ROOT.search(file.head.replace(b"\0", b"")):  # UTF-16 has zeros between the letters
            return Claim(True, "a gpx element")
        return Claim(False, "no gpx element in the first 4 KiB")

    def read(self, file: LogFile, profile: InstrumentProfile | None) -> RawFile:
        """One 'gnss' track, UTC where the stamps state a zone, else the civil clock they show.

        Raises ParseError for broken or dangerous XML, ClockError when no point has a time.
        """
        found = read_points(file.content, file.name)
        if not found.points:
            raise ParseError("no complete track point", where=file.name, found=f"{found.others} route or way points")
        stamps = _stamps(file, found)
        rows = [found.points[i] for i in stamps.kept]
        columns, findings = _columns(rows, found)
        row = np.array([point.line for point in rows], dtype=np.int64)
        names = "+".join(sorted(column.header for column in columns))
        track = RawTrack(stamps.time, columns, row, kind="gnss", fingerprint=f"gpx {found.creator[:60]} {names}")
        track, disorder = put_in_order(track, [point.line for point in rows if point.fields["time"][16:19] == ":60"])
        findings += [*stamps.findings, *disorder, *_broken(found), *_zero_bytes(file.content)]
        return RawFile(
            file=file,
            adapter=self.name,
            adapter_version=self.version,
            tracks=(track,),
            ledger=_ledger(found, stamps, len(rows)),
            findings=tuple(findings),
            metadata={"version": found.version, "creator": found.creator},
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Stamps:
    """The file's time axis and the points that have a place on it."""

    time: RawTime
    kept: list[int]
    findings: list[Finding]
    dropped: DroppedLines


def _zero_bytes(content: bytes) -> list[Finding]:
    """Zero bytes behind the text, as a power loss leaves them; those of UTF-16 belong to its letters."""
    count = len(content) - len(content.rstrip(b"\0"))
    if count < 2:
        return []
    where = f"bytes after line {content.count(NEWLINE) + 1}"
    return [Finding("NUL_BYTES", f"{count} zero bytes behind the text were left out", "note", where, count)]


def _stamps(file: LogFile, found: Points) -> _Stamps:
    read = [read_stamp(point.fields.get("time", "")) for point in found.points]
    known = [stamp for stamp in read if stamp is not None]
    if not known:
        raise ClockError(
            "no time in the file: a plan, not a recording",
            where=file.name,
            code="NO_TIME_CHANNEL",
            found=f"{len(found.points)} points",
            do="export the recorded track, not the route",
        )
    zoned = [stamp for stamp in known if stamp[1] is not None]
    basis: Any = "utc" if zoned else "local"
    kept = [i for i, stamp in enumerate(read) if stamp is not None and (stamp[1] is not None or not zoned)]
    seconds = np.array([stamp[0] - (stamp[1] or 0.0) for stamp in (read[i] for i in kept) if stamp is not None])
    findings, dropped = _bad_stamps(found, set(kept))
    if not zoned:
        text = "the stamps state no zone"
        findings.append(Finding("TIME_ZONE_UNKNOWN", text, "doubt", facts={"candidates": ["UTC"]}))
    findings += _odd_seconds([found.points[i] for i in kept])
    zones = sorted({stamp[1] for stamp in zoned if stamp[1] is not None})
    evidence = f"zone offsets stated: {', '.join(f'{z / 3600:+g} h' for z in zones)}" if zones else "no zone stated"
    resolution = 10.0 ** -max(stamp[2] for stamp in known)
    time = RawTime(basis, seconds, 0.0 if zoned else None, None, resolution, "time", evidence)
    return _Stamps(time, kept, findings, dropped)


def _bad_stamps(found: Points, kept: set[int]) -> tuple[list[Finding], DroppedLines]:
    dropped = DroppedLines()
    for index, point in enumerate(found.points):
        if index not in kept:
            dropped.add(point.line, "no time, or none with a zone as the others", point.fields.get("time", ""))
    if not dropped.count:
        return [], dropped
    where = name_lines(line for line, _, _ in dropped.entries)
    return [Finding("BAD_STAMP", "points without a usable time were dropped", "doubt", where, dropped.count)], dropped


def _odd_seconds(points: list[Point]) -> list[Finding]:
    out = []
    for code, part, text in (("LEAP_SECOND", ":60", "second 60 was kept"), ("TIME_24H", "T24", "24:00:00 is next day")):
        lines = [p.line for p in points if part in (p.fields["time"][10:13], p.fields["time"][16:19])]
        if lines:
            out.append(Finding(code, text, "note", name_lines(lines), len(lines)))
    return out


def _columns(points: list[Point], found: Points) -> tuple[tuple[RawColumn, ...], list[Finding]]:
    latitude, latitude_step = _numbers([p.latitude for p in points])
    longitude, longitude_step = _numbers([p.longitude for p in points])
    fixed = np.array([p.fields.get("fix") != "none" for p in points], dtype=bool)
    fixed &= (np.abs(latitude) <= 90) & (np.abs(longitude) <= 180)
    findings = []
    if not fixed.all():
        lines = [p.line for p, good in zip(points, fixed, strict=True) if not good]
        text = "points without a valid position keep their time"
        findings.append(Finding("VOID_FIX", text, "note", name_lines(lines), len(lines)))
    columns = [
        RawColumn("lat", np.where(fixed, latitude, np.nan), "deg", "latitude", latitude_step),
        RawColumn("lon", np.where(fixed, longitude, np.nan), "deg", "longitude", longitude_step),
    ]
    names = dict.fromkeys(name for p in points for name in p.fields if name not in ("time", "fix"))
    for name in names:
        column, bad = _field(name, points, found)
        columns.append(column)
        if bad:
            text = f"{name} holds text"
            findings.append(Finding("TEXT_IN_NUMERIC", text, "doubt", name_lines(bad), len(bad)))
    return tuple(RawColumn(c.header, c.values, c.unit, c.channel, c.step, i) for i, c in enumerate(columns)), findings


def _field(name: str, points: list[Point], found: Points) -> tuple[RawColumn, list[int]]:
    """One child element as a column; an extension that holds mostly words stays text."""
    texts = [p.fields.get(name, "") for p in points]
    values, step = _numbers(texts)
    bad = [p.line for p, t, v in zip(points, texts, values, strict=True) if t and not math.isfinite(v)]
    unit, channel = _MEANING.get(name.removeprefix("ext:"), (None, None))
    if name.startswith("ext:") and name not in ("ext:speed", "ext:course"):
        unit, channel = None, None
    if name.endswith("speed") and not found.speed_unit_known:
        unit = None
    if channel is None and 2 * len(bad) > sum(bool(t) for t in texts):
        words = np.array([t[:_TOO_LONG] or None for t in texts], dtype=object)
        return RawColumn(name, words, None, None), []
    return RawColumn(name, values, unit, channel if unit else None, step), bad


# units by the GPX schema: metres, metres per second, degrees from true north
_MEANING: dict[str, tuple[str | None, str | None]] = {
    "ele": ("m", "gnss_unnamed_altitude"),  # the schema does not name the datum
    "speed": ("m/s", "ground_speed"),
    "course": ("deg", "track_true"),
    "sat": ("1", "satellites"),
    "hdop": ("1", "horizontal_dilution"),
    "geoidheight": ("m", "geoid_height"),
    "magvar": ("deg", None),  # 0 to 360 by the schema: its sign is not the vocabulary's
}


def _numbers(texts: list[str]) -> tuple[Floats, float]:
    values = np.array([_number(text) for text in texts])
    digits = max((len(t) - t.rfind(".") - 1 for t in texts if "." in t), default=0)
    return values, 10.0 ** -min(digits, 15)


def _number(text: str) -> float:
    try:
        value = float(text) if text and "_" not in text else math.nan
    except ValueError:
        return math.nan
    return value if math.isfinite(value) else math.nan


def _broken(found: Points) -> list[Finding]:
    if found.broken is None:
        return []
    line, ended = found.broken
    text = "the file ends inside an element" if ended else "the XML is damaged here and what follows is lost"
    return [Finding("TRUNCATED_XML", f"{text}; complete points were kept", "doubt", name_lines([line]))]


def _ledger(found: Points, stamps: _Stamps, rows: int) -> dict[str, Any]:
    dropped = stamps.dropped
    if found.open_line is not None:
        dropped.add(found.open_line, "incomplete point", "")
    return {
        "rows_in": found.started + found.others,
        "rows_out": rows,
        "rows_dropped": dropped.count,
        "rows_repaired": 0,
        "dropped_lines": dropped.as_json(),
        "not_rows": {"way points and route points": found.others},
        "evidence": {"time": stamps.time.evidence},
    }
