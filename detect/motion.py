"""How the aircraft moved, on the grid: what every manoeuvre is told from.

Short means take out what an instrument or a gust does in a second: 1 s for speed, pitch and load
factor, 3 s for bank, straight lines of 4 s for rates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..shared.physics.constants import STANDARD_GRAVITY
from ..shared.recording import Floats
from .flight import HEIGHT_CHANNELS
from .signal import Flags, Grid, slope, smooth, unwrap

AIRSPEEDS = ("calibrated_airspeed", "indicated_airspeed", "true_airspeed", "recorded_true_airspeed")
DIRECTIONS = ("track_true", "heading_true", "heading_magnetic", "unnamed_heading")
RATE_LINE_S = 4.0
BANK_MEAN_S = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """Arrays (n,) on the grid, SI, NaN where a channel is missing; names of the channels they came from.

    direction: over the ground where recorded, else the heading; without jumps, as heading is.
    """

    step_s: float
    time_s: Floats
    airborne: Flags
    airspeed: Floats
    airspeed_rate: Floats
    airspeed_channel: str | None
    true_airspeed: Floats
    height: Floats
    climb: Floats
    height_channel: str | None
    bank: Floats
    bank_channel: str | None
    pitch: Floats
    load_factor: Floats
    heading: Floats
    direction: Floats
    direction_channel: str | None

    def samples(self, seconds: float) -> int:
        """A time as a number of grid steps, at least one."""
        return max(1, round(seconds / self.step_s))

    def start_of(self, index: int) -> float:
        """Time of a sample, also of the one past the last."""
        return float(self.time_s[0] + index * self.step_s)


def motion_of(grid: Grid, airborne: Flags) -> Motion:
    """The motion over the grid's time; airborne: flag (n,)."""
    second, line = grid.samples(1.0), grid.samples(RATE_LINE_S)
    speed_channel, height_channel = grid.first(*AIRSPEEDS), grid.first(*HEIGHT_CHANNELS)
    direction_channel = grid.first(*DIRECTIONS)
    airspeed = smooth(grid.numbers(speed_channel or ""), second)
    true = smooth(grid.numbers(grid.first("true_airspeed", "recorded_true_airspeed") or ""), second)
    true = np.where(np.isfinite(true), true, airspeed)
    height = grid.numbers(height_channel or "")
    heading = smooth(unwrap(grid.numbers(grid.first(*DIRECTIONS[1:], "track_true") or "")), second)
    bank, bank_channel = _bank(grid, true, heading)
    return Motion(
        step_s=grid.step_s,
        time_s=grid.time_s,
        airborne=airborne,
        airspeed=airspeed,
        airspeed_rate=slope(airspeed, line, grid.step_s),
        airspeed_channel=speed_channel,
        true_airspeed=true,
        height=smooth(height, second),
        climb=slope(height, line, grid.step_s),
        height_channel=height_channel,
        bank=bank,
        bank_channel=bank_channel,
        pitch=smooth(grid.numbers("pitch"), second),
        load_factor=smooth(grid.numbers("normal_load_factor"), second),
        heading=heading,
        direction=smooth(unwrap(grid.numbers(direction_channel or "")), second),
        direction_channel=direction_channel,
    )


def _bank(grid: Grid, true_airspeed: Floats, heading: Floats) -> tuple[Floats, str | None]:
    """The bank, else the one a co-ordinated turn of the heading's rate needs: tan(bank) = V w / g."""
    if grid.first("bank") is not None:
        return smooth(grid.numbers("bank"), grid.samples(BANK_MEAN_S)), "bank"
    channel = grid.first(*DIRECTIONS[1:], "track_true")
    rate = slope(heading, grid.samples(BANK_MEAN_S), grid.step_s)
    return np.arctan(true_airspeed * rate / STANDARD_GRAVITY), channel
