"""Stamps that jump ahead: rows missing, or the clock set ahead and no row missing.

Every combination of the two at a track's jumps is a way the clock may have run; each is weighed
against the other recorders as a whole, with one clock error for the flight. Missing rows are the
rule: a step must earn STEP_EVIDENCE of log-likelihood. What the weights leave open is said, and
widens the clock's uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, product

import numpy as np

from ...shared.recording import Floats, Track
from .compare import shared_signals
from .evidence import BALANCES, GOOD_S, Known, explained_balances
from .pieces import Piece, join_pieces
from .shared_channel import coarse_shift
from .wheels import WHOLE, coarse_wheels, wheel_signals
from .witnesses import ERRORS_S, SharedWitness, Witness, likeliest_error, response_witness

STEP_EVIDENCE = 6.0  # e^6: odds of four hundred to one against a step without evidence
SURE_STEP = 8.0  # with less a step is taken but stays open
NO_STEP_BELOW = -3.0  # e^3: odds of twenty to one against, by the recorders alone, exclude a step


@dataclass(frozen=True, slots=True, eq=False)
class Decision:
    """pieces: with what their clock was set by. start_s: the likeliest clock error to the second, None when open.

    open_jumps: numbers of the pieces before which a step can neither be shown nor excluded.
    """

    pieces: tuple[Piece, ...]
    start_s: float | None
    open_jumps: frozenset[int]


def decide_jumps(track: Track, pieces: Sequence[Piece], known: Known) -> Decision:
    """Which jumps of the stamps were the clock being set."""
    places = [number for number, piece in enumerate(pieces) if piece.jump_s > 0]
    if not places:
        return Decision(tuple(pieces), None, frozenset())
    witnesses = _witnesses(track, pieces, known)
    ways = list(product((False, True), repeat=len(places)))
    weighed = [_weigh(witnesses, _set_before(pieces, places, way)) - STEP_EVIDENCE * sum(way) for way in ways]
    likely = np.array([np.nanmax(w) if np.isfinite(w).any() else -np.inf for w in weighed])
    best = int(np.argmax(likely))
    start_s = likeliest_error(weighed[best])
    if start_s is None:
        return Decision(tuple(pieces), None, frozenset(places))
    gains = [_gain(ways, likely, place) + STEP_EVIDENCE for place in range(len(places))]
    open_jumps = frozenset(p for p, gain in zip(places, gains, strict=True) if NO_STEP_BELOW < gain < SURE_STEP)
    set_s = _set_before(pieces, places, ways[best])
    taken = {p for p, step in zip(places, ways[best], strict=True) if step}
    decided = tuple(
        replace(p, set_s=p.set_s + ahead, set_here=number in taken)
        for number, (p, ahead) in enumerate(zip(pieces, set_s, strict=True))
    )
    return Decision(decided, start_s, open_jumps)


def _gain(ways: Sequence[Sequence[bool]], likely: Floats, place: int) -> float:
    """By how much the best way with a step at this jump beats the best without one."""
    step = np.array([way[place] for way in ways])
    return float(likely[step].max() - likely[~step].max())


def _set_before(pieces: Sequence[Piece], places: Sequence[int], way: Sequence[bool]) -> list[float]:
    """What the clock was set ahead by before every piece, summed."""
    steps = dict(zip(places, way, strict=True))
    return list(np.cumsum([p.jump_s if steps.get(number, False) else 0.0 for number, p in enumerate(pieces)]))


def _weigh(witnesses: Sequence[Witness], set_s: Sequence[float]) -> Floats:
    whole = [round(s) for s in set_s]
    total = np.zeros(len(ERRORS_S))
    for witness in witnesses:
        total = total + witness.weigh(whole)
    return total if witnesses else np.full(len(ERRORS_S), np.nan)


def _witnesses(track: Track, pieces: Sequence[Piece], known: Known) -> list[Witness]:
    """A sure shared quantity alone, else every response of the airframe."""
    whole = join_pieces(track, tuple(pieces))
    spans = [track.time_s[p.index] - p.set_s for p in pieces]
    bounds = [0.5 * (float(before.max()) + float(after.min())) for before, after in pairwise(spans)]
    lead = int(np.argmax([len(p.index) for p in pieces]))
    alone = join_pieces(track, (pieces[lead],))
    for reference in known.references:
        for pair in shared_signals(alone, reference.track):
            error_s = coarse_shift(pair.own, pair.reference, pair.how) if pair.how.floor_s <= GOOD_S else None
            if error_s is None:
                continue
            same = next(p for p in shared_signals(whole, reference.track) if p.name == pair.name)
            return [SharedWitness(same.own, same.reference, pair.how, tuple(bounds), lead, error_s)]
    return _responses(whole, alone, known, bounds=bounds, lead=lead)


def _responses(whole: Track, alone: Track, known: Known, *, bounds: Sequence[float], lead: int) -> list[Witness]:
    if known.airframe is None or known.main is None or known.main.track.name == whole.name:
        return []
    found: list[Witness] = []
    wheels, error_s = wheel_signals(whole, known.airframe), coarse_wheels(alone, known.airframe)
    if wheels is not None and error_s is not None:
        found.append(SharedWitness(*wheels, WHOLE, tuple(bounds), lead, error_s))
    for name in BALANCES:
        explained = explained_balances(whole, known, name)
        if explained is not None:
            found.append(response_witness(explained.balances[0], explained.drivers, bounds))
    return found
