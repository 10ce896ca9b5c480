"""Rows that come more evenly than their whole-second stamps say.

A recorder that writes about one row a second and stamps it with whole seconds skips a second now
and then, or writes one twice, as its sampling and its clock slip against each other. The rows
themselves are evenly spaced: a straight line through stamp against row number, never more than a
stamp's step away from it, is nearer the truth than the stamps.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ...shared.findings import Finding
from ...shared.recording import Floats, Track
from .pieces import take_rows

WHOLE_SHARE = 0.7
LEAST_ROWS = 60
LARGEST_PPM = 800.0
USUAL_PPM = 150.0  # drift of one clock against another, one standard deviation (common practice, no source)
SLACK_S = 0.1  # rows themselves jitter a little
WORTH_S = 0.3


def even_rows(track: Track) -> tuple[Track, Finding | None]:
    """The track with evenly spaced rows where its stamps are as coarse as its rate; else as it was."""
    time_s = track.time_s.copy()
    worst = 0.0
    for source in range(len(track.sources)):
        index = np.flatnonzero(track.source_index == source)
        index = index[np.argsort(track.row[index], kind="stable")]
        for part in _parts(track.time_s, index):
            even = _line(track.time_s[part])
            if even is not None:
                worst = max(worst, float(np.abs(even - track.time_s[part]).max()))
                time_s[part] = even
    if worst < WORTH_S:
        return track, None
    text = (
        f"{track.name}: rows come evenly while stamps are whole seconds; times follow the rows, by up to {worst:.1f} s"
    )
    where = track.sources[0].file if track.sources else track.name
    order = np.argsort(time_s, kind="stable")
    moved = take_rows(replace(track, time_s=time_s), order, time_s[order])
    return moved, Finding(
        "COARSE_TIMESTAMP", text, "note", where, facts={"track": track.name, "moved_s": round(worst, 3)}
    )


def _parts(time_s: Floats, index: np.ndarray) -> list[np.ndarray]:
    """Rows between falls and gaps of three steps or more."""
    if len(index) < LEAST_ROWS:
        return []
    steps = np.diff(time_s[index])
    usual = float(np.median(steps))
    cuts = np.flatnonzero((steps < -0.5 * usual) | (steps > 2.5 * usual)) + 1
    return [part for part in np.split(index, cuts) if len(part) >= LEAST_ROWS]


def _line(stamps: Floats) -> Floats | None:
    usual = float(np.median(np.diff(stamps)))
    step = round(usual)
    if step < 1 or abs(usual - step) > 1e-3:
        return None
    phase = float(np.median(stamps % 1.0))
    whole = np.abs((stamps - phase + 0.5) % 1.0 - 0.5) < 1e-3  # rows a reader spread inside a second bind nothing
    if np.mean(whole) < WHOLE_SHARE:
        return None
    rows = np.arange(len(stamps), dtype=np.float64)
    missing = np.concatenate([[0.0], np.cumsum(np.maximum(np.rint(np.diff(stamps) / step), 1.0))])
    for number in (rows, missing):  # a step of two seconds: one was skipped, or a row is missing
        found = _likely_line(number[whole] * step, stamps[whole] - stamps[0])
        if found is not None:
            line = stamps[0] + number * step * (1.0 + found[0]) + found[1]
            return np.asarray(line - np.mean(line - stamps))
    return None


def _likely_line(even: Floats, stamps: Floats) -> tuple[float, float] | None:
    """Drift and phase (s) of the likeliest line that every stamp allows; None when none does.

    A whole-second stamp says: the clock read this second, or up to one more. For every drift the
    lines within all these bounds leave some room for the phase; drifts are weighed by that room
    and by what quartz clocks do.
    """
    ahead = stamps - even
    drifts = np.linspace(-LARGEST_PPM, LARGEST_PPM, 161) * 1e-6
    low = np.array([np.max(ahead - SLACK_S - drift * even) for drift in drifts])
    high = np.array([np.min(ahead + 1.0 + SLACK_S - drift * even) for drift in drifts])
    weight = np.maximum(high - low, 0.0) * np.exp(-0.5 * (drifts / (USUAL_PPM * 1e-6)) ** 2)
    if weight.sum() <= 0:
        return None
    drift = float(np.sum(weight * drifts) / weight.sum())
    phase = float(np.sum(weight * 0.5 * (low + high)) / weight.sum())
    return drift, phase
