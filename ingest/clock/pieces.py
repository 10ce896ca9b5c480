"""Where a recorder's clock may have been set: stretches of rows between falls and gaps of the stamps.

Inside a stretch the clock runs at one rate. Where stamps fall back and the rows go on, the clock
was set back and the rows are put on at their usual rate (to be confirmed by comparison); where
stamps jump ahead, either rows are missing or the clock was set ahead: only comparison can tell.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ...shared.recording import Column, Floats, Track

FALL_S = 1.0
LATE_ROWS = 3  # fewer rows than this behind the latest stamp are late rows, not a clock set back
GAP_S = 8.0
GAP_STEPS = 10.0
SHORTEST_S = 60.0
MOST_PIECES = 8


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Rows of one source between two places where the clock may have been set.

    index: (n,) places in the track's arrays, in file order. set_s: what the stamps jumped by at
    the falls before this piece, summed; the piece's times in comparisons are stamp - set_s.
    """

    source: int
    index: NDArray[np.intp]
    set_s: float = 0.0


def split_track(track: Track) -> tuple[Piece, ...]:
    """All pieces of a track, by source, in file order."""
    found: list[Piece] = []
    for source in range(len(track.sources)):
        index = np.flatnonzero(track.source_index == source)
        if len(index):
            found.extend(_split_source(source, index[np.argsort(track.row[index], kind="stable")], track.time_s))
    return tuple(found)


def _split_source(source: int, index: NDArray[np.intp], track_time_s: Floats) -> list[Piece]:
    stamps = track_time_s[index]
    steps = np.diff(stamps)
    rising = steps[steps > 0]
    usual = float(np.median(rising)) if len(rising) else 1.0
    falls = [int(i) for i in np.flatnonzero(steps < -max(FALL_S, 3 * usual)) if _stays_back(stamps, int(i))]
    gaps = np.flatnonzero(steps > max(GAP_S, GAP_STEPS * usual))
    longest = sorted(gaps[np.argsort(-steps[gaps])][: MOST_PIECES - 1])
    cuts = sorted({*falls, *(int(i) for i in longest)})
    pieces, set_s, begin = [], 0.0, 0
    for cut in [*cuts, len(index) - 1]:
        pieces.append(Piece(source, index[begin : cut + 1], set_s))
        if cut in falls:
            set_s += float(steps[cut]) - usual
        begin = cut + 1
    return pieces


def _stays_back(stamps: Floats, place: int) -> bool:
    """True when the rows after a fall go on behind the latest stamp, instead of one late row."""
    after = stamps[place + 1 : place + 1 + LATE_ROWS]
    latest = float(stamps[: place + 1].max())
    # a row that was itself behind is a late row of its own, and going on from it is no new fall
    return len(after) == LATE_ROWS and bool((after < latest - FALL_S).all()) and stamps[place] >= latest - FALL_S


def join_pieces(track: Track, pieces: tuple[Piece, ...]) -> Track:
    """The given pieces as a track of their own, falls undone, in time order."""
    index = np.concatenate([p.index for p in pieces])
    time_s = np.concatenate([track.time_s[p.index] - p.set_s for p in pieces])
    order = np.argsort(time_s, kind="stable")
    return take_rows(track, index[order], time_s[order])


def take_rows(track: Track, index: NDArray[np.intp], time_s: Floats) -> Track:
    """A track of the rows at `index`, with new times."""
    columns: Mapping[str, Column] = {
        name: replace(column, values=column.values[index]) for name, column in track.columns.items()
    }
    return replace(track, time_s=time_s, columns=columns, row=track.row[index], source_index=track.source_index[index])
