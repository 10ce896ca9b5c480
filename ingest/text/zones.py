"""The zone of civil stamps: stated offsets, words, names; summer time decided once per file."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from numpy.typing import NDArray

from ...shared.errors import SettingsError
from ...shared.findings import Finding
from ..raw import TimeBasis
from ..timeline import rows_text

Floats = NDArray[np.float64]
_OFFSET = re.compile(r"(?i)^(?:utc|gmt)?\s*([+-])\s*(\d{1,2})(?::?(\d{2}))?$")
_EPOCH = dt.datetime(1970, 1, 1)


@dataclass(frozen=True)
class Zone:
    """What is known of a civil clock: basis 'utc' or 'local', its fixed offset or its zone's name."""

    basis: TimeBasis
    offset_s: float | None = None
    name: str | None = None
    because: str = ""


def read_offset(text: str) -> float | None:
    """Seconds from UTC of '+02:00', 'UTC-5', '+0930'; None for anything else."""
    match = _OFFSET.match(text.strip())
    if match is None:
        return None
    size = int(match[2]) * 3600.0 + int(match[3] or 0) * 60.0
    return -size if match[1] == "-" else size


def is_zone_name(text: str) -> bool:
    """True for a zone of the time zone database."""
    try:
        ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


def parse_zone(text: str, where: str) -> Zone:
    """'UTC', '+02:00', 'UTC+2' or an IANA name. Raises SettingsError for anything else."""
    if text.strip().upper() in ("UTC", "Z", "GMT"):
        return Zone("utc", 0.0, None, "stated by the user")
    offset = read_offset(text)
    if offset is not None:
        return Zone("local", offset, None, "stated by the user")
    try:
        ZoneInfo(text.strip())
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise SettingsError(
            "unknown zone", where=where, found=repr(text), allowed='"UTC", "+02:00" or a name such as "Europe/Vienna"'
        ) from None
    return Zone("local", None, text.strip(), "stated by the user")


def _offset_at(zone: ZoneInfo, second: float, fold: int = 0) -> float:
    civil = (_EPOCH + dt.timedelta(seconds=float(second))).replace(tzinfo=zone, fold=fold)
    shift = civil.utcoffset()
    return shift.total_seconds() if shift is not None else 0.0


def settle_named_zone(seconds: Floats, row: NDArray[np.int64], name: str) -> tuple[Floats, float, list[Finding]]:
    """Civil seconds of a clock in a named zone -> (seconds of a clock with one fixed offset, that offset, findings).

    Stamps the zone skips prove a clock that was not changed: one fixed offset for the whole file.
    An hour that comes twice is told apart by rising time. A clock that was changed is carried on in
    the offset of its first row.
    """
    zone = ZoneInfo(name)
    day_starts = np.arange(seconds.min() - 86400.0, seconds.max() + 2 * 86400.0, 3600.0)
    offsets = np.array([_offset_at(zone, s) for s in day_starts])
    first = _offset_at(zone, float(seconds[0]))
    if (offsets == offsets[0]).all():
        return seconds, first, []
    skipped = _skipped(seconds, zone)
    if skipped.any():
        sign = "-" if first < 0 else "+"
        text = (
            f"{int(skipped.sum())} stamps do not exist in {name}: the clock was not changed; "
            f"one fixed offset UTC{sign}{abs(first) / 3600:g} for the whole file"
        )
        return seconds, first, [Finding("DST_GAP", text, "doubt", rows_text(row[skipped]), int(skipped.sum()))]
    falls = np.flatnonzero(np.diff(seconds) < -1800.0) + 1
    out = seconds.copy()
    findings = []
    for k in falls:
        early, late = _offset_at(zone, float(seconds[k])), _offset_at(zone, float(seconds[k]), fold=1)
        if early > late:
            out[k:] += early - late
            text = f"the clock went back at the end of summer time in {name}; the hour's rows were told apart by rising time"
            findings.append(Finding("DST_FOLD", text, "note", rows_text([row[k]])))
    later = np.array([_offset_at(zone, s) for s in (seconds[0], seconds[-1])])
    if later[1] > later[0] and not len(falls):  # clock went forward between two rows
        jump = np.flatnonzero(np.array([_offset_at(zone, float(s)) for s in seconds]) > later[0])
        if len(jump):
            out[jump[0] :] -= later[1] - later[0]
    return out, first, findings


def _skipped(seconds: Floats, zone: ZoneInfo) -> NDArray[np.bool_]:
    """True for civil times the zone's spring change leaves out."""
    hours = np.unique(np.floor(seconds / 900.0)) * 900.0
    bad = []
    for start in hours:
        offset = _offset_at(zone, float(start))
        back = _offset_at_utc(zone, float(start) - offset)
        if offset != back:
            bad.append(start)
    return np.isin(np.floor(seconds / 900.0) * 900.0, np.array(bad))


def _offset_at_utc(zone: ZoneInfo, second: float) -> float:
    moment = (_EPOCH + dt.timedelta(seconds=second)).replace(tzinfo=dt.UTC).astimezone(zone)
    shift = moment.utcoffset()
    return shift.total_seconds() if shift is not None else 0.0
