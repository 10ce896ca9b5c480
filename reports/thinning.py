"""Fewer samples for a picture without losing what a person would see: the extremes of each bucket."""

from __future__ import annotations

import itertools
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def thin(
    time_s: Floats, channels: Mapping[str, Floats], *, buckets: int, gap_s: float
) -> tuple[Floats, dict[str, Floats]]:
    """Samples for drawing: shape (m,) with m about 2 x buckets, or all of them when there are fewer.

    Every bucket of rows gives each channel's lowest and highest sample in the order they came.
    Where rows lie more than `gap_s` apart a row of NaN is put between, so that no line bridges it.
    """
    pieces_t: list[Floats] = []
    pieces: dict[str, list[Floats]] = {name: [] for name in channels}
    cuts = np.flatnonzero(np.diff(time_s) > gap_s) + 1
    edges = [0, *cuts.tolist(), len(time_s)]
    for number, (a, b) in enumerate(itertools.pairwise(edges)):
        if number:
            pieces_t.append(np.array([time_s[a - 1] + 0.5 * (time_s[a] - time_s[a - 1])]))
            for name in channels:
                pieces[name].append(np.array([np.nan]))
        share = max(1, round(buckets * (b - a) / max(1, len(time_s))))
        when, rows = _extremes(time_s[a:b], {n: v[a:b] for n, v in channels.items()}, share)
        pieces_t.append(when)
        for name in channels:
            pieces[name].append(rows[name])
    return np.concatenate(pieces_t), {name: np.concatenate(p) for name, p in pieces.items()}


def _extremes(time_s: Floats, channels: Mapping[str, Floats], buckets: int) -> tuple[Floats, dict[str, Floats]]:
    width = len(time_s) // buckets
    if width <= 2:
        return time_s, dict(channels)
    usable = width * (len(time_s) // width)
    when = time_s[:usable].reshape(-1, width)
    # two drawing times per bucket, a quarter and three quarters in
    out_t = np.column_stack((when[:, width // 4], when[:, (3 * width) // 4])).ravel()
    out = {name: _pairs(values[:usable].reshape(-1, width)) for name, values in channels.items()}
    if usable < len(time_s):
        out_t = np.concatenate((out_t, time_s[usable:]))
        out = {name: np.concatenate((pair, channels[name][usable:])) for name, pair in out.items()}
    return out_t, out


def _pairs(block: Floats) -> Floats:
    """Lowest and highest of each row of a block, in order of occurrence; NaN only where all are."""
    empty = ~np.isfinite(block).any(axis=1)
    low = np.argmin(np.where(np.isfinite(block), block, np.inf), axis=1)
    high = np.argmax(np.where(np.isfinite(block), block, -np.inf), axis=1)
    rows = np.arange(len(block))
    first, second = np.minimum(low, high), np.maximum(low, high)
    pairs = np.column_stack((block[rows, first], block[rows, second]))
    # a bucket with a hole in it keeps the hole visible: its second sample is left out
    holed = np.isnan(block).any(axis=1)
    pairs[holed, 1] = np.nan
    pairs[empty] = np.nan
    return pairs.ravel()
