"""Gear and flap told from the aircraft's response, where a recording has no channel for one or both."""

from __future__ import annotations

from collections.abc import Set
from dataclasses import dataclass

import numpy as np

from ..shared.recording import Recording
from ..shared.settings import Settings
from .configuration_inference import infer_configuration
from .course import Told
from .engine import Engine
from .flap_inference import inferred_flap
from .flight import Flight
from .gear_inference import CARD, SETTINGS, gear_shows, inferred_gear
from .governor import is_governed
from .lift import read_lift
from .planned_gear import plans_gear_moves
from .response import Response, read_response
from .signal import Grid
from .witness import mark_times

FEWEST_SECONDS = 120
MOST_NOISE_RAD = np.radians(1.3)  # rougher air hides a setting: they lie two degrees and more apart


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """What is known before: flight and engine; who says that the gear moves at all, None where nobody does."""

    flight: Flight
    engine: Engine | None
    vouched: str | None


def told_from_response(
    wanted: Set[str],
    grid: Grid,
    recording: Recording,
    *,
    settings: Settings,
    known: Known,
) -> dict[str, Told]:
    """'gear' and 'flap', those wanted, as far as the response tells them: none, one or both."""
    vouched = known.vouched
    may_retract = "gear" in wanted and settings.aircraft.retractable_gear is not False
    may_retract = may_retract and (vouched is not None or _governed(settings, known.engine))
    response = _telling_response(grid, known, settings) if may_retract or "flap" in wanted else None
    if response is None:
        return {}
    stop_s, marks = float(grid.time_s[-1]) + grid.step_s, mark_times(recording)
    out: dict[str, Told] = {}
    found = None
    if may_retract and np.isfinite(response.drag).any():
        found = infer_configuration(response, retractable=True)
    flaps_alone = None if found and vouched else infer_configuration(response, retractable=False)
    if found and (vouched or (flaps_alone and gear_shows(found, flaps_alone, response))):
        out["gear"] = inferred_gear(found, response, stop_s=stop_s, marks=marks, vouched=vouched)
    else:
        found = flaps_alone
    if "flap" not in wanted:
        return out
    flap = found and inferred_flap(found, response.time_s, settings.aircraft.flap_settings, stop_s=stop_s, marks=marks)
    return {**out, "flap": flap} if flap else out


def who_vouches(settings: Settings, recording: Recording) -> str | None:
    """Who says that the gear moves: the settings, the crew's card, or nobody."""
    if settings.aircraft.retractable_gear:
        return SETTINGS
    silent = settings.aircraft.retractable_gear is None
    return CARD if silent and plans_gear_moves(recording.card) else None


def movable_of(settings: Settings, engine: Engine | None) -> frozenset[str]:
    """Which of gear and flap may move on this aircraft: a gear is taken for fixed beside a fixed-pitch propeller."""
    retracts = settings.aircraft.retractable_gear
    if retracts is None:
        governed = settings.aircraft.governed_propeller
        retracts = (
            is_governed(engine) is not False if governed is None and engine is not None else governed is not False
        )
    return frozenset({"gear", "flap"} if retracts else {"flap"})


def _telling_response(grid: Grid, known: Known, settings: Settings) -> Response | None:
    """The response where enough was flown in air calm enough."""
    lift = read_lift(grid, known.flight.airborne)
    if lift is None or lift.slope <= 0.0:
        return None
    governed = settings.aircraft.governed_propeller
    if governed is None and known.engine is not None:
        governed = is_governed(known.engine)
    response = read_response(grid, known.flight.airborne, lift, fixed_pitch=governed is False)
    told = np.isfinite(response.offset)
    if np.count_nonzero(told) < FEWEST_SECONDS or np.median(lift.noise[told]) > MOST_NOISE_RAD:
        return None
    return response


def _governed(settings: Settings, engine: Engine | None) -> bool:
    if settings.aircraft.governed_propeller is not None:
        return settings.aircraft.governed_propeller
    return engine is not None and engine.speed_channel is not None and bool(is_governed(engine))
