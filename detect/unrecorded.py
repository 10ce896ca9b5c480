"""Gear and flap told from the aircraft's response, where a recording has no channel for one or both."""

from __future__ import annotations

from collections.abc import Set

import numpy as np

from ..shared.recording import Recording
from ..shared.settings import Settings
from .configuration_inference import infer_configuration
from .course import Told
from .engine import Engine
from .flap_inference import inferred_flap
from .flight import Flight
from .gear_inference import inferred_gear
from .governor import is_governed
from .lift import read_lift
from .response import Response, read_response
from .signal import Grid
from .witness import mark_times

FEWEST_SECONDS = 120
MOST_NOISE_RAD = np.radians(1.3)  # rougher air hides a setting: they lie two degrees and more apart


def told_from_response(
    wanted: Set[str],
    grid: Grid,
    recording: Recording,
    *,
    settings: Settings,
    configuration: tuple[Flight, Engine | None],
) -> dict[str, Told]:
    """'gear' and 'flap', those wanted, as far as the response tells them: none, one or both."""
    flight, engine = configuration
    retracts = settings.aircraft.retractable_gear
    may_retract = "gear" in wanted and retracts is not False and (retracts or _governed(settings, engine))
    response = _telling_response(grid, flight) if may_retract or "flap" in wanted else None
    if response is None:
        return {}
    stop_s, marks = float(grid.time_s[-1]) + grid.step_s, mark_times(recording)
    out: dict[str, Told] = {}
    found = None
    if may_retract and np.isfinite(response.drag).any():
        found = infer_configuration(response, retractable=True)
        gear = found and inferred_gear(found, response, stop_s=stop_s, marks=marks, known_to_retract=bool(retracts))
        if gear:
            out["gear"] = gear
    if "flap" not in wanted:
        return out
    if "gear" not in out:  # flaps alone explain the drag
        found = infer_configuration(response, retractable=False)
    flap = found and inferred_flap(found, response.time_s, settings.aircraft.flap_settings, stop_s=stop_s, marks=marks)
    return {**out, "flap": flap} if flap else out


def movable_of(settings: Settings, engine: Engine | None) -> frozenset[str]:
    """Which of gear and flap may move on this aircraft: a gear is taken for fixed beside a fixed-pitch propeller."""
    retracts = settings.aircraft.retractable_gear
    if retracts is None:
        governed = settings.aircraft.governed_propeller
        retracts = (
            is_governed(engine) is not False if governed is None and engine is not None else governed is not False
        )
    return frozenset({"gear", "flap"} if retracts else {"flap"})


def _telling_response(grid: Grid, flight: Flight) -> Response | None:
    """The response where enough was flown in air calm enough."""
    lift = read_lift(grid, flight.airborne)
    if lift is None or lift.slope <= 0.0:
        return None
    response = read_response(grid, flight.airborne, lift)
    known = np.isfinite(response.offset)
    if np.count_nonzero(known) < FEWEST_SECONDS or np.median(lift.noise[known]) > MOST_NOISE_RAD:
        return None
    return response


def _governed(settings: Settings, engine: Engine | None) -> bool:
    if settings.aircraft.governed_propeller is not None:
        return settings.aircraft.governed_propeller
    return engine is not None and engine.speed_channel is not None and bool(is_governed(engine))
