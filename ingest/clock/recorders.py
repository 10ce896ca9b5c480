"""Tracks of one file are one recorder: they share its clock, whichever of them tells it.

A Chapter 10, HDF5, MDF or spreadsheet file holds several tables, each a track of its own, all
stamped by one clock. The offset is the one its surest table shows, applied to every table, rows
matched to the clock's settings by their stamps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ...shared.recording import Floats, Track
from .pieces import Piece
from .settle import Settled


def group_recorders(tracks: Sequence[Track]) -> list[list[Track]]:
    """Tracks by recorder, in their order: those with a file and a kind of clock in common are together."""
    groups: list[list[Track]] = []
    for track in tracks:
        keys = _clock_keys(track)
        homes = [g for g in groups if any(keys & _clock_keys(other) for other in g)]
        merged = [t for g in homes for t in g]
        groups = [g for g in groups if not any(g is h for h in homes)]
        groups.append([*merged, track])
    return groups


def _clock_keys(track: Track) -> set[tuple[str, str, float]]:
    return {(s.file, s.clock.basis, s.clock.zone_s) for s in track.sources}


def worst_uncertainty_s(settled: Sequence[Settled]) -> float:
    """Of a track's stretches the largest uncertainty, seconds; infinity when one of them stays open."""
    return max((s.estimate.uncertainty_s if s.estimate else float("inf") for s in settled), default=float("inf"))


def lend_clock(lender: Track, settled: Sequence[Settled], borrower: Track) -> list[Settled]:
    """The borrower's rows with the clock settings of the lender's stretches of the same file."""
    out: list[Settled] = []
    for number, source in enumerate(borrower.sources):
        same = [s for s in settled if lender.sources[s.piece.source].file == source.file] or list(settled)
        index = np.flatnonzero(borrower.source_index == number)
        index = index[np.argsort(borrower.row[index], kind="stable")]
        which = _stretch_of(borrower.time_s[index], [lender.time_s[s.piece.index] for s in same])
        for place, one in enumerate(same):
            rows: NDArray[np.intp] = index[which == place]
            if len(rows):
                out.append(replace(one, piece=Piece(number, rows, one.piece.set_s)))
    return out


def _stretch_of(stamps: Floats, stretches: Sequence[Floats]) -> NDArray[np.int64]:
    """The stretch each stamp lies in or nearest to, (n,)."""
    away = [np.maximum(np.maximum(s.min() - stamps, stamps - s.max()), 0.0) for s in stretches]
    return np.asarray(np.argmin(np.stack(away), axis=0), dtype=np.int64)
