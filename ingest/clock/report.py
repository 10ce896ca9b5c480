"""What clock comparison has to say, as findings."""

from __future__ import annotations

import numpy as np

from ...shared.findings import Finding
from ...shared.recording import Track
from .compare import Estimate
from .pieces import Piece

SCALES = {18: "the satellite scale (GPS), 18 leap seconds ahead of UTC", 37: "atomic time (TAI), 37 s ahead of UTC"}
NEAR_WHOLE_S = 0.5


def report_reference(name: str) -> Finding:
    """No satellite time in the sortie: one recorder's clock stands for UTC unchecked."""
    return Finding(
        "CLOCK_UNRESOLVED",
        f"no satellite time in this sortie: the clock of {name} is the reference, its own error is unknown",
        where=name,
        facts={"reference": name},
    )


def report_lag(track: Track, lag_s: float) -> Finding:
    """A receiver whose data come later than another receiver's."""
    return Finding(
        "LAG_SUSPECTED",
        f"positions of {track.name} come {lag_s:.2f} s later than those of the quickest receiver; stamps were not changed",
        where=track.name,
        facts={"lag_s": round(lag_s, 3)},
    )


def report_disagreement(track: Track, other: Track, seconds: float) -> Finding:
    """Two receivers whose UTC differ: one of them counts leap seconds wrongly or is not in UTC."""
    text = f"satellite times of {track.name} and {other.name} differ by {seconds:+.1f} s; {other.name} was believed"
    return Finding("CLOCK_UNRESOLVED", text, "doubt", where=track.name, facts={"seconds": round(seconds, 3)})


def report_piece(track: Track, piece: Piece, found: Estimate | None) -> list[Finding]:
    """Offset and drift of one stretch, or that they could not be told."""
    where = track.sources[piece.source].file
    start, stop = _limits(track, piece)
    if found is None:
        text = f"{track.name}: no other recorder tells how this clock stands; its stamps were kept"
        return [Finding("CLOCK_UNRESOLVED", text, "doubt", where, start_s=start, stop_s=stop)]
    line, uncertainty_s = found.line, found.uncertainty_s
    out = []
    drift = (
        f"drift {line.drift_ppm:+.0f} +/- {line.drift_uncertainty_ppm:.0f} ppm"
        if line.drift_ppm
        else f"drift not resolved (within {2 * line.drift_uncertainty_ppm:.0f} ppm)"
    )
    facts = {
        "seconds": round(line.offset_s, 4),
        "uncertainty_s": round(uncertainty_s, 4),
        "ppm": round(line.drift_ppm, 2),
        "uncertainty_ppm": round(line.drift_uncertainty_ppm, 2),
        "reference": found.reference,
        "channel": found.channel,
    }
    if abs(line.offset_s) > 2 * uncertainty_s:
        text = f"{track.name}: clock {line.offset_s:+.2f} +/- {uncertainty_s:.2f} s against {found.reference} ({found.evidence}); {drift}; corrected"
        out.append(Finding("CLOCK_OFFSET", text, where=where, start_s=start, stop_s=stop, facts=facts))
    if line.drift_ppm:
        out.append(
            Finding("CLOCK_DRIFT", f"{track.name}: clock {drift}", where=where, start_s=start, stop_s=stop, facts=facts)
        )
    out.extend(_report_scale(where, line.offset_s, uncertainty_s))
    return out


def _report_scale(where: str, offset_s: float, uncertainty_s: float) -> list[Finding]:
    for whole, name in SCALES.items():
        if abs(offset_s - whole) < min(NEAR_WHOLE_S, 3 * uncertainty_s) and uncertainty_s < NEAR_WHOLE_S:
            text = f"clock is {offset_s:.1f} +/- {uncertainty_s:.1f} s ahead: stamps look like {name}; corrected"
            facts = {"offset_s": whole, "measured_s": round(offset_s, 3)}
            return [Finding("GPS_NOT_UTC", text, "doubt", where, facts=facts)]
    return []


def report_assumed(track: Track, piece: Piece) -> Finding:
    """A stretch beside a gap that is too short or too quiet to be compared on its own."""
    start, stop = _limits(track, piece)
    where = track.sources[piece.source].file
    text = f"{track.name}: {stop - start:.0f} s of rows beside a gap cannot be compared on their own; the clock is taken to have gone on"
    return Finding("CLOCK_UNRESOLVED", text, "doubt", where, start_s=start, stop_s=stop)


def report_open_jump(track: Track, piece: Piece) -> Finding:
    """Stamps that jump ahead where neither missing rows nor a set clock can be shown."""
    start, stop = _limits(track, piece)
    where = track.sources[piece.source].file
    text = (
        f"{track.name}: stamps jump ahead by {piece.jump_s:.1f} s; whether rows are missing there or the clock was set "
        f"cannot be told; {'taken as set' if piece.set_here else 'rows are taken as missing'}"
    )
    facts = {"seconds": round(piece.jump_s, 3)}
    return Finding("CLOCK_UNRESOLVED", text, "doubt", where, start_s=start, stop_s=stop, facts=facts)


def report_step(
    track: Track, before: tuple[Piece, Estimate | None], after: tuple[Piece, Estimate | None]
) -> list[Finding]:
    """The clock was set between two stretches of one file."""
    stamped = after[0].set_s - before[0].set_s
    compared = 0.0
    at = _limits(track, after[0])[0]
    if before[1] is not None and after[1] is not None and before[1] is not after[1]:
        here = np.array([at - after[0].set_s])
        compared = float((after[1].line.error_at(here) - before[1].line.error_at(here))[0])
    seconds = stamped + compared
    if seconds == 0.0:
        return []
    text = f"{track.name}: the clock was set by {seconds:+.1f} s during the recording; rows put on without a break"
    facts = {"seconds": round(seconds, 3)}
    return [
        Finding("CLOCK_STEP", text, "doubt", track.sources[after[0].source].file, start_s=at, stop_s=at, facts=facts)
    ]


def _limits(track: Track, piece: Piece) -> tuple[float, float]:
    stamps = track.time_s[piece.index]
    return float(stamps.min()), float(stamps.max())
