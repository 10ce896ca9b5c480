"""What a programme's own flights tell of its instruments, and the evidence put right by it.

A careful engineer does not work a polar out of airspeeds known to be wrong. What is written in the settings stands: a position
error table is not corrected again, a given recovery factor neither.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

from .airspeed_fit import AirspeedFit, fit_airspeed
from .evidence import Evidence
from .temperature_fit import TemperatureFit, fit_temperature, settled


@dataclass(frozen=True, slots=True)
class Instruments:
    """What was found; None where the points do not tell it, the settings say it, or it was asked to leave things as recorded."""

    temperature: TemperatureFit | None = None
    airspeed: AirspeedFit | None = None


AS_RECORDED = Instruments()


def put_right(evidence: Evidence) -> tuple[Evidence, Instruments]:
    """The evidence with temperatures put right (`airspeed_fit.corrected` does the airspeeds, by condition), and what was found.

    Option instruments=as_recorded leaves all as it is. Raises SettingsError for another word.
    """
    if evidence.word("instruments", "measured", "as_recorded") == "as_recorded":
        return evidence, AS_RECORDED
    found = look_at(evidence)
    right = dataclasses.replace(evidence, points=settled(evidence.points, found.temperature))
    stands = bool(evidence.settings.aircraft.position_error)
    return right, Instruments(found.temperature, None if stands else found.airspeed)


def look_at(evidence: Evidence) -> Instruments:
    """What the points tell of thermometer and airspeed system as they are calibrated now."""
    if not len(evidence.points):
        return AS_RECORDED
    ram_known = "temperature_recovery_factor" in evidence.settings.aircraft.model_fields_set
    temperature = fit_temperature(evidence.points, ram_known=ram_known)
    right = dataclasses.replace(evidence, points=settled(evidence.points, temperature))
    return Instruments(temperature, fit_airspeed(right))
