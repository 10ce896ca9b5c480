"""Peak load factors: the sortie's highest and lowest in flight, and every excursion far from 1.

Taken at the recorder's own rate, as the most that two successive samples both reached.
"""

from __future__ import annotations

import numpy as np

from ..shared.findings import Event
from ..shared.frame import gap_limit_s
from ..shared.recording import Floats, Recording, Track
from .signal import Flags, Grid, close_short, runs

DETECTOR = "loads/1"
HIGH, LOW = 2.0, 0.2  # g; beyond a 60 degree turn, and nearly weightless: common practice, no source
LEFT_HIGH, LEFT_LOW = 1.6, 0.5  # an excursion is over when the load factor is back within these
NOTABLE = 0.2  # g that the sortie's own peak must differ from 1
APART_S = 1.0
GROUND_S = 2.0  # what the wheels do beside a lift-off or touchdown is no flight load


def find_peak_loads(recording: Recording, grid: Grid, airborne: Flags) -> tuple[Event, ...]:
    """peak_load_factor events in time order; none without the channel. facts: peak [g], duration_s [s] beyond the
    limit above, of_sortie where it is the sortie's own extreme. airborne: flag on the grid (n,)."""
    holders = recording.holders("normal_load_factor")
    if not holders or not len(grid) or not airborne.any():
        return ()
    track = holders[0]
    values = _in_flight(track, grid, airborne)
    found: dict[int, Event] = {}
    for sign, limit, left in ((1.0, HIGH, LEFT_HIGH), (-1.0, LOW, LEFT_LOW)):
        with np.errstate(invalid="ignore"):
            held = np.full(len(values), np.nan)
            held[1:] = sign * np.minimum(sign * values[1:], sign * values[:-1])
            beyond = close_short(sign * held > sign * left, max(1, round(APART_S / track.median_step_s)))
            beyond[1:] &= np.diff(track.time_s) <= gap_limit_s(track)
            spans = runs(beyond)
        if not np.isfinite(held).any():
            return ()
        extreme = int(np.nanargmax(sign * held))
        for first, stop in spans:
            if not np.isfinite(held[first:stop]).any():
                continue
            top = int(first + np.nanargmax(sign * held[first:stop]))
            if sign * held[top] > sign * limit or (top == extreme and abs(held[top] - 1.0) >= NOTABLE):
                found[top] = _event(track, held, (int(first), int(stop)), top, of_sortie=top == extreme)
        if extreme not in found and abs(held[extreme] - 1.0) >= NOTABLE:
            found[extreme] = _event(track, held, (extreme, extreme + 1), extreme, of_sortie=True)
    return tuple(found[k] for k in sorted(found))


def _in_flight(track: Track, grid: Grid, airborne: Flags) -> Floats:
    """The load factor, missing on the ground and beside it."""
    margin = grid.samples(GROUND_S)
    flying = airborne.copy()
    for first, stop in runs(airborne):
        flying[first : first + margin] = first == 0
        if stop < len(flying):
            flying[max(first, stop - margin) : stop] = False
    place = np.clip(np.round((track.time_s - grid.time_s[0]) / grid.step_s), 0, len(grid) - 1).astype(np.int64)
    values = np.asarray(track.columns["normal_load_factor"].values, dtype=np.float64)
    return np.where(flying[place], values, np.nan)


def _event(track: Track, held: Floats, span: tuple[int, int], top: int, *, of_sortie: bool) -> Event:
    first, stop = span
    start, end = float(track.time_s[max(0, first - 1)]), float(track.time_s[stop - 1])
    facts = {
        "peak": float(held[top]),
        "peak_s": float(track.time_s[top]),
        "duration_s": end - start,
        "of_sortie": of_sortie,
    }
    step = track.median_step_s
    doubt = step if np.isfinite(step) else 0.0
    return Event(
        "peak_load_factor", start, end, doubt, "normal_load_factor", None, float(held[top]), 0.9, DETECTOR, facts
    )
