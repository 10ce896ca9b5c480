"""The date the user gave for one file that has none: told apart by the file's content, not by its name."""

from __future__ import annotations

import dataclasses
import datetime as dt

from ..shared.errors import SettingsError
from ..shared.settings import InstrumentProfile
from .raw import RawFile, RawTime
from .text.counts import week_start

_MARK = 16  # digits of the sha256 that name a file in the settings
_EPOCH = dt.date(1970, 1, 1)


def mark_of(sha256: str) -> str:
    """What a file is called under `dates` of a profile."""
    return sha256[:_MARK]


def date_file(raw: RawFile, profile: InstrumentProfile | None) -> RawFile:
    """The file with the date or start its profile gives for this very content; unchanged without one.

    Raises SettingsError for a date that cannot be read.
    """
    told = profile.dates.get(mark_of(raw.file.sha256)) if profile is not None and profile.dates else None
    if told is None:
        return raw
    tracks = tuple(dataclasses.replace(track, time=_dated(track.time, told)) for track in raw.tracks)
    findings = tuple(f for f in raw.findings if f.code != "DATE_MISSING")
    return dataclasses.replace(raw, tracks=tracks, findings=findings)


def read_moment(text: str) -> dt.date | dt.datetime:
    """'2031-03-14' or '2031-03-14T09:26:40Z'. Raises SettingsError for anything else."""
    try:
        if len(text) == 10:
            return dt.date.fromisoformat(text)
        moment = dt.datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise SettingsError(
            "no such date",
            found=repr(text),
            allowed='a date "2031-03-14", or a start with its zone "2031-03-14T09:26:40Z"',
        )
    return moment


def _week_dated(time: RawTime, moment: dt.date | dt.datetime, why: str) -> RawTime:
    """Seconds of a week that the user's date tells; unchanged when they do not fall on that day."""
    zero = week_start(moment.date() if isinstance(moment, dt.datetime) else moment, float(time.seconds[0]))
    if zero is None:
        return time
    return dataclasses.replace(time, basis="gps", seconds=time.seconds + zero, evidence=why, of_week=False)


def _dated(time: RawTime, told: str) -> RawTime:
    moment = read_moment(told)
    why = f"{time.evidence}; the user says {told}".lstrip("; ")
    if time.basis == "time_of_day":
        day = (moment.date() if isinstance(moment, dt.datetime) else moment).toordinal() - _EPOCH.toordinal()
        return dataclasses.replace(time, basis="local", seconds=time.seconds + day * 86400.0, evidence=why)
    if time.of_week:
        return _week_dated(time, moment, why)
    if time.basis == "elapsed" and time.start is None and isinstance(moment, dt.datetime):
        return dataclasses.replace(time, start=moment, evidence=why)
    return time
