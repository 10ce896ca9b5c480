"""A Recording: what every adapter's files become and what every detector reads.

All times are float64 seconds since `Recording.start_utc`, the only time zero there is.
All numbers are float64 in the SI unit the vocabulary gives; a missing sample is NaN (text: None).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .errors import ChannelError
from .findings import Finding
from .spill import keep_large
from .vocabulary import CHANNELS, meaning_of

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Clock:
    """How a recorder's own time was brought to UTC.

    utc = reading - zone - offset_s - drift_ppm * 1e-6 * (seconds since the recording's start).
    A positive offset is a recorder that runs ahead. Uncertainties are one standard deviation;
    None means 'not resolved', and then the value is zero by assumption, not by measurement.
    """

    basis: str  # utc | gps | local | elapsed | time_of_day
    zone_s: float = 0.0
    offset_s: float = 0.0
    offset_uncertainty_s: float | None = None
    drift_ppm: float = 0.0
    drift_uncertainty_ppm: float | None = None
    reference: str | None = None  # name of the track it was compared with
    channel: str | None = None  # shared channel or response the comparison used
    evidence: str = ""


@dataclass(frozen=True, slots=True)
class Source:
    """One file as it came, and everything decided while reading it.

    `ledger` holds plain JSON values: rows_in, rows_out, rows_dropped, rows_repaired, lines of the
    dropped ones, encoding, delimiter, decimal, date order, zone, sentinel tokens, with evidence.
    """

    file: str  # path relative to the sortie's folder, '/' between parts
    sha256: str
    bytes: int
    adapter: str
    adapter_version: int
    instrument: str  # fingerprint of the layout: same recorder, same software, same text
    clock: Clock
    ledger: Mapping[str, Any] = field(default_factory=dict)


@keep_large("values")
@dataclass(frozen=True, eq=False)
class Column:
    """One channel's samples in one track.

    values: float64 of shape (n,), or object of shape (n,) holding str or None.
    unit: SI unit, None for text and for raw channels of unknown unit.
    step: the recorder's own resolution in SI units, None when not known.
    """

    name: str
    values: NDArray[Any]
    unit: str | None
    source_name: str
    source_unit: str | None = None
    step: float | None = None
    derived_from: tuple[str, ...] = ()

    @property
    def is_text(self) -> bool:
        """True when the column holds words."""
        return self.values.dtype == object


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """Samples that share one clock: one recorder's session or sessions, one Parquet file.

    time_s: float64 of shape (n,), never falling. row: int64 of shape (n,), line or record number
    in the source file; source_index: int16 of shape (n,), which of `sources` the row came from.
    """

    name: str
    time_s: Floats
    columns: Mapping[str, Column]
    sources: tuple[Source, ...]
    row: NDArray[np.int64]
    source_index: NDArray[np.int16]
    found: dict[Any, Any] = field(default_factory=dict, init=False, repr=False)  # what was asked of the track before

    @property
    def median_step_s(self) -> float:
        """Median time between rows; infinity for a single row. Found once: it is asked for with every channel."""
        if "step_s" not in self.found:
            self.found["step_s"] = float(np.median(np.diff(self.time_s))) if len(self.time_s) > 1 else float("inf")
        return float(self.found["step_s"])


@dataclass(frozen=True, slots=True)
class TestCard:
    """What the crew wrote down, SI. None where the card is silent."""

    aircraft: str | None = None
    purpose: str | None = None
    take_off_mass_kg: float | None = None
    take_off_fuel_kg: float | None = None
    cg_m: float | None = None
    altimeter_setting_pa: float | None = None
    field_elevation_m: float | None = None
    notes: tuple[str, ...] = ()
    planned_points: tuple[Mapping[str, Any], ...] = ()
    other: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """One sortie, all recorders on one clock.

    `main` names the track whose clock and rate the frame follows (the one with the airspeed).
    """

    sortie_id: str
    start_utc: dt.datetime
    tracks: tuple[Track, ...]
    main: str
    card: TestCard = TestCard()
    sources: tuple[Source, ...] = ()  # every file of the folder, also those without samples
    findings: tuple[Finding, ...] = ()

    def track(self, name: str) -> Track:
        """The track of that name. Raises ChannelError when there is none."""
        for track in self.tracks:
            if track.name == name:
                return track
        raise ChannelError(
            "no such track", found=repr(name), allowed=", ".join(t.name for t in self.tracks), where=self.sortie_id
        )

    def holders(self, channel: str) -> tuple[Track, ...]:
        """Tracks that hold the channel, the main one first, then by falling rate."""
        found = [t for t in self.tracks if channel in t.columns]
        return tuple(sorted(found, key=lambda t: (t.name != self.main, t.median_step_s, t.name)))

    def channels(self) -> tuple[str, ...]:
        """Names of all canonical channels in any track, in vocabulary order, then raw ones."""
        names = {name for t in self.tracks for name in t.columns}
        known = [n for n in names if meaning_of(n)]
        return tuple(sorted(known, key=_vocabulary_order)) + tuple(sorted(names - set(known)))


_ORDER = {name: position for position, name in enumerate(CHANNELS)}


def _vocabulary_order(name: str) -> tuple[int, int, str]:
    entry = meaning_of(name)
    return (_ORDER[entry.name] if entry else len(_ORDER), len(name), name)  # length: number 10 after number 2
