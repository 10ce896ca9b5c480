"""One clock for every stretch of a track: together where stretches agree, apart where they do not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ...shared.recording import Track
from .compare import Estimate
from .evidence import GOOD_S, Known, find_evidence
from .jumps import Decision, decide_jumps
from .pieces import SHORTEST_S, Piece, join_pieces, split_track

SAME_S = 0.25  # stretches nearer than this share a clock whatever their uncertainties
OPEN_SHARE = 0.4  # of a jump that may or may not be a step: one or the other, none likelier, lies within it


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """What was decided about one stretch; estimate None when nothing tells.

    assumed: the stretch could not be compared on its own and was given its neighbours' clock.
    doubtful: whether rows are missing before it or the clock was set ahead stays open.
    """

    piece: Piece
    estimate: Estimate | None
    assumed: bool = False
    doubtful: bool = False


def settle_track(track: Track, known: Known) -> list[Settled]:
    """Every stretch of every source with its clock, in file order."""
    settled: list[Settled] = []
    pieces = split_track(track)
    for source in sorted({p.source for p in pieces}):
        settled.extend(_settle_source(track, [p for p in pieces if p.source == source], known))
    return settled


def _settle_source(track: Track, pieces: Sequence[Piece], known: Known) -> list[Settled]:
    if len(pieces) == 1:
        return [Settled(pieces[0], find_evidence(join_pieces(track, tuple(pieces)), known))]
    decision = decide_jumps(track, pieces, known)
    starts = () if decision.start_s is None else (decision.start_s,)
    together = find_evidence(join_pieces(track, decision.pieces), known, starts)
    short = {number for number, piece in enumerate(pieces) if np.ptp(track.time_s[piece.index]) < SHORTEST_S}
    if together is None:
        return [Settled(piece, None) for piece in decision.pieces]
    if together.uncertainty_s <= GOOD_S and together.from_shared:
        return _settle_apart(track, decision, together, short=short, known=known)
    doubt_s = _doubt(decision)
    widened = {more_s: together.widened(more_s) if more_s else together for more_s in set(doubt_s)}
    return [
        Settled(piece, widened[more_s], number in short, number in decision.open_jumps)
        for number, (piece, more_s) in enumerate(zip(decision.pieces, doubt_s, strict=True))
    ]


def _doubt(decision: Decision) -> list[float]:
    """What open jumps add to every stretch's uncertainty, seconds: none on the longest's own side of them."""
    lead = int(np.argmax([len(p.index) for p in decision.pieces]))
    out = []
    for number in range(len(decision.pieces)):
        between = range(min(lead, number) + 1, max(lead, number) + 1)
        jumps = [decision.pieces[k].jump_s for k in between if k in decision.open_jumps]
        out.append(OPEN_SHARE * float(np.sqrt(np.sum(np.square(jumps)))))
    return out


def _settle_apart(
    track: Track, decision: Decision, together: Estimate, *, short: set[int], known: Known
) -> list[Settled]:
    """With a shared quantity every stretch can be compared alone: those that differ get clocks of their own."""
    groups: list[list[Piece]] = [[]]
    last: Estimate | None = None
    assumed: set[int] = set()
    for number, piece in enumerate(decision.pieces):
        alone = None
        if number not in short:
            middle = np.array([np.median(track.time_s[piece.index]) - piece.set_s])
            alone = find_evidence(join_pieces(track, (piece,)), known, (float(together.line.error_at(middle)[0]),))
        if alone is not None and not alone.from_shared:
            alone = None
        if last is not None and alone is not None and _differ(last, alone):
            groups.append([])
        groups[-1].append(piece)
        last = alone or last
        if alone is None:
            assumed.add(id(piece))
    if len(groups) == 1:
        return [Settled(piece, together, id(piece) in assumed) for piece in decision.pieces]
    out: list[Settled] = []
    for group in groups:
        estimate = find_evidence(join_pieces(track, tuple(group)), known)
        out.extend(Settled(piece, estimate, id(piece) in assumed) for piece in group)
    return out


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
