"""From one table to its tracks: a recorder that restarted inside the file makes a session of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from ..raw import RawTrack
from ..timeline import find_restarts, rows_text, settle_track, take_rows
from .axis import Axis
from .civil import start_of
from .notes import Notes
from .preamble import read_preamble


def split_sessions(
    track: RawTrack, axis: Axis, *, texts: Sequence[tuple[int, str]], delimiter: str, notes: Notes
) -> tuple[RawTrack, ...]:
    """One settled track per session; `texts` are the lines among the rows (line, text), which may state a new start."""
    starts = find_restarts(track.time.seconds) if axis.counts else []
    if axis.leap.any():
        leaps = track.row[axis.leap]
        notes.find("LEAP_SECOND", "second 60 was kept", where=rows_text(leaps), count=len(leaps))
    if starts:
        notes.find(
            "SESSION_RESTART",
            f"the recorder restarted {len(starts)} time(s) inside the file; the sessions are kept apart",
            level="doubt",
            where=rows_text(track.row[starts]),
            count=len(starts),
        )
    out = []
    for low, high in pairwise([0, *starts, len(track.row)]):
        piece = take_rows(track, slice(low, high)) if starts else track
        if low:
            before, first = int(track.row[low - 1]), int(track.row[low])
            said = [text for line, text in texts if before < line < first]
            start = start_of(read_preamble(said, delimiter)) if said else None
            piece = replace(piece, time=replace(piece.time, start=start))
        piece, findings = settle_track(piece, axis.leap[low:high])
        notes.findings.extend(findings)
        out.append(piece)
    return tuple(out)
