"""Rows that are missing, where the file's reader has not told already."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from ...shared.findings import Finding
from ...shared.frame import gap_limit_s
from ...shared.recording import Track

LISTED = 50


def find_gaps(track: Track, told: Collection[Finding]) -> list[Finding]:
    """One GAP finding for every source of the track with missing rows; between sources the recorder was off."""
    out = []
    limit = gap_limit_s(track)
    for number, source in enumerate(track.sources):
        if any(f.code == "GAP" and f.where is not None and source.file in f.where for f in told):
            continue
        index = np.flatnonzero(track.source_index == number)
        time_s = track.time_s[index]
        steps = np.diff(time_s)
        gaps = np.flatnonzero(steps > limit)
        if not len(gaps):
            continue
        usual = float(np.median(steps[steps > 0]))
        missing = int(np.maximum(np.rint(steps[gaps] / usual) - 1, 0).sum())
        listed = [{"start_s": float(time_s[k]), "length_s": float(steps[k])} for k in gaps[:LISTED]]
        rows = track.row[index]
        where = f"{source.file} between lines {rows[gaps[0]]} and {rows[gaps[0] + 1]}"
        text = (
            f"{track.name}: {len(gaps)} gap(s), the longest {steps[gaps].max():.1f} s; nothing is measured across a gap"
        )
        facts = {"track": track.name, "missing_rows": missing, "gaps": listed}
        start, stop = float(time_s[gaps[0]]), float(time_s[gaps[-1] + 1])
        out.append(Finding("GAP", text, "note", where, len(gaps), start, stop, facts))
    return out
