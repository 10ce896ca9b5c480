"""The aircraft's mass along the flight, from the test card's take-off mass and the fuel burnt since."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..shared.physics.mass import fuel_burnt
from ..shared.recording import Recording

Floats = NDArray[np.float64]

# petrol and kerosene between 0 and 40 degC lie inside this; kg/m3, common practice, no source
_DENSITY_LOW, _DENSITY_HIGH = 650.0, 860.0
_ROLLING_SHARE = 0.5  # of the usual airspeed: the take-off run


@dataclass(frozen=True, slots=True, eq=False)
class MassAlong:
    """values: kg at every row of the main track, shape (n,)."""

    values: Floats
    inputs: tuple[str, ...]
    text: str


def mass_along(recording: Recording) -> MassAlong | None:
    """Take-off mass of the card less the fuel used since take-off; None where either is unknown."""
    start = recording.card.take_off_mass_kg
    if start is None:
        return None
    time_s = recording.track(recording.main).time_s
    used = _by_flow(recording, time_s)
    if used is None:
        return None
    burnt, inputs, how = used
    at_take_off = float(np.interp(_take_off_time(recording), time_s, burnt))
    text = f"mass: {start:.0f} kg at take-off (test card) less {how}"
    return MassAlong(start - (burnt - at_take_off), inputs, text)


def _by_flow(recording: Recording, time_s: Floats) -> tuple[Floats, tuple[str, ...], str] | None:
    for holder in recording.holders("fuel_mass_flow"):
        burnt = fuel_burnt(holder.columns["fuel_mass_flow"].values, holder.time_s)
        return np.interp(time_s, holder.time_s, burnt), ("fuel_mass_flow",), "the fuel mass flow summed"
    density = fuel_density(recording)
    if density is None:
        return None
    for holder in recording.holders("fuel_flow"):
        burnt = density * fuel_burnt(holder.columns["fuel_flow"].values, holder.time_s)
        how = f"the fuel flow summed, at {density:.0f} kg/m3 (card's fuel mass over the gauge's volume)"
        return np.interp(time_s, holder.time_s, burnt), ("fuel_flow", "fuel_quantity"), how
    return None


def fuel_density(recording: Recording) -> float | None:
    """kg/m3 from the card's fuel mass over the gauge's volume at the start; None outside petrol's range."""
    fuel = recording.card.take_off_fuel_kg
    holder = next(iter(recording.holders("fuel_quantity")), None)
    if fuel is None or holder is None:
        return None
    gauge = holder.columns["fuel_quantity"].values
    early = gauge[np.isfinite(gauge)][: max(10, len(gauge) // 50)]
    if not len(early) or float(np.median(early)) <= 0:
        return None
    density = fuel / float(np.median(early))
    return density if _DENSITY_LOW <= density <= _DENSITY_HIGH else None


def _take_off_time(recording: Recording) -> float:
    """When the airspeed first passes half of its usual value; the start where it is not recorded."""
    track = recording.track(recording.main)
    column = next(
        (track.columns[n] for n in ("indicated_airspeed", "recorded_true_airspeed") if n in track.columns), None
    )
    if column is None or not np.isfinite(column.values).any():
        return float(track.time_s[0])
    fast = column.values > _ROLLING_SHARE * float(np.nanpercentile(column.values, 75))
    return float(track.time_s[int(np.argmax(fast))])
