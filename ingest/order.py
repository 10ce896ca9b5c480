"""A satellite record's rows in time order, and what was wrong with their order."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np

from ..shared.findings import Finding
from .raw import RawTrack
from .timeline import find_duplicates, find_gaps, sort_track, spread_equal_stamps


def put_in_order(track: RawTrack, leap_lines: Collection[int] = ()) -> tuple[RawTrack, list[Finding]]:
    """The track sorted by time (stable), stamps coarser than the rows spread, and the findings.

    leap_lines: lines with second 60. Such a row shares its stamp with the next second by right: it is no duplicate.
    """
    track, findings = sort_track(track)
    leap = np.isin(track.row, list(leap_lines))
    spread: list[Finding] = []
    if not leap.any():
        time = track.time
        seconds, resolution, spread = spread_equal_stamps(time.seconds, track.row, time.resolution_s)
        track = replace(track, time=replace(time, seconds=seconds, resolution_s=resolution))
    doubles = [] if any(f.level == "doubt" for f in spread) else find_duplicates(track, leap)
    return track, [*findings, *spread, *doubles, *find_gaps(track)]
