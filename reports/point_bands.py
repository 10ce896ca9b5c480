"""What a point's numbers may be wrong by besides the scatter of their samples: calibration, installation, knowledge of the load.

Standard uncertainties of type B stand in [uncertainty] of settings.toml; they are joined with those of the samples as
JCGM 100:2008, Guide to the expression of uncertainty in measurement, 5.1.2 has it, and told with k = 2.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import hypot
from typing import Any

from ..shared.settings import Settings
from .display import number, shown_difference

_RATES = ("sink_rate", "energy_climb_rate", "geometric_climb_rate", "pressure_altitude_rate", "vertical_speed")
_TEMPERATURES = ("static_air_temperature", "outside_air_temperature")


def type_b_of(means: Mapping[str, float], settings: Settings) -> dict[str, float]:
    """Standard uncertainty [SI] of those of a point's means [SI] for which the settings state one; others are not named."""
    known = settings.uncertainty
    airspeed = settings.airspeed_uncertainty
    out = {"calibrated_airspeed": airspeed, "equivalent_airspeed": airspeed, "ground_speed": float(known.ground_speed)}
    calibrated, true = means.get("calibrated_airspeed", 0.0), means.get("true_airspeed", 0.0)
    if calibrated > 0:
        out["true_airspeed"] = airspeed * true / calibrated
    out["pressure_altitude"] = float(known.altitude)
    out |= dict.fromkeys(_TEMPERATURES, float(known.temperature))
    shares = {"engine_speed": known.engine_speed_share, "mass": known.mass_share}
    shares |= dict.fromkeys(_RATES, known.vertical_speed_share)
    out |= {name: share * abs(means[name]) for name, share in shares.items() if name in means}
    return {name: value for name, value in out.items() if name in means}


def whole_band(statistic: Mapping[str, Any]) -> float | None:
    """Half the band (k = 2) of a statistic as shown, of both types; None where the samples' part is not known."""
    error = statistic["standard_error"]
    return None if error is None else 2 * hypot(error, statistic["type_b"] or 0.0)


def bands_note(settings: Settings) -> str:
    """What stands behind the ± of a point's numbers, in one sentence for people."""
    unit = settings.display_unit("speed")
    airspeed = number(2 * float(shown_difference(settings.airspeed_uncertainty, "calibrated_airspeed", settings)), unit)
    corrected = bool(settings.aircraft.position_error)
    table = "with the" if corrected else "without a"
    basis = (
        ""
        if corrected
        else (
            " Airspeeds are as recorded; `drag` and what rests on it add what the flights themselves tell of the airspeed system "
            "(`reduce calibration` has it)."
        )
    )
    return (
        f"± is k = 2: the samples' scatter, correlation and resolution, and the calibration as [uncertainty] of settings.toml "
        f"states it (airspeed ± {airspeed} {unit}, {table} position error table), which all points of an instrument share.{basis}"
    )
