"""Moves of a slow channel: where it went from one level to another within seconds.

A move is a stretch over which the slope keeps its sign and stays above a limit; stretches of one
sign with hardly a pause between them are one move. Its start and end are where the channel leaves
the level before by, and comes within, a tenth of the whole change.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..shared.recording import Floats
from .robust import median_of, noise_of
from .signal import Flags, close_short, runs, slope

PACE_S = 1.0
WIDE_STEP_S = 2.0


@dataclass(frozen=True, slots=True)
class Move:
    """A change from `before` to `after` over [start_s, stop_s]; `first`, `last` are indices around it."""

    start_s: float
    stop_s: float
    before: float
    after: float
    first: int
    last: int

    @property
    def change(self) -> float:
        """after less before."""
        return self.after - self.before


def find_moves(
    time_s: Floats, values: Floats, *, least: float, rate_per_s: float, pause_s: float = 2.0
) -> tuple[Move, ...]:
    """Moves of at least `least`, at `rate_per_s` or faster, on a uniform clock (n,).

    The rate is raised where the channel's own noise needs it, and lowered where rows lie so far apart that no slope over
    three of them could show a jump of three times the least.
    """
    if len(time_s) < 5:
        return ()
    step_s = float(time_s[1] - time_s[0])
    width = max(3, round(2.0 / step_s)) | 1
    noise = noise_of(values)
    rate = slope(values, width, step_s)
    shown = 3.0 * least / ((width - 1) * step_s)
    limit = max(min(rate_per_s, shown), 4.0 * noise / (step_s * np.sqrt(width * (width * width - 1) / 12.0)))
    out: list[Move] = []
    with np.errstate(invalid="ignore"):
        for sign in (1.0, -1.0):
            moving: Flags = sign * rate > limit
            for first, stop in runs(close_short(moving, max(1, round(pause_s / step_s)))):
                move = _measured(time_s, values, int(first), int(stop), width)
                if move is not None and sign * move.change >= max(least, 4.0 * noise):
                    out.append(move)
    return tuple(sorted(out, key=lambda m: m.start_s))


def part_moves(time_s: Floats, values: Floats, move: Move, *, least: float, dip: float) -> tuple[Move, ...]:
    """The moves of at least `least` that one move is made of, itself where it was made in one go.

    It is parted where its pace from second to second falls under `dip` of the pace on either side, at the slowest such
    place first.
    """
    stride = max(1, round(PACE_S / float(time_s[1] - time_s[0])))
    places = np.append(np.arange(move.first, move.last, stride), move.last)
    cuts = _cuts(np.diff(values[places]) * np.sign(move.change), least, dip)
    if not cuts:
        return (move,)
    borders = [move.first, *(int(places[k]) for k in cuts), move.last]
    out = []
    for first, last in pairwise(borders):
        part = _spanned(time_s, values, first, last)
        if part is not None and abs(part.change) >= least:
            out.append(part)
    return tuple(out) or (move,)


def _cuts(pace: Floats, least: float, dip: float) -> list[int]:
    """Places at which a move is parted, rising: pace is the change from each to the next (n,)."""
    best, at = dip, -1
    for k in range(1, len(pace) - 1):
        before, after = pace[:k], pace[k + 1 :]
        around = min(float(before.max()), float(after.max()))
        if around > 0 and pace[k] / around < best and max(before.sum(), after.sum()) >= least:
            best, at = float(pace[k]) / around, k
    if at < 0:
        return []
    right = [at + 1 + k for k in _cuts(pace[at + 1 :], least, dip)]
    return [*_cuts(pace[:at], least, dip), at, *right]


def _spanned(time_s: Floats, values: Floats, first: int, last: int) -> Move | None:
    """The move from one sample to another; None where nothing is left of it."""
    before, after = float(values[first]), float(values[last])
    if last - first < 1 or before == after:
        return None
    return _timed(time_s, values, (before, after), first, last)


def _measured(time_s: Floats, values: Floats, first: int, stop: int, width: int) -> Move | None:
    half = width // 2
    low, high = max(0, first - half), min(len(values), stop + half)
    inside = values[low:high]
    if np.isnan(inside).any() or len(inside) < 2:
        return None
    before = _median(values[max(0, low - half) : low + 1])
    after = _median(values[high - 1 : high + half])
    if not np.isfinite(before + after) or before == after:
        return None
    return _timed(time_s, values, (before, after), low, high - 1)


def _timed(time_s: Floats, values: Floats, ends: tuple[float, float], first: int, last: int) -> Move | None:
    """The move between two samples, timed from the last sample before a tenth of it to the first past nine tenths."""
    before, after = ends
    share = (values[first : last + 1] - before) / (after - before)
    left, arrived = np.flatnonzero(share > 0.1), np.flatnonzero(share > 0.9)
    if not len(left) or not len(arrived):
        return None
    start = first + max(int(left[0]) - 1, 0)
    step_s = float(time_s[1] - time_s[0])
    begun = float(time_s[start]) + (0.5 * step_s if step_s > WIDE_STEP_S else 0.0)  # anywhere up to the next row
    return Move(begun, float(time_s[first + int(arrived[0])]), before, after, first, last)


def _median(values: Floats) -> float:
    return float("nan") if np.isnan(values).any() else median_of(values)
