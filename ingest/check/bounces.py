"""Switches that bounce: several edges within a moment."""

from __future__ import annotations

import numpy as np

from ...shared.findings import Finding
from ...shared.recording import Track
from .places import channel_facts, channel_where, number_columns

BOUNCE_S = 1.0  # edges nearer than this belong to one movement (common practice, no source)


def find_bounces(track: Track) -> list[Finding]:
    """SWITCH_BOUNCE for every two-valued channel with three or more edges within a second of each other."""
    out = []
    for column, entry in number_columns(track):
        if entry.reduction != "last" or entry.kind != "count" or entry.high > 1:
            continue
        known = np.flatnonzero(np.isfinite(column.values))
        edges = known[1:][np.diff(column.values[known]) != 0]
        if len(edges) < 3:
            continue
        times = track.time_s[edges]
        near = np.diff(times) < BOUNCE_S
        groups = np.split(np.arange(len(edges)), np.flatnonzero(~near) + 1)
        bouncing = [g for g in groups if len(g) >= 3]
        if not bouncing:
            continue
        first = bouncing[0]
        settle = max(float(times[g[-1]] - times[g[0]]) for g in bouncing)
        text = f"{track.name}: {column.source_name} bounced {len(bouncing)} time(s), longest for {settle:.2f} s; its first edge counts"
        facts = channel_facts(track, column, settling_s=settle, edges=int(sum(len(g) for g in bouncing)))
        where = channel_where(track, column, int(track.row[edges[first[0]]]))
        start, stop = float(times[first[0]]), float(times[bouncing[-1][-1]])
        out.append(Finding("SWITCH_BOUNCE", text, "note", where, len(bouncing), start, stop, facts))
    return out
