"""How many samples of a channel count as one: the integrated autocorrelation time.

Samples of a recorder are not independent: gusts and filters tie neighbours together. The time, in samples, is
1 + 2 x the sum of the autocorrelations, summed by the initial monotone positive sequence: in adjacent pairs
while these stay positive and not rising (C. J. Geyer, Practical Markov Chain Monte Carlo, Statistical Science
7(4), 1992, section 3.3). By Fourier transforms of many stretches at once.
"""

from __future__ import annotations

import numpy as np

from ..shared.recording import Floats
from .signal import Flags, Indices

FIRST_LAGS = 256  # nearly every sum over lags has ended by then
FEWEST = 4
LEAST_POWER = 1e-300
PORTION = 1 << 18  # numbers transformed at once: more of them do not stay near the processor
SPARE = 1 << 14  # zeros that are transformed for nothing rather than call once more


def correlation_times(rows: Floats) -> Floats:
    """Integrated autocorrelation time in samples of each row (c, n): at least 1, at most n; 1 for one that does not vary."""
    centred = rows - rows.mean(axis=1, keepdims=True)
    power = np.einsum("ij,ij->i", centred, centred)
    power = np.where(power > 1e-24 * np.einsum("ij,ij->i", rows, rows), power, 0.0)
    return times_of_stretches(centred, power[:, None], np.array([0]), np.array([rows.shape[1]]))[:, 0]


def times_of_stretches(centred: Floats, power: Floats, starts: Indices, counts: Indices) -> Floats:
    """The times of several stretches of several rows, (c, s).

    centred: float64 (c, n), each stretch of each row less its own mean; power: sums of squares (c, s).
    """
    out = np.ones(power.shape)
    moving = np.flatnonzero((power > LEAST_POWER).any(axis=1))
    for which, size in _groups(counts, len(moving)):
        for some in _portions(which, len(moving) * size):
            here = np.ix_(moving, some)
            out[here] = _times(centred, moving, power[here], (starts[some], counts[some]), size)
    return out


def _groups(counts: Indices, rows: int) -> list[tuple[Indices, int]]:
    """Stretches that are transformed together, and the size of their transforms: a call costs as much as some zeros."""
    found: list[tuple[list[int], int]] = []
    wasted = 0
    for k in np.argsort(-counts, kind="stable").tolist() if rows else ():
        count = int(counts[k])
        if count < FEWEST:
            break
        size = _transform_size(count + min(count, FIRST_LAGS) - 1)
        wasted += rows * (found[-1][1] - size) if found else 0
        if not found or wasted > SPARE:
            found.append(([], size))
            wasted = 0
        found[-1][0].append(k)
    return [(np.array(which), size) for which, size in found]


def _portions(which: Indices, each: int) -> list[Indices]:
    number = max(1, PORTION // max(each, 1))
    return [which[k : k + number] for k in range(0, len(which), number)]


def _times(centred: Floats, moving: Indices, power: Floats, spans: tuple[Indices, Indices], size: int) -> Floats:
    """The times (c, s) of stretches of the rows `moving` that share a transform's size; spans: their starts and counts."""
    starts, counts = spans
    longest = int(counts.max())
    rows = np.zeros((*power.shape, longest))
    for k, (start, count) in enumerate(zip(starts.tolist(), counts.tolist(), strict=True)):
        rows[:, k, :count] = centred[moving, start : start + count]
    varies = power > LEAST_POWER
    total, ended = _initial_sequence(_covariances(rows, min(longest, FIRST_LAGS), size), power)
    for k in np.flatnonzero((~ended & varies).any(axis=0) & (counts > FIRST_LAGS)).tolist():  # seldom
        longer = ~ended[:, k] & varies[:, k]
        whole = rows[longer, k, : counts[k]]
        covariances = _covariances(whole, int(counts[k]), _transform_size(2 * int(counts[k]) - 1))
        total[longer, k] = _initial_sequence(covariances, power[longer, k])[0]
    return np.where(varies, np.clip(2 * total - 1, 1.0, counts), 1.0)


def _covariances(centred: Floats, lags: int, size: int) -> Floats:
    """Sums of products of each row with itself shifted by 0 to lags - 1 samples: (..., lags).

    size: of the transform, so large that the shifted row does not come round again.
    """
    spectrum = np.fft.rfft(centred, size, axis=-1)
    return np.fft.irfft(spectrum.real**2 + spectrum.imag**2, size, axis=-1)[..., :lags]


def _initial_sequence(covariances: Floats, power: Floats) -> tuple[Floats, Flags]:
    """Sum of correlations in adjacent pairs while these stay positive and not rising, and whether it came to an end."""
    last = covariances.shape[-1]
    correlation = covariances / np.where(power > 0, power, 1.0)[..., None]
    pairs = correlation[..., 0 : last - 1 : 2] + correlation[..., 1:last:2]
    positive = np.logical_and.accumulate(pairs > 0, axis=-1)
    return (np.minimum.accumulate(pairs, axis=-1) * positive).sum(axis=-1), ~positive[..., -1]


def _transform_size(least: int) -> int:
    """The smallest of 8, 9, 10, 12, 15 x 2^a at or above `least`: all are fast, and little is wasted."""
    eighth = max(1 << (least - 1).bit_length(), 16) // 16
    return next(share * eighth for share in (8, 9, 10, 12, 15, 16) if share * eighth >= least)
