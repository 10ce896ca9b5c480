"""Time shift between two recorders that hold the same quantity.

Coarse: the misfit of the two signals over the whole range of shifts, one second apart. Fine:
Gauss-Newton on the shift in windows along the flight, with robust weights.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...shared.recording import Floats
from .line import ClockLine, Shifts, fit_line
from .series import Signal, all_finite

SEARCH_S = 320.0  # clocks set by hand are wrong by minutes; whole hours are solved before
CORRELATION_S = 10.0  # motion of an aeroplane is one independent look in about ten seconds
EVIDENCE = 8.0  # log-likelihood by which the best shift must beat every distant one
GUARD_S = 20.0  # shifts nearer than this are one and the same minimum
LARGEST_GRID = 1500
DENSE_S = 0.4  # samples nearer than this repeat each other
STILL_MOVES = (
    3.0  # moves like the last one that may still come: rounds that shrink by a quarter or more add up to these
)
LEAST_SHARE = 0.1  # windows whose slopes agree less than this hold noise only


@dataclass(frozen=True, slots=True)
class Comparison:
    """How one shared quantity is compared.

    bias: whether two instruments may differ by a constant. floor_s: what differing lags of two
    instruments of this kind may hide, one standard deviation (common practice, no source).
    """

    bias: bool
    floor_s: float
    wander: float = 0.1
    window_s: float = 120.0


def coarse_shift(own: Signal, reference: Signal, how: Comparison, starts: Sequence[float] = ()) -> float | None:
    """The one shift in seconds at which both signals agree; None when none stands out.

    starts: when given, only these shifts are tried.
    """
    span_s = min(own.span_s, reference.span_s) + SEARCH_S
    step = float(np.ceil(max(1.0, span_s / LARGEST_GRID)))
    # no further than both can meet: one of them may run on for days
    reach_s = max([SEARCH_S, *(abs(s) for s in starts)]) + step
    start = max(min(own.time_s[0], reference.time_s[0]), max(own.time_s[0], reference.time_s[0]) - reach_s)
    stop = min(own.time_s[-1], reference.time_s[-1]) + reach_s
    own_grid = own.at(np.arange(start, min(own.time_s[-1], stop) + step, step))
    reference_grid = reference.at(np.arange(start, min(reference.time_s[-1], stop) + step, step))
    reach = int(SEARCH_S / step)
    shifts = np.unique(np.rint(np.asarray(starts) / step).astype(np.int64)) if starts else np.arange(-reach, reach + 1)
    misfit = np.full(len(shifts), np.nan)
    seconds = np.zeros(len(shifts))
    needed = 0.5 * min(_covered_s(own), _covered_s(reference)) / step
    for place, shift in enumerate(shifts):
        a, b = _overlap(own_grid, reference_grid, int(shift))
        if len(a) >= max(needed, 10):
            misfit[place], seconds[place] = _relative_misfit(a, b, how.bias, own.turn), len(a) * step
    return _pick((shifts * step).astype(np.float64), misfit, seconds)


def _covered_s(signal: Signal) -> float:
    """Time the signal has values for, gaps left out."""
    steps = np.diff(signal.time_s)
    return float(steps[steps <= signal.limit_s].sum())


def _overlap(own: Floats, reference: Floats, shift: int) -> tuple[Floats, Floats]:
    """Rows of both grids that belong together when the own clock is `shift` steps ahead."""
    first = max(0, shift)
    count = min(len(own) - first, len(reference) - (first - shift))
    if count <= 0:
        return own[:0], reference[:0]
    a, b = own[first : first + count], reference[first - shift : first - shift + count]
    good = np.isfinite(a[:, 0]) & np.isfinite(b[:, 0])
    return a[good], b[good]


def _relative_misfit(a: Floats, b: Floats, bias: bool, turn: float) -> float:
    """Mean absolute difference over the mean absolute spread of both: 0 agreement, about 1 none."""
    difference = a - b
    if turn:
        difference = (difference + turn / 2) % turn - turn / 2
    if bias:
        difference = difference - np.median(difference, axis=0)
    spread = np.abs(a - np.median(a, axis=0)).sum(axis=1).mean() + np.abs(b - np.median(b, axis=0)).sum(axis=1).mean()
    return float(np.abs(difference).sum(axis=1).mean() / spread) if spread > 0 else 1.0


def _pick(shift_s: Floats, misfit: Floats, seconds: Floats) -> float | None:
    if not np.isfinite(misfit).any():
        return None
    misfit = np.maximum(misfit, 0.005)  # below half a per cent both agree perfectly
    tied = np.flatnonzero(misfit <= np.nanmin(misfit) * 1.001)
    best = int(tied[len(tied) // 2])
    far = np.isfinite(misfit) & (np.abs(shift_s - shift_s[best]) > GUARD_S)
    looks = np.minimum(seconds, seconds[best]) / CORRELATION_S
    evidence = looks[far] * np.log(misfit[far] / misfit[best])
    if misfit[best] > 0.7 or (far.any() and evidence.min() < EVIDENCE):
        return None
    return float(shift_s[best])


def fine_shift(
    own: Signal, reference: Signal, how: Comparison, start_s: float, *, least_s: float | None = None
) -> tuple[ClockLine, Shifts] | None:
    """Clock error of `own` against `reference` from a first guess good to about ten seconds.

    least_s: where only larger errors matter, the rounds end as soon as they lead to no such one; the line is then
    good for nothing else.
    """
    if own.held or reference.held:
        return _edge_shift(own, reference, how, start_s)
    line = ClockLine(start_s, 0.0, 0.0, 0.0, 0.0, 0)
    sides = _lay_out(own, reference)
    shifts = None
    for _ in range(6):
        shifts = _window_shifts(sides, how, line)
        found = fit_line(shifts, how.floor_s * how.wander)
        if found is None or abs(found.offset_s - start_s) > 2 * GUARD_S:
            return None
        moved = abs(found.offset_s - line.offset_s) + abs(found.drift_ppm - line.drift_ppm) * 1e-3
        still = STILL_MOVES * abs(found.middle_offset_s - line.middle_offset_s)
        line = found
        if moved < 1e-4 or (least_s is not None and found.middle_offset_s + still < least_s):
            break
    assert shifts is not None
    return line, shifts


@dataclass(frozen=True, slots=True, eq=False)
class _Sides:
    """Two signals with their time derivatives, compared at the samples of the slower one.

    time_s: (n,) of these samples on its clock; held: its values and slopes there, (n, d) each.
    """

    own: tuple[Signal, Signal]
    reference: tuple[Signal, Signal]
    by_own: bool
    time_s: Floats
    held: tuple[Floats, Floats]


def _lay_out(own: Signal, reference: Signal) -> _Sides:
    """What stays the same in every round."""
    thin = max(1, int(DENSE_S / max(own.step_s, reference.step_s)))
    by_own = own.step_s > reference.step_s
    sides = (own, own.slopes()), (reference, reference.slopes())
    signal, slopes = sides[0] if by_own else sides[1]
    time_s = signal.time_s[::thin]
    held = signal.values[::thin], slopes.read(signal.places(time_s))
    return _Sides(*sides, by_own, time_s, held)


def _window_shifts(sides: _Sides, how: Comparison, line: ClockLine) -> Shifts:
    """One Gauss-Newton step in every window, about the given clock, at the slower recorder's samples."""
    error_s = line.error_at(sides.time_s)
    own_time_s = sides.time_s if sides.by_own else sides.time_s + error_s
    signal, signal_slopes = sides.reference if sides.by_own else sides.own
    places = signal.places(sides.time_s - error_s if sides.by_own else own_time_s)
    moving = signal.read(places), signal_slopes.read(places)
    mine, theirs = (sides.held, moving) if sides.by_own else (moving, sides.held)
    error, slopes, turn = mine[0] - theirs[0], (mine[1], theirs[1]), sides.own[0].turn
    if turn:
        error = (error + turn / 2) % turn - turn / 2
    good = all_finite(error) & all_finite(slopes[0]) & all_finite(slopes[1])
    if not good.all():
        own_time_s, error, slopes = own_time_s[good], error[good], (slopes[0][good], slopes[1][good])
    return solve_windows(own_time_s, error, slopes, how, line)


