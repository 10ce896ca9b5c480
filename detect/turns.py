"""Steady turns and wind-up turns.

A steady turn is the longest stretch of a turn whose bank stays within points.turn_bank_band of its
middle. A wind-up turn is a turn whose load factor is raised all along. The load factor as recorded
stands beside the ones a level, co-ordinated turn of that bank and of that turn rate has
(shared.physics.turn): where they differ, the turn was not level, not co-ordinated, or in wind.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from ..shared.findings import Manoeuvre, Segment
from ..shared.physics.turn import bank_in_turn, load_factor_of_bank, load_factor_of_turn_rate, turn_radius
from ..shared.recording import Floats
from ..shared.settings import PointCriteria
from .motion import Motion
from .signal import Flags, runs
from .windows import Series

DETECTOR = "turns/1"
SHORTEST_S = 10.0
TURNED_SHARE = 0.6  # of the bank that the turn rate must account for
WIND_UP_LOAD = 2.0  # a wind-up turn reaches at least this; common practice, no source
WIND_UP_GAIN = 0.6  # and gains as much while it lasts
WIND_UP_S = (8.0, 90.0)  # quicker is a turn rolled into
AT_REST = 0.02  # g above the least that the load factor had before it rose
RISING_SHARE = 0.75  # of a wind-up turn's steps must the load factor rise in


def find_turns(motion: Motion, limits: PointCriteria, clear: Flags) -> tuple[Manoeuvre, ...]:
    """Turns in time order. clear: where a turn is a turn and no recovery, flag (n,)."""
    if motion.bank_channel is None:
        return ()
    bank = Series(motion.bank)
    with np.errstate(invalid="ignore"):
        right, left = motion.bank > limits.turn_bank, -motion.bank > limits.turn_bank
    found: list[Manoeuvre] = []
    for side in (right, left):
        for first, stop in runs(side & motion.airborne & clear):
            if (stop - first) * motion.step_s < min(SHORTEST_S, WIND_UP_S[0]):
                continue
            wind_up = _wind_up(motion, int(first), int(stop))
            found += [wind_up] if wind_up else _steady(motion, bank, int(first), int(stop), band=limits.turn_bank_band)
    return tuple(sorted(found, key=lambda m: m.segment.start_s))


def _steady(motion: Motion, bank: Series, first: int, stop: int, *, band: float) -> list[Manoeuvre]:
    """The longest steady stretch, then the same before and after it, each of SHORTEST_S at least."""
    least = motion.samples(SHORTEST_S)
    if stop - first < least:
        return []
    starts = np.arange(first, stop - least + 1, dtype=np.int64)
    reach = np.minimum(bank.reach(starts, 2 * band, gaps=True, most=stop - first), stop)
    k = int(np.argmax(reach - starts))
    a, b = first + k, int(reach[k])
    if b - a < least:
        return []
    facts = _turn_facts(motion, a, b)
    here = [Manoeuvre(_segment(motion, a, b), "turn", _channels(motion), 0.9, DETECTOR, facts)]
    before, after = _steady(motion, bank, first, a, band=band), _steady(motion, bank, b, stop, band=band)
    return [*before, *(here if _turned(facts) else ()), *after]


def _turned(facts: Mapping[str, Any]) -> bool:
    """Whether the aircraft went round as the bank says: a sideslip is no turn."""
    true, rate = facts["true_airspeed"], facts["turn_rate"]
    return rate is None or true is None or abs(float(bank_in_turn(true, rate))) > TURNED_SHARE * abs(facts["bank"])


def _turn_facts(motion: Motion, first: int, stop: int) -> dict[str, Any]:
    bank = _mean(motion.bank[first:stop]) or 0.0
    true = _mean(motion.true_airspeed[first:stop])
    change = _change(motion.heading, first, stop)
    rate = change / ((stop - first) * motion.step_s) if change is not None else None
    return {
        "side": "right" if bank > 0 else "left",
        "bank": bank,
        "bank_deviation": float(np.nanstd(motion.bank[first:stop])),
        "turn_rate": rate,
        "heading_change": change,
        "load_factor": _mean(motion.load_factor[first:stop]),
        "load_factor_of_bank": float(load_factor_of_bank(bank)),
        "load_factor_of_turn_rate": float(load_factor_of_turn_rate(true, rate)) if true and rate else None,
        "radius_m": float(turn_radius(true, bank)) if true else None,
        "airspeed": _mean(motion.airspeed[first:stop]),
        "airspeed_change": _change(motion.airspeed, first, stop),
        "true_airspeed": true,
        "height_m": _mean(motion.height[first:stop]),
        "height_change_m": _change(motion.height, first, stop),
    }


def _mean(values: Floats) -> float | None:
    """Mean of the finite samples, None without any."""
    whole = float(values.mean())
    if np.isfinite(whole):
        return whole
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else None


def _wind_up(motion: Motion, first: int, stop: int) -> Manoeuvre | None:
    """From where the load factor begins to rise to its peak, when it rises nearly all along."""
    load = motion.load_factor
    if not np.isfinite(load[first:stop]).any():
        return None
    top = first + int(np.nanargmax(load[first:stop]))
    if not load[top] >= WIND_UP_LOAD:
        return None
    # the load factor rises from 1 before the bank counts as a turn
    reach = max(0, first - motion.samples(15.0))
    before = load[reach : top + 1]
    with np.errstate(invalid="ignore"):
        begin = reach + int(np.flatnonzero(before <= np.nanmin(before) + AT_REST)[-1])
    seconds = (top - begin) * motion.step_s
    steps = load[begin : top + 1 : motion.samples(1.0)]
    gain = float(load[top] - load[begin])
    rising = float(np.mean(np.diff(steps) > 0)) if len(steps) > 2 else 0.0
    if not WIND_UP_S[0] <= seconds <= WIND_UP_S[1] or not gain >= WIND_UP_GAIN or rising < RISING_SHARE:
        return None
    facts = {
        "side": "right" if motion.bank[top] > 0 else "left",
        "peak_load_factor": float(load[top]),
        "load_factor_per_s": gain / seconds,
        "bank_at_peak": float(motion.bank[top]),
        "airspeed_at_start": _finite(motion.airspeed[begin]),
        "airspeed_at_peak": _finite(motion.airspeed[top]),
        "height_change_m": _change(motion.height, begin, top + 1),
    }
    channels = ("normal_load_factor", *_channels(motion))
    return Manoeuvre(_segment(motion, begin, top + 1), "wind_up_turn", channels, 0.8, DETECTOR, facts)


def _channels(motion: Motion) -> tuple[str, ...]:
    return (motion.bank_channel,) if motion.bank_channel else ()


def _segment(motion: Motion, first: int, stop: int) -> Segment:
    return Segment(motion.start_of(first), motion.start_of(stop))


def _change(values: Floats, first: int, stop: int) -> float | None:
    return _finite(values[stop - 1] - values[first])


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
