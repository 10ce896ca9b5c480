"""From a measured airspeed correction to the rows of a position error table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...shared.errors import SettingsError
from ...shared.settings import Settings
from ...shared.units import from_si
from .calibration import CalibrationResult
from .calibration_sheet import speeds_inside


@dataclass(frozen=True, slots=True)
class CorrectionRow:
    """calibrated = indicated + correction, both [m/s]."""

    indicated: float
    correction: float

    def indicated_text(self, unit: str) -> str:
        """The indicated airspeed in a unit."""
        return f"{from_si(self.indicated, unit):.1f}"

    def correction_text(self, unit: str) -> str:
        """The correction in a unit, with its sign."""
        return f"{from_si(self.correction, unit):+.2f}"


def correction_rows(result: CalibrationResult, settings: Settings) -> tuple[CorrectionRow, ...]:
    """Rows at round indicated airspeeds inside the measured range, of the configuration with the most estimates.

    What the table in use says is contained in them. Raises SettingsError when nothing was measured.
    """
    if not result.pooled:
        raise SettingsError(
            "no airspeed correction has been measured", do="`trimshot reduce calibration` says what it would need"
        )
    best = max(result.pooled, key=lambda one: (one.estimates, one.high - one.low))
    table = settings.aircraft.plain_corrections()
    rows = []
    for speed in speeds_inside(best.low, best.high, settings):
        now = speed + (float(np.interp(speed, *np.transpose(table))) if table else 0.0)
        correction = best.at(min(max(now, best.low), best.high)).value
        rows.append(CorrectionRow(speed, now + correction - speed))
    return tuple(rows)
