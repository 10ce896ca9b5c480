"""Which altitude is it? What the other recorders tell about one whose datum is not stated.

A satellite altitude that equals another receiver's is named after it: nothing rests on it but
pictures and landings. An altitude that may be a pressure altitude is only compared and asked about:
all performance rests on it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..shared.findings import Finding
from ..shared.frame import sample_column
from ..shared.physics.atmosphere import pressure_altitude_from_baro
from ..shared.recording import Column, Track

Floats = NDArray[np.float64]

_NAMED = ("gnss_altitude", "gnss_ellipsoid_altitude")
_SAME_M = 8.0  # satellite altitudes of two receivers; a geoid differs by more nearly everywhere
_FIT_M = 5.0
_FEWEST = 5


def name_satellite_altitudes(tracks: Sequence[Track]) -> tuple[tuple[Track, ...], tuple[Finding, ...]]:
    """Tracks with every `gnss_unnamed_altitude` named that one other receiver's altitude explains."""
    out, findings = [], []
    for track in tracks:
        named = _explained_by(track, tracks)
        if named is None:
            out.append(track)
            continue
        name, other, difference = named
        old = track.columns["gnss_unnamed_altitude"]
        columns = {(name if key == "gnss_unnamed_altitude" else key): column for key, column in track.columns.items()}
        columns[name] = dataclasses.replace(old, name=name)
        out.append(dataclasses.replace(track, columns=columns))
        text = f"{old.source_name} of {track.name} is taken as {name}: within {difference:.1f} m of {other}'s"
        facts = {"header": old.source_name, "channel": name}
        findings.append(Finding("CHANNEL_INFERRED", text, where=track.sources[0].file, facts=facts))
    return tuple(out), tuple(findings)


def _explained_by(track: Track, tracks: Sequence[Track]) -> tuple[str, str, float] | None:
    """(channel, other track, median distance in m) when exactly one kind of altitude fits."""
    if "gnss_unnamed_altitude" not in track.columns or any(name in track.columns for name in _NAMED):
        return None
    fits: dict[str, tuple[float, str]] = {}
    for other in tracks:
        for name in _NAMED:
            if other.name == track.name or name not in other.columns:
                continue
            difference = _difference(track, track.columns["gnss_unnamed_altitude"], other, other.columns[name])
            if len(difference) >= _FEWEST and abs(float(np.median(difference))) < _SAME_M:
                fits.setdefault(name, (abs(float(np.median(difference))), other.name))
    if len(fits) != 1:
        return None
    ((name, (distance, holder)),) = fits.items()
    return name, holder, distance


def _difference(track: Track, column: Column, other: Track, theirs: Column) -> Floats:
    """Own less other, at the other recorder's times."""
    mine = np.asarray(sample_column(track, column.name, other.time_s), dtype=np.float64)
    gap = mine - theirs.values
    return np.asarray(gap[np.isfinite(gap)], dtype=np.float64)


def explain_altitudes(findings: Sequence[Finding], tracks: Sequence[Track]) -> tuple[Finding, ...]:
    """Every ALT_DATUM_UNKNOWN with what comparison with the known pressure altitudes shows."""
    return tuple(_explain(f, tracks) if f.code == "ALT_DATUM_UNKNOWN" else f for f in findings)


def _explain(finding: Finding, tracks: Sequence[Track]) -> Finding:
    track = next((t for t in tracks if any(s.file == finding.where for s in t.sources)), None)
    if track is None or "unnamed_altitude" not in track.columns:
        return finding
    notes = []
    for other in tracks:
        for what, values in _pressure_altitudes(other):
            note = None if other.name == track.name else _compare(track, other, values)
            if note is not None:
                notes.append(f"{note} {what} of {other.sources[0].file}")
    if not notes:
        return finding
    facts = {**finding.facts, "comparison": notes}
    return dataclasses.replace(finding, text=f"{finding.text}; {'; '.join(notes)}", facts=facts)


def _pressure_altitudes(track: Track) -> list[tuple[str, Floats]]:
    """What a track knows for certain of pressure altitude, recorded or from its own altimeter setting."""
    out = []
    if "pressure_altitude" in track.columns:
        out.append(("the pressure altitude", track.columns["pressure_altitude"].values))
    if {"baro_altitude", "altimeter_setting"} <= set(track.columns):
        setting = track.columns["altimeter_setting"].values
        values = pressure_altitude_from_baro(track.columns["baro_altitude"].values, setting)
        out.append(("the pressure altitude by the altimeter setting", np.asarray(values)))
    return out


def _compare(track: Track, other: Track, theirs: Floats) -> str | None:
    mine = np.asarray(sample_column(track, "unnamed_altitude", other.time_s), dtype=np.float64)
    known = np.isfinite(mine) & np.isfinite(theirs)
    if known.sum() < _FEWEST:
        return None
    gap = float(np.median(mine[known] - theirs[known]))
    scatter = float(np.median(np.abs(mine[known] - theirs[known] - gap)))
    if abs(gap) < _FIT_M and scatter < _FIT_M:
        return f"it lies within {abs(gap) + scatter:.1f} m of"
    slope = float(np.polyfit(theirs[known], mine[known], 1)[0]) if np.ptp(theirs[known]) > 30 else None
    steeper = f", changing {slope:.3f} times as much," if slope is not None else ""
    return f"it lies {gap:+.0f} m (scatter {scatter:.1f} m){steeper} from"
