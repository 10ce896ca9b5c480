"""Steady-heading sideslips: bank without the turn that a co-ordinated bank makes.

The bank that the turn rate asks for, atan(w V / g), is taken off the bank flown; what stays for some
seconds is held by the rudder. The rudder is not in the log.
"""

from __future__ import annotations

import numpy as np

from ..shared.findings import Manoeuvre, Segment
from ..shared.physics.turn import bank_in_turn
from ..shared.recording import Floats
from .motion import Motion
from .robust import median_of
from .signal import Flags, Grid, keep_long, runs, slope, smooth

DETECTOR = "sideslips/1"
LEAST_RAD = np.radians(4.0)  # common practice, no source
TURN_SHARE = 0.4  # of the bank may be the turn's
SHORTEST_S = 8.0
TURN_LINE_S = 6.0


def find_sideslips(motion: Motion, grid: Grid, clear: Flags) -> tuple[Manoeuvre, ...]:
    """sideslip manoeuvres in time order; only from a recorded bank. clear: flag (n,)."""
    if motion.bank_channel != "bank" or not np.isfinite(motion.heading).any():
        return ()
    held = smooth(uncoordinated_bank(motion), motion.samples(3.0))
    with np.errstate(invalid="ignore"):
        turning = np.abs(motion.bank - held) < TURN_SHARE * np.abs(motion.bank)
    found = []
    for sign in (1.0, -1.0):
        with np.errstate(invalid="ignore"):
            flags = (sign * held > LEAST_RAD) & turning & motion.airborne & clear
        for first, stop in runs(keep_long(flags, motion.samples(SHORTEST_S))):
            span = slice(int(first), int(stop))
            facts = {
                "bank": median_of(motion.bank[span]),
                "uncoordinated_bank": median_of(held[span]),
                "heading_change": float(motion.heading[stop - 1] - motion.heading[first]),
                "airspeed": median_of(motion.airspeed[span]),
                "lateral_load_factor": _median_or_none(grid.numbers("lateral_load_factor")[span]),
                "sideslip": _median_or_none(grid.numbers("sideslip")[span]),
            }
            segment = Segment(motion.start_of(int(first)), motion.start_of(int(stop)))
            found.append(Manoeuvre(segment, "sideslip", ("bank",), 0.7, DETECTOR, facts))
    return tuple(sorted(found, key=lambda m: m.segment.start_s))


def uncoordinated_bank(motion: Motion) -> Floats:
    """Bank [rad] that no turn accounts for, NaN where it cannot be told."""
    rate = slope(motion.heading, motion.samples(TURN_LINE_S), motion.step_s)
    return motion.bank - bank_in_turn(motion.true_airspeed, rate)


def _median_or_none(values: Floats) -> float | None:
    value = median_of(values)
    return value if np.isfinite(value) else None