def solve_windows(
    time_s: Floats, error: Floats, slopes: tuple[Floats, Floats], how: Comparison, line: ClockLine
) -> Shifts:
    """Shifts by window from the misfit and its derivative with respect to the clock's error.

    time_s: (n,) in order. error: (n, d), own less reference, about `line`. slopes: (n, d) each, the
    derivative as two independent instruments show it. Their product over a window is free of their
    noise (instrumental variables, Reiersol 1941), the square of either is not, and would hold every
    shift back near where the search began.
    """
    if not len(time_s):
        return Shifts(np.zeros(0), np.zeros(0), np.zeros(0))
    length = float(np.clip((time_s[-1] - time_s[0]) / 12.0, min(20.0, how.window_s), how.window_s))
    window = ((time_s - time_s[0]) // length).astype(np.int64)
    count = int(window[-1]) + 1
    weight = np.ones(len(time_s))
    rows = np.bincount(window, minlength=count)
    delta = np.zeros(count)
    for _ in range(3):
        first, second, e = _centred((*slopes, error), window, weight, rows) if how.bias else (*slopes, error)
        g = 0.5 * (first + second)
        shared = np.bincount(window, weight * _summed(first * second), count)
        noisy = np.bincount(window, weight * _summed(g * g), count)
        product = np.bincount(window, weight * _summed(g * e), count)
        known = shared > LEAST_SHARE * noisy + 1e-12
        delta = np.divide(-product, shared, out=np.zeros(count), where=known)
        left = _summed(np.abs(e + g * np.repeat(delta, rows)[:, None]))
        scale = 1.4826 * np.median(left)
        weight = np.minimum(1.0, 2.0 * scale / np.maximum(left, 1e-12)) if scale > 0 else weight
    spread = np.bincount(window, weight * left**2, count) / np.maximum(np.bincount(window, weight, count), 1.0)
    usual = np.median(spread[known]) if known.any() else 1.0
    middle = np.bincount(window, time_s, count) / np.maximum(rows, 1)
    information = np.where(known, shared**2 / np.maximum(noisy, 1e-30) / (spread + usual + 1e-30), 0.0)
    return Shifts(middle, np.asarray(line.error_at(middle) + delta, dtype=np.float64), np.asarray(information))


def _summed(values: Floats) -> Floats:
    """Every row's sum, (n, d) to (n,)."""
    return values[:, 0] if values.shape[1] == 1 else np.asarray(values.sum(axis=1))


def _centred(
    sides: tuple[Floats, ...], window: NDArray[np.int64], weight: Floats, rows: NDArray[np.int64]
) -> list[Floats]:
    """Each side less its windows' weighted means; window: (n,) never falling, rows: how many each window has."""
    total = np.maximum(np.bincount(window, weight, len(rows)), 1e-12)
    out = []
    for values in sides:
        means = [np.bincount(window, weight * column, len(rows)) / total for column in values.T]
        out.append(values - np.repeat(np.column_stack(means), rows, axis=0))
    return out


def _edge_shift(own: Signal, reference: Signal, how: Comparison, start_s: float) -> tuple[ClockLine, Shifts] | None:
    """Switches: every edge of one matched with the nearest like edge of the other."""
    own_time, own_after = _edges(own)
    reference_time, reference_after = _edges(reference)
    if not len(own_time) or not len(reference_time):
        return None
    gap = own_time[:, None] - reference_time[None, :] - start_s
    gap = np.where(np.isclose(own_after[:, None], reference_after[None, :]), gap, np.inf)
    nearest = np.abs(gap).argmin(axis=1)
    shift = gap[np.arange(len(own_time)), nearest]
    good = np.abs(shift) < 5.0
    if not good.any():
        return None
    # an edge lies anywhere between two samples of each: rectangular distributions
    variance = (own.step_s**2 + reference.step_s**2) / 12.0
    shifts = Shifts(own_time[good], shift[good] + start_s, np.full(int(good.sum()), 1.0 / variance))
    line = fit_line(shifts, how.floor_s * how.wander)
    return None if line is None else (line, shifts)


def _edges(signal: Signal) -> tuple[Floats, Floats]:
    """Times half-way between the samples that differ, and the value afterwards."""
    values = signal.values[:, 0]
    steps = np.diff(signal.time_s)
    place = np.flatnonzero((np.diff(values) != 0) & (steps <= signal.limit_s))
    return signal.time_s[place] + 0.5 * steps[place], values[place + 1]
