"""Rows that come more evenly than their whole-second stamps say.

A recorder that writes about one row a second and stamps it with whole seconds skips a second now
and then, or writes one twice, as its sampling and its clock slip against each other. The rows
themselves are evenly spaced: a straight line through stamp against row number, never more than a
stamp's step away from it, is nearer the truth than the stamps (on simulated engine monitors 0.02 s
of scatter are left of 0.25 to 0.35 s).
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..shared.findings import Finding

Floats = NDArray[np.float64]

WHOLE_SHARE = 0.7
LEAST_ROWS = 60
LARGEST_PPM = 800.0
USUAL_PPM = 150.0  # drift of one clock against another, one standard deviation (common practice, no source)
SLACK_S = 0.1  # rows themselves jitter a little
WORTH_S = 0.3


def whole_seconds(seconds: Floats) -> bool:
    """True for rows of usually one every second, or every few whole seconds."""
    steps = np.diff(seconds)
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    return usual >= 1.0 and abs(usual - round(usual)) < 1e-3


def even_whole_seconds(seconds: Floats, *, exact: bool) -> tuple[Floats, Finding] | None:
    """Never falling stamps of rows in file order, (n,), evened, and what to say; None where they stay.

    exact: the recorder states UTC; without a doubled stamp it is a receiver, and what is missing is missing.
    """
    if not whole_seconds(seconds) or (exact and not (np.diff(seconds) == 0).any()):
        return None
    even = even_stamps(seconds)
    if even is None:
        return None
    moved_s = float(np.abs(even - seconds).max())
    text = f"rows come evenly while stamps are whole seconds; times follow the rows, by up to {moved_s:.1f} s"
    return np.maximum.accumulate(even), Finding("COARSE_TIMESTAMP", text, facts={"moved_s": round(moved_s, 3)})


def even_stamps(seconds: Floats) -> Floats | None:
    """The stamps of rows in file order, (n,), evenly spaced between gaps; None where they are as good as they come."""
    out = seconds.copy()
    for part in _parts(seconds):
        line = _line(seconds[part])
        if line is not None:
            out[part] = line
    return out if len(out) and float(np.abs(out - seconds).max()) >= WORTH_S else None


def _parts(seconds: Floats) -> list[slice]:
    """Rows between falls and gaps of three steps or more."""
    if len(seconds) < LEAST_ROWS:
        return []
    steps = np.diff(seconds)
    usual = float(np.median(steps))
    cuts = np.flatnonzero((steps < -0.5 * usual) | (steps > 2.5 * usual)) + 1
    edges = [0, *(int(c) for c in cuts), len(seconds)]
    return [slice(a, b) for a, b in pairwise(edges) if b - a >= LEAST_ROWS]


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
