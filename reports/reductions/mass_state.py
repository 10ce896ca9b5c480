"""Mass and centre of gravity at every point, from the test card and the fuel burnt since.

The card's take-off mass and centre of gravity less the fuel burnt at the fuel's arm; the gear's retraction
shifts the moment. Source: SFTE Reference Handbook, 3rd ed. 2013, section 7 (shared.physics.mass).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...shared.settings import Aircraft
from .bands import UNKNOWN, Band, band_of
from .evidence import Evidence, reference_of
from .sheet import LeftOut, Reference

AT_THE_EDGE = "at the edge"


@dataclass(frozen=True, slots=True)
class PointLoading:
    """Mass [kg] and arm of the centre of gravity [m] at one point; envelope: inside, outside, at the edge (as far as the bands tell) or not known."""

    reference: Reference
    gear: str
    mass: Band
    arm: Band
    envelope: str


@dataclass(frozen=True, slots=True)
class MassResult:
    """Loadings in time order; take-off masses by flight [kg]; points without a mass."""

    loadings: tuple[PointLoading, ...]
    take_off: dict[str, tuple[float, float | None]]  # sortie -> mass, arm
    left_out: tuple[LeftOut, ...]
    missing: tuple[str, ...]


def reduce_mass(evidence: Evidence) -> MassResult:
    """Mass and centre of gravity of every accepted point of the evidence."""
    cards = {name: evidence.programme.card(name) for name in evidence.sorties}
    take_off: dict[str, tuple[float, float | None]] = {}
    for name, card in cards.items():
        mass, arm = card.get("take_off_mass_kg"), card.get("cg_m")
        if isinstance(mass, (int, float)):
            take_off[name] = (float(mass), float(arm) if isinstance(arm, (int, float)) else None)
    loadings, left_out = [], list(evidence.left_out)
    for row in evidence.points.to_dict("records"):
        named = {str(key): value for key, value in row.items()}
        if named["mass_from"] != "card" or named["mass"] != named["mass"]:
            reason = (
                "its mass is only the one of the settings" if named["mass_from"] == "settings" else "no mass is known"
            )
            left_out.append(LeftOut(f"point {named['number']} of {named['sortie']}", reason, reference_of(named)))
            continue
        loadings.append(_loading(named, take_off.get(str(named["sortie"]), (float("nan"), None)), evidence))
    return MassResult(tuple(loadings), take_off, tuple(left_out), tuple(_missing(evidence, take_off)))


def _loading(row: dict[str, object], start: tuple[float, float | None], evidence: Evidence) -> PointLoading:
    uncertainty, aircraft = evidence.settings.uncertainty, evidence.settings.aircraft
    now = float(row["mass"])  # type: ignore[arg-type]
    mass = band_of(now, 0.0, uncertainty.mass_share * now, unit="kg")
    arm = UNKNOWN
    if start[1] is not None and aircraft.fuel_arm is not None and row["gear"] in ("up", "down", "fixed"):
        value = arm_after_burn(start[0], start[1], now, fuel_arm=float(aircraft.fuel_arm))
        if row["gear"] == "up":
            value += (aircraft.gear_retraction_moment or 0.0) / now
        # half the burnt fuel's share of the mass may be off with the flow meter: its arm moves the CG so much
        burnt = abs(float(aircraft.fuel_arm) - value) * uncertainty.mass_share
        arm = band_of(value, 0.0, float(np.hypot(uncertainty.centre_of_gravity, burnt)), unit="m")
    return PointLoading(reference_of(row), str(row["gear"]), mass, arm, place_of_bands(mass, arm, aircraft))


def arm_after_burn(mass: float, arm: float, mass_now: float, *, fuel_arm: float) -> float:
    """Arm [m] of the centre of gravity after fuel at `fuel_arm` [m] was burnt: moments less the fuel's.

    mass [kg] and arm [m] before; mass_now [kg]. Source: SFTE Reference Handbook, 3rd ed. 2013, section 7.
    """
    return (mass * arm - (mass - mass_now) * fuel_arm) / mass_now


def place_of_bands(mass: Band, arm: Band, aircraft: Aircraft) -> str:
    """As `place_in_envelope`, but 'at the edge' where the bands of mass and arm reach over it."""
    middle = place_in_envelope(mass.value, arm.value, aircraft)
    corners = {place_in_envelope(m, a, aircraft) for m in (mass.low, mass.high) for a in (arm.low, arm.high)}
    return middle if corners <= {middle} else AT_THE_EDGE


def place_in_envelope(mass: float, arm: float, aircraft: Aircraft) -> str:
    """inside, outside, or not known without an envelope of three corners or without an arm."""
    corners = [(float(one.arm), float(one.mass)) for one in aircraft.loading_envelope]
    if len(corners) < 3 or arm != arm:
        return "not known"
    inside = False
    for (x1, y1), (x2, y2) in zip(corners, corners[1:] + corners[:1], strict=True):
        if (y1 > mass) != (y2 > mass) and arm < x1 + (mass - y1) * (x2 - x1) / (y2 - y1):
            inside = not inside
    return "inside" if inside else "outside"


def _missing(evidence: Evidence, take_off: dict[str, tuple[float, float | None]]) -> list[str]:
    without = [name for name in evidence.sorties if name not in take_off]
    aircraft = evidence.settings.aircraft
    texts = []
    if without:
        texts.append(f"a take-off mass on the test card of {', '.join(without)}")
    if any(arm is not None for _, arm in take_off.values()) and aircraft.fuel_arm is None:
        texts.append("aircraft.fuel_arm in settings.toml: without it the centre of gravity is known at take-off only")
    if any(arm is None for _, arm in take_off.values()):
        texts.append("a centre of gravity on the test cards")
    if len(aircraft.loading_envelope) < 3:
        texts.append("aircraft.loading_envelope in settings.toml: nothing is said about the envelope")
    return texts
