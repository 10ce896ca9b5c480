"""The governor: where it holds the propeller's speed, and when another speed was asked of it.

A governed propeller turns at one speed while airspeed and power change; on its fine stop, and
with a fixed pitch, it follows them. A command is seen in one of two ways:

1. the speed moved from or to one the governor holds although neither power nor airspeed explain it (confidence 0.9);
2. the governor held one speed before and holds another one now, whatever happened in between: the
   command is put where the speed rose past the old one, else where it came to the new one (0.8), with the
   whole time in between as its uncertainty where that is long (0.5).

Power alone cannot raise a speed that the governor holds: where it rises from there a lever was moved, whatever the power did.

What leaves no trace is not reported: a lever moved while the propeller is on its fine stop.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from ..shared.findings import Event
from ..shared.recording import Floats
from .engine import Engine
from .moves import Move, find_moves
from .robust import largest, median_of, share_of, smallest
from .signal import Flags, close_short, keep_long, runs, sliding_minimum, slope, smooth

DETECTOR = "governor/2"
LEAST_STEP = 0.03  # of the speed
HELD_FLAT = 0.004  # largest spread of a held speed, either side of its median
HELD_S = 6.0
SAME_SPEED = 0.012
SAME_HOLD = 0.006
NEAR_SPEED = 0.97
HOLD_BESIDE_S = 6.0
SOON_S = 10.0
DIRECT_S = 15.0
STARTING_S = 10.0
SLOWEST_COMMAND_PER_S = 0.01
RATE_S = 12.0
LEAST_RATE_PER_S = 0.0033
KEPT_RATIO = 0.1
KEPT_PERCENT = 40.0
GUST_FACTOR = 4.0
LEAST_SWING = 0.008
IDLING = 0.15  # of the load
BESIDE_S = 15.0
FOLLOWED_S = 3.0
MOVED_BESIDE = 0.01  # of the speed
SAME_ADVANCE = 0.02  # of speed over airspeed


@dataclass(frozen=True, slots=True)
class Hold:
    """The governor keeps `speed` [rev/s] over [start_s, stop_s)."""

    start_s: float
    stop_s: float
    speed: float


@lru_cache(maxsize=1)  # states, events and what may move ask in turn
def is_governed(engine: Engine) -> bool | None:
    """Whether the propeller is governed, told from the sortie; None when it cannot be told.

    Compares, over flight with power while the airspeed changes, the relative change of the
    propeller's speed with the airspeed's: a governor keeps it near zero, wherever the power lifts the blades off their stop.
    """
    width = max(3, round(RATE_S / engine.step_s)) | 1
    turning, flying = _relative_rates(engine, width)
    with np.errstate(invalid="ignore"):
        told = engine.airborne & (np.abs(flying) > _telling_rate(engine, flying)) & np.isfinite(turning)
        if engine.load_channel is not None:
            told &= (engine.load > 0.3) & (np.abs(slope(engine.load, width, engine.step_s)) < 0.01)
        elif engine.gaining.any():  # idle glides say nothing: there a governed propeller lies on its fine stop
            told &= engine.gaining
        if np.count_nonzero(told) * engine.step_s < 20.0:
            return None
        return share_of(np.abs(turning[told]) / np.abs(flying[told]), KEPT_PERCENT) < KEPT_RATIO


def _telling_rate(engine: Engine, flying: Floats) -> float:
    """The airspeed's relative rate [1/s] above which it tells: gusts that the propeller cannot follow lie below."""
    restless = np.abs(flying - smooth(flying, max(3, round(RATE_S / engine.step_s)) | 1))[engine.airborne]
    typical = median_of(restless)
    return max(LEAST_RATE_PER_S, GUST_FACTOR * typical) if np.isfinite(typical) else LEAST_RATE_PER_S


def _relative_rates(engine: Engine, width: int) -> tuple[Floats, Floats]:
    with np.errstate(invalid="ignore", divide="ignore"):
        speed = np.log(np.where(engine.speed > 5.0, engine.speed, np.nan))
        air = np.log(np.where(engine.airspeed > 10.0, engine.airspeed, np.nan))
    return slope(speed, width, engine.step_s), slope(air, width, engine.step_s)


def find_holds(engine: Engine) -> tuple[Hold, ...]:
    """Stretches of HELD_S or more over which the speed stays within HELD_FLAT of its median."""
    width = max(3, round(4.0 / engine.step_s)) | 1
    half = width // 2
    speed = engine.speed
    if len(speed) < width:
        return ()
    padded = np.pad(speed, half, mode="edge")
    with np.errstate(invalid="ignore"):
        spread = -sliding_minimum(-padded, width) - sliding_minimum(padded, width)
        flat: Flags = engine.airborne & (spread < 2.0 * HELD_FLAT * speed)
    flat = keep_long(close_short(flat, half), max(2, round(HELD_S / engine.step_s) - half))
    holds = []
    for first, stop in runs(flat):
        holds += _steady_parts(engine, max(0, int(first) - half), min(len(speed), int(stop) + half))
    return tuple(holds)


