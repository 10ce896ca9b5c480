"""Where a recorder's clock may have been set: stretches of rows between falls and gaps of the stamps.

Inside a stretch the clock runs at one rate. Where stamps fall back and the rows go on, the clock
was set back and the rows are put on at their usual rate; where stamps jump ahead, either rows are
missing or the clock was set ahead: only comparison with other recorders can tell (`jumps`). Text
readers put rows on after a fall themselves; what reaches this module still falling is put on here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ...shared.on_change import is_on_change
from ...shared.recording import Column, Floats, Track

FALL_S = 1.0
LATE_ROWS = 3  # fewer rows than this behind the latest stamp are late rows, not a clock set back
GAP_S = 8.0
GAP_STEPS = 10.0
JUMP_STEPS = 1.5  # a jump ahead counts from this many usual steps more than one, and from a second
JUMP_S = 1.0
SHORTEST_S = 60.0
LARGEST_JUMP_S = 320.0  # clocks set by hand are wrong by minutes; after longer holes rows are missing
MOST_PIECES = 8
MOST_JUMPS = 4


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Rows of one source between two places where the clock may have been set.

    index: (n,) places in the track's arrays, in file order. set_s: what the clock was set by before
    this piece, summed; the piece's times in comparisons are stamp - set_s. jump_s: what the stamps
    jump ahead by just before the piece where the clock may have been set there, else 0. set_here:
    that jump was found to be, or taken as, a setting of the clock.
    """

    source: int
    index: NDArray[np.intp]
    set_s: float = 0.0
    jump_s: float = 0.0
    set_here: bool = False


def split_track(track: Track) -> tuple[Piece, ...]:
    """All pieces of a track, by source, in file order."""
    found: list[Piece] = []
    on_change = is_on_change(track)
    for source in range(len(track.sources)):
        index = np.flatnonzero(track.source_index == source)
        if len(index):
            in_order = index[np.argsort(track.row[index], kind="stable")]
            found.extend([Piece(source, in_order)] if on_change else _split_source(source, in_order, track.time_s))
    return tuple(found)


def _split_source(source: int, index: NDArray[np.intp], track_time_s: Floats) -> list[Piece]:
    stamps = track_time_s[index]
    steps = np.diff(stamps)
    rising = steps[steps > 0]
    usual = float(np.median(rising)) if len(rising) else 1.0
    falls = [int(i) for i in np.flatnonzero(steps < -max(FALL_S, 3 * usual)) if _stays_back(stamps, int(i))]
    jumps = _jumps(stamps, steps - usual, falls, least=max(JUMP_S, JUMP_STEPS * usual))
    gaps = np.flatnonzero(steps > max(GAP_S, GAP_STEPS * usual))
    longest = [int(i) for i in gaps[np.argsort(-steps[gaps])][: MOST_PIECES - 1 - len(jumps)]]
    cuts = sorted({*falls, *jumps, *longest})
    pieces, set_s, begin, jump_s = [], 0.0, 0, 0.0
    for cut in [*cuts, len(index) - 1]:
        pieces.append(Piece(source, index[begin : cut + 1], set_s, jump_s))
        jump_s = float(steps[cut]) - usual if cut in jumps else 0.0
        if cut in falls:
            set_s += float(steps[cut]) - usual
        begin = cut + 1
    return pieces


def _jumps(stamps: Floats, ahead_s: Floats, falls: list[int], *, least: float) -> list[int]:
    """The largest jumps ahead that leave stretches long enough to be compared on both sides."""
    chosen: list[int] = []
    found = np.flatnonzero((ahead_s > least) & (ahead_s <= LARGEST_JUMP_S))
    for place in found[np.argsort(-ahead_s[found], kind="stable")][: 4 * MOST_JUMPS]:
        cuts = sorted([*falls, *chosen, int(place)])
        lengths = [stamps[last] - stamps[first + 1] for first, last in pairwise([-1, *cuts, len(stamps) - 1])]
        if min(lengths) >= SHORTEST_S:
            chosen.append(int(place))
        if len(chosen) == MOST_JUMPS:
            break
    return chosen


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
