"""Switches that bounce: several edges within a moment."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...shared.findings import Finding
from ...shared.recording import Column, Track
from ...shared.vocabulary import meaning_of
from .places import channel_facts, channel_where, number_columns

BOUNCE_S = 1.0  # edges nearer than this belong to one movement (common practice, no source)


def _switches(track: Track) -> list[Column]:
    """Two-valued columns: numbers the vocabulary calls switches, and words of a channel it knows."""
    numbers = [c for c, e in number_columns(track) if e.reduction == "last" and e.kind == "count" and e.high <= 1]
    words = [c for c in track.columns.values() if c.is_text and not c.derived_from and meaning_of(c.name) is not None]
    return [*numbers, *(c for c in words if len({v for v in c.values if v is not None}) == 2)]


def _states(column: Column) -> tuple[NDArray[np.int64], NDArray[Any]]:
    """Indices of the known samples, and their values."""
    if column.is_text:
        known = np.flatnonzero([v is not None for v in column.values])
    else:
        known = np.flatnonzero(np.isfinite(column.values))
    return known.astype(np.int64), column.values[known]


def find_bounces(track: Track) -> list[Finding]:
    """SWITCH_BOUNCE for every two-valued channel with three or more edges within a second of each other."""
    out = []
    for column in _switches(track):
        known, states = _states(column)
        edges = known[1:][states[1:] != states[:-1]]
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
