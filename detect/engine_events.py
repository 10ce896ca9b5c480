"""Events of the engine: started, stopped, power to idle, from idle, changed."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from ..shared.findings import Event
from .engine import Engine
from .moves import Move, find_moves, part_moves
from .power import idle_band, power_labels, standing
from .robust import median_of
from .signal import runs, runs_of_equal

DETECTOR = "engine/2"
LEAST_CHANGE = 0.05  # of the way from idle to full
LEAST_OPENING = 0.043  # of the throttle
OPEN_CHANGE, OPEN_PER_S, OPEN_LOAD = 0.18, 0.07, 0.02
LEAST_PART, DIP = (
    0.08,
    0.5,
)  # a move is parted where its pace falls so far: two handfuls of throttle soon after each other
APART_S = 3.0
# shares of the way a second; a flow meter averages over some seconds and blurs a move
SLOWEST_PER_S = {"manifold_pressure": 0.045, "fuel_flow": 0.024, "fuel_mass_flow": 0.024}
SLOWEST_OTHERS_PER_S = 0.03
LEAST_SLOW = 0.20  # of the load, before and after idle was left or reached slowly
LEAST_LAST = 0.04  # of the load, at idle's edge itself: less is what the flow creeps after the throttle is still
SLOW_APART_S = 8.0
SLOW_REACH_S = 40.0


def power_events(engine: Engine) -> tuple[Event, ...]:
    """power_to_idle, power_from_idle and power_change, in time order."""
    if engine.load_channel is None:
        return ()
    moves = _throttle_moves(engine)
    still = standing(engine)
    fast = [
        _power_event(engine, move)
        for move in moves
        if not still[move.first : move.last + 1].any() and _opened(engine, move)
    ]
    found = sorted([*fast, *_slow_events(engine, fast)], key=lambda e: e.time_s)
    return tuple(_as_recorded(engine, event) for event in found)


def _as_recorded(engine: Engine, event: Event) -> Event:
    """The event with before and after in the load channel's own unit; their loads go to the facts."""
    first, last = np.searchsorted(engine.time_s, (event.time_s, event.stop_s))
    before = median_of(engine.raw[max(0, first - 2) : first + 1])
    after = median_of(engine.raw[last : last + 3])
    facts = {**event.facts, "load_before": event.before, "load_after": event.after}
    return replace(event, before=float(before), after=float(after), facts=facts)


def _throttle_moves(engine: Engine) -> list[Move]:
    """Moves of the load, and those that show in the throttle's opening alone: near full throttle the load hardly moves."""
    channel = engine.load_channel or ""
    rate = SLOWEST_PER_S.get(channel, SLOWEST_OTHERS_PER_S)
    found = find_moves(engine.time_s, engine.load, least=LEAST_CHANGE, rate_per_s=rate)
    if channel != "manifold_pressure":
        return list(found)
    moves = [part for move in found for part in part_moves(engine.time_s, engine.load, move, least=LEAST_PART, dip=DIP)]
    for move in find_moves(engine.time_s, engine.opening, least=OPEN_CHANGE, rate_per_s=OPEN_PER_S):
        before, after = float(engine.load[move.first]), float(engine.load[move.last])
        apart = all(m.start_s > move.stop_s + APART_S or m.stop_s < move.start_s - APART_S for m in moves)
        if apart and np.sign(after - before) == np.sign(move.change) and abs(after - before) >= OPEN_LOAD:
            moves.append(replace(move, before=before, after=after))
    return sorted(moves, key=lambda m: m.start_s)


def _opened(engine: Engine, move: Move) -> bool:
    """Whether the throttle moved as much as an event needs: near idle a little of it changes the load much."""
    before = median_of(engine.opening[max(0, move.first - 2) : move.first + 1])
    after = median_of(engine.opening[move.last : move.last + 3])
    return not abs(after - before) < LEAST_OPENING


def _slow_events(engine: Engine, fast: list[Event]) -> list[Event]:
    """Idle left or reached in flight too slowly for a move: found where the power state changes."""
    labels = power_labels(engine)
    stretches = runs_of_equal(labels)
    out = []
    for (first, k), (_, stop) in pairwise(stretches):
        pair = (labels[k - 1], labels[k])
        at = float(engine.time_s[k])
        if "idle" not in pair or "part" not in pair or not engine.airborne[k]:
            continue
        if min(k - first, stop - k) * engine.step_s < SLOW_APART_S:
            continue
        if any(e.time_s - SLOW_APART_S < at < e.stop_s + SLOW_APART_S for e in fast):
            continue
        if abs(median_of(engine.load[first:k]) - median_of(engine.load[k:stop])) < LEAST_SLOW:
            continue
        event = _slow_event(engine, int(k), "power_from_idle" if pair[0] == "idle" else "power_to_idle")
        if abs(event.facts["load_change"]) >= LEAST_LAST:
            out.append(event)
    return out


def _slow_event(engine: Engine, k: int, kind: str) -> Event:
    """From the last sample at the idle load to the first above the idle band, or the other way."""
    rim = 0.5 * idle_band(engine)[0]
    reach = round(SLOW_REACH_S / engine.step_s)
    low = max(0, k - reach) if kind == "power_from_idle" else k
    inside = np.flatnonzero(engine.load[low : k + reach if kind == "power_to_idle" else k] < rim)
    edge = low + int(inside[-1 if kind == "power_from_idle" else 0]) if len(inside) else k
    first, last = sorted((edge, k))
    start, stop = float(engine.time_s[first]), float(engine.time_s[last])
    change = float(engine.load[last] - engine.load[first])
    return Event(
        kind, start, stop, max(engine.step_s, stop - start), engine.load_channel or "", float(engine.load[first]),
        float(engine.load[last]), 0.6, DETECTOR, {"load_change": change, "airborne": True, "slow": True},
    )  # fmt: skip


def _power_event(engine: Engine, move: Move) -> Event:
    kind = "power_change"
    enter, leave = idle_band(engine)
    if engine.idle_seen and move.change < 0 and move.after < enter:
        kind = "power_to_idle"
    elif engine.idle_seen and move.change > 0 and move.before < leave:
        kind = "power_from_idle"
    lag = engine.step_s if engine.load_channel == "manifold_pressure" else 2.0 + engine.step_s
    return Event(
        kind, move.start_s, move.stop_s, lag, engine.load_channel or "", move.before, move.after, 0.9, DETECTOR,
        {"load_change": move.change, "airborne": bool(engine.airborne[move.first])},
    )  # fmt: skip


def running_events(engine: Engine) -> tuple[Event, ...]:
    """engine_start and engine_stop from the engine speed."""
    if engine.speed_channel is None:
        return ()
    turning = ~standing(engine) & np.isfinite(engine.speed)
    out = []
    for first, stop in runs(turning):
        if first > 0 and np.isfinite(engine.speed[first - 1]):
            out.append(_running("engine_start", engine, int(first)))
        if stop < len(turning) and np.isfinite(engine.speed[stop]):
            out.append(_running("engine_stop", engine, int(stop)))
    return tuple(out)


def _running(kind: str, engine: Engine, index: int) -> Event:
    at = float(engine.time_s[index])
    before, after = float(engine.speed[index - 1]), float(engine.speed[index])
    return Event(kind, at, at, engine.step_s, engine.speed_channel or "", before, after, 1.0, DETECTOR)