def _steady_parts(engine: Engine, first: int, stop: int) -> list[Hold]:
    """A flat stretch as one hold, or several where the speed creeps out of what a governor keeps."""
    speed, least = engine.speed, max(2, round(HELD_S / engine.step_s))
    middle = median_of(speed[first:stop])
    if np.mean(np.abs(speed[first:stop] / middle - 1.0) < HELD_FLAT) > 0.8:
        return [Hold(float(engine.time_s[first]), float(engine.time_s[stop - 1]) + engine.step_s, middle)]
    out = []
    while stop - first >= least:
        level = median_of(speed[first : first + least])
        away = np.flatnonzero(np.abs(speed[first:stop] / level - 1.0) > HELD_FLAT)
        away = away[away >= least // 2]
        length = int(away[0]) if len(away) else stop - first
        if length >= least:
            out.append(
                Hold(float(engine.time_s[first]), float(engine.time_s[first + length - 1]) + engine.step_s, level)
            )
        first += max(length, 1)
    return out


def rpm_events(engine: Engine, power_moves: tuple[Event, ...]) -> tuple[Event, ...]:
    """rpm_command and rpm_response events of a governed propeller, in time order.

    A response is a change of speed that power, airspeed or starting up explain.
    """
    scale = largest(engine.speed)
    if not scale > 0.0:
        return ()
    moves = find_moves(engine.time_s, engine.speed / scale, least=LEAST_STEP, rate_per_s=0.008)
    holds = _governed_holds(engine)
    out, responses = [], []
    for move in moves:
        speeds = (move.before * scale, move.after * scale)
        commanded = _leaves_hold(move, speeds, holds) or _comes_down(move, speeds, holds)
        cause = None if commanded else _cause(engine, move, power_moves)
        if cause is None and not _meets_hold(speeds, holds):
            cause = "airspeed"  # on the fine stop all along: gusts move it, the lever does not
        if cause is None:
            out.append(_moved(engine, move, "rpm_command", speeds))
        else:
            responses.append(replace(_moved(engine, move, "rpm_response", speeds), facts={"cause": cause}))
    known: Hold | None = None
    for hold in holds:
        if known is not None and abs(hold.speed / known.speed - 1.0) > SAME_SPEED:
            between = (known.stop_s - 2.0, hold.start_s + 2.0)
            if not any(between[0] <= e.time_s <= between[1] for e in out):
                out.append(_between(engine, known, hold, moves))
        known = hold
    answers = [r for r in responses if not any(abs(r.time_s - e.time_s) < 2.0 for e in out)]
    return tuple(sorted([*out, *answers], key=lambda e: e.time_s))


def _governed_holds(engine: Engine) -> list[Hold]:
    """Holds that are the governor's work, and those at the very speed of one of these that chance does not explain."""
    found = find_holds(engine)
    sure = [hold for hold in found if _held_by_governor(engine, hold)]
    alike = [h for h in found if any(abs(h.speed / s.speed - 1.0) < SAME_HOLD for s in sure)]
    return [h for h in alike if h in sure or not _follows_beside(engine, h)]


def _follows_beside(engine: Engine, hold: Hold) -> bool:
    """Whether the idling propeller turns by the airspeed just before or after as it does in the hold: on its fine stop."""
    first, stop = (int(k) for k in np.searchsorted(engine.time_s, (hold.start_s, hold.stop_s)))
    if not median_of(engine.load[first:stop]) < IDLING:
        return False
    count = round(BESIDE_S / engine.step_s)
    beside = np.r_[max(0, first - count) : first, stop : min(len(engine.speed), stop + count)]
    with np.errstate(invalid="ignore", divide="ignore"):
        advance = np.log(engine.speed / engine.airspeed)
        moved = np.abs(engine.speed[beside] / hold.speed - 1.0) > MOVED_BESIDE
        beside = beside[moved & (engine.load[beside] < IDLING) & np.isfinite(advance[beside])]
    if len(beside) * engine.step_s < FOLLOWED_S:
        return False
    return abs(median_of(advance[beside]) - median_of(advance[first:stop])) < SAME_ADVANCE


def _leaves_hold(move: Move, speeds: tuple[float, float], holds: list[Hold]) -> bool:
    """Whether the governor held one speed up to the move, and it leads up or to another held speed: no power does that.

    Down it may go without a command, where power is too little to keep the blades off their stop.
    """
    if not any(abs(move.start_s - h.stop_s) < HOLD_BESIDE_S and _same(h, speeds[0]) for h in holds):
        return False
    return move.change > 0 or any(abs(h.start_s - move.stop_s) < HOLD_BESIDE_S and _same(h, speeds[1]) for h in holds)


def _comes_down(move: Move, speeds: tuple[float, float], holds: list[Hold]) -> bool:
    """Whether the speed fell from one that the governor holds elsewhere to one it holds soon after: it turned above what is now asked."""
    return (
        move.change < 0
        and any(_same(h, speeds[0]) for h in holds)
        and any(0.0 <= h.start_s - move.stop_s < SOON_S and _same(h, speeds[1]) for h in holds)
    )


def _meets_hold(speeds: tuple[float, float], holds: list[Hold]) -> bool:
    """Whether the governor holds one of the two speeds anywhere in the sortie: a command leads from or to one."""
    return any(abs(speed / hold.speed - 1.0) < SAME_SPEED for speed in speeds for hold in holds)


def _same(hold: Hold, speed: float) -> bool:
    return abs(speed / hold.speed - 1.0) < SAME_HOLD


def _held_by_governor(engine: Engine, hold: Hold) -> bool:
    """Whether a constant speed is the governor's work and not just steady flight on the fine stop."""
    inside = slice(*np.searchsorted(engine.time_s, (hold.start_s, hold.stop_s)))
    load = engine.load[inside]
    if median_of(load) > 0.4:
        return True
    with np.errstate(invalid="ignore"):
        air = np.log(np.maximum(engine.airspeed[inside], 1.0))
        kept = _spread(np.log(np.maximum(engine.speed[inside], 0.1)))
    calm = smooth(air, max(3, round(RATE_S / engine.step_s)) | 1)  # no propeller follows a gust
    swing = _spread(calm)
    return swing > max(LEAST_SWING, GUST_FACTOR * _spread(air - calm)) and kept < 0.25 * swing


def _spread(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.std(known)) if len(known) else float("nan")


def _cause(engine: Engine, move: Move, power_moves: tuple[Event, ...]) -> str | None:
    """What explains a change of the propeller's speed: power, start, airspeed; None for a command."""
    near = [e for e in power_moves if e.time_s < move.stop_s + 3.0 and e.stop_s > move.start_s - 5.0]
    if any(np.sign(float(e.facts["load_change"])) == np.sign(move.change) for e in near):
        return "power"
    first, last = move.first, move.last
    starting = engine.speed[max(0, first - round(STARTING_S / engine.step_s)) : last + 1]
    if smallest(starting) < 0.4 * median_of(engine.speed):
        return "start"
    if abs(move.change) / move.before / max(move.stop_s - move.start_s, engine.step_s) < SLOWEST_COMMAND_PER_S:
        return "airspeed"
    worked = np.sign(move.change) * (engine.load[last] - engine.load[first])
    if worked > 0.02:
        return "power"
    return "airspeed" if _flown(engine, move) else None


def _flown(engine: Engine, move: Move) -> bool:
    """Whether the airspeed changed so much in the same sense that the propeller just followed."""
    before, after = engine.airspeed[move.first], engine.airspeed[move.last]
    if not before > 10.0 or not after > 10.0:
        return False
    return bool(np.log(after / before) / np.log(move.after / move.before) > 0.5)


def _moved(engine: Engine, move: Move, kind: str, speeds: tuple[float, float]) -> Event:
    return Event(
        kind, move.start_s, move.stop_s, engine.step_s, engine.speed_channel or "", *speeds, 0.9,
        DETECTOR, {"airborne": bool(engine.airborne[move.first])},
    )  # fmt: skip


def _between(engine: Engine, known: Hold, hold: Hold, moves: tuple[Move, ...]) -> Event:
    """The command between two different held speeds: where the speed rose past the first, else where it last moved."""
    inside = [m for m in moves if known.stop_s - 3.0 <= m.start_s <= hold.start_s + 1.0]
    past = [m for m in inside if hold.speed > known.speed and _risen(m, largest(engine.speed)) > known.speed]
    start = past[0].start_s if past else inside[-1].start_s if inside else hold.start_s
    direct = hold.start_s - known.stop_s < DIRECT_S
    doubt = engine.step_s if direct else max(engine.step_s, start - known.stop_s, hold.start_s - start if past else 0.0)
    return Event(
        "rpm_command", start, hold.start_s, doubt, engine.speed_channel or "", known.speed, hold.speed,
        0.8 if direct else 0.5, DETECTOR, {"earliest_s": known.stop_s, "airborne": True},
    )  # fmt: skip


def _risen(move: Move, scale: float) -> float:
    """The speed a rise led to, and a little: at NEAR_SPEED of a held speed its governor would have stepped in."""
    return move.after * scale / NEAR_SPEED if move.change > 0 else 0.0
