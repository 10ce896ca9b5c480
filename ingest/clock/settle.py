"""One clock for every stretch of a track: together where stretches agree, apart where they do not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ...shared.recording import Track
from .compare import Estimate
from .evidence import Known, find_evidence
from .pieces import SHORTEST_S, Piece, join_pieces, split_track

SAME_S = 0.25  # stretches nearer than this share a clock whatever their uncertainties


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """What was decided about one stretch; estimate None when nothing tells.

    assumed: the stretch could not be compared on its own and was given its neighbours' clock.
    """

    piece: Piece
    estimate: Estimate | None
    assumed: bool = False


def settle_track(track: Track, known: Known) -> list[Settled]:
    """Every stretch of every source with its clock, in file order."""
    settled: list[Settled] = []
    pieces = split_track(track)
    for source in sorted({p.source for p in pieces}):
        settled.extend(_settle_source(track, [p for p in pieces if p.source == source], known))
    return settled


def _settle_source(track: Track, pieces: Sequence[Piece], known: Known) -> list[Settled]:
    together = find_evidence(join_pieces(track, tuple(pieces)), known)
    if len(pieces) == 1:
        return [Settled(pieces[0], together)]
    groups: list[list[Piece]] = [[]]
    last: Estimate | None = None
    assumed: set[int] = set()
    for number, piece in enumerate(pieces):
        alone = None
        if np.ptp(track.time_s[piece.index]) >= SHORTEST_S:
            starts = _starts(track, pieces, number, together) if together else ()
            alone = find_evidence(join_pieces(track, (piece,)), known, starts)
        if last is not None and alone is not None and _differ(last, alone):
            groups.append([])
        groups[-1].append(piece)
        last = alone or last
        if alone is None:
            assumed.add(id(piece))
    if len(groups) == 1:
        return [Settled(piece, together, id(piece) in assumed) for piece in pieces]
    out: list[Settled] = []
    for group in groups:
        estimate = find_evidence(join_pieces(track, tuple(group)), known)
        out.extend(Settled(piece, estimate, id(piece) in assumed) for piece in group)
    return out


def _starts(track: Track, pieces: Sequence[Piece], number: int, together: Estimate) -> tuple[float, ...]:
    """Clock errors a stretch may have: that of the whole, or off by what the stamps jumped at one gap.

    Rows may be missing at a gap, or the clock was set ahead there and no row is missing.
    """
    middle = np.array([np.median(track.time_s[pieces[number].index])])
    error = float(together.line.error_at(middle)[0])
    jumps = [
        float(track.time_s[after.index[0]] - track.time_s[before.index[-1]]) - track.median_step_s
        for before, after in pairwise(pieces)
    ]
    ahead = [error + jump for jump in jumps[:number] if jump > 0]
    behind = [error - jump for jump in jumps[number:] if jump > 0]
    return (error, *ahead, *behind)


def _differ(before: Estimate, after: Estimate) -> bool:
    """True when two neighbouring stretches cannot share a clock.

    Lags common to both do not count: only what the two comparisons themselves leave open.
    """
    at = np.array([after.line.middle_s])
    gap = float((after.line.error_at(at) - before.line.error_at(at))[0])
    own = float(np.hypot(before.line.uncertainty_s, after.line.uncertainty_s))
    if before.channel != after.channel:
        own = float(np.hypot(before.uncertainty_s, after.uncertainty_s))
    return abs(gap) > max(4 * own, SAME_S)
