"""From a header's concepts to a channel: one closed table of rules.

A rule names the concepts a channel needs. A header with a concept or word left over that no rule
knows is not that channel: `Target Airspeed` is no airspeed.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from ..shared.vocabulary import CHANNELS
from .words import readings_of


@dataclass(frozen=True, slots=True)
class Rule:
    """One way to name a channel: every alternative is a set of concepts, nothing more allowed.

    `kinds`: kinds of unit (shared.units.SI) the column may have. `optional`: concepts that may
    stand beside. `evidence`: set when the name alone does not say it all and the reader is told.
    `needs_unit`: without a stated unit the name means another channel as well.
    """

    channel: str
    kinds: tuple[str, ...]
    names: tuple[frozenset[str], ...]
    optional: frozenset[str] = frozenset()
    evidence: str = ""
    needs_unit: bool = False

    def fits(self, concepts: frozenset[str]) -> bool:
        """True when the concepts are one of the names, with nothing beside it but optional ones."""
        return any(name <= concepts and concepts - name <= self.optional for name in self.names)


def _rule(channel: str, kinds: str, names: str, optional: str = "", **more: Any) -> Rule:
    sets = tuple(frozenset(name.split()) for name in names.split("|"))
    return Rule(channel, tuple(kinds.split()), sets, frozenset(optional.split()), **more)


RULES: tuple[Rule, ...] = (
    # air data
    _rule("indicated_airspeed", "speed", "indicated airspeed|indicated speed|indicated", "speed"),
    _rule("calibrated_airspeed", "speed", "calibrated airspeed|calibrated speed", "speed"),
    _rule("equivalent_airspeed", "speed", "equivalent airspeed|equivalent speed", "speed"),
    _rule("recorded_true_airspeed", "speed", "true airspeed|true speed", "speed"),
    _rule("vertical_speed", "speed", "vertical speed|climb rate|vertical rate|climb speed|vertical|climb"),
    _rule("ground_speed", "speed", "ground speed|satellite speed|satellite ground speed|ground", "on"),
    _rule(
        "indicated_airspeed", "speed", "airspeed", evidence="an airspeed without a further word is the instrument's own"
    ),
    _rule("altimeter_setting", "pressure", "baro setting|baro pressure|baro|pressure setting|baro pressure setting"),
    _rule("static_pressure", "pressure", "static pressure|static|static air pressure|outside pressure|air pressure"),
    _rule("impact_pressure", "pressure", "impact pressure|impact"),
    _rule("pressure_altitude", "length", "pressure altitude|standard altitude|standard pressure altitude"),
    _rule("baro_altitude", "length", "baro altitude|indicated altitude|baro indicated altitude"),
    _rule("gnss_ellipsoid_altitude", "length", "ellipsoid altitude|satellite ellipsoid altitude|ellipsoid"),
    _rule("gnss_altitude", "length", "satellite sealevel altitude|satellite sealevel"),
    _rule("gnss_unnamed_altitude", "length", "satellite altitude"),
    _rule("geoid_height", "length", "geoid altitude|geoid|geoid satellite"),
    _rule("unnamed_altitude", "length", "altitude|sealevel altitude"),
    _rule("static_air_temperature", "temperature", "static temperature|static air temperature|satellite"),
    _rule(
        "outside_air_temperature",
        "temperature",
        "outside temperature|outside air temperature|air temperature|total temperature|total air temperature|outside air",
    ),
    # attitude and motion
    _rule("pitch_rate", "angular_rate", "pitch rate"),
    _rule("pitch_rate", "angular_rate", "pitch", needs_unit=True),
    _rule("roll_rate", "angular_rate", "roll rate"),
    _rule("roll_rate", "angular_rate", "roll", needs_unit=True),
    _rule("yaw_rate", "angular_rate", "yaw rate"),
    _rule("yaw_rate", "angular_rate", "yaw", needs_unit=True),
    _rule("turn_rate", "angular_rate", "turn rate|turn|heading rate"),
    _rule("pitch", "angle", "pitch", "attitude angle"),
    _rule("bank", "angle", "roll", "attitude angle"),
    _rule("heading_magnetic", "angle", "heading magnetic|magnetic|head magnetic", "angle"),
    _rule("heading_magnetic", "angle", "course magnetic", evidence="a magnetic course beside no other heading"),
    _rule("heading_true", "angle", "heading true|head true|yaw true", "angle"),
    _rule("track_true", "angle", "track|track true|track satellite|track satellite true|track ground", "angle on"),
    _rule(
        "track_true",
        "angle",
        "course satellite|course satellite true|course ground|satellite course ground|satellite heading",
        "angle on",
    ),
    _rule("unnamed_heading", "angle", "heading|yaw", "angle attitude"),
    _rule(
        "normal_load_factor",
        "load_factor acceleration",
        "normal acceleration|normal|acceleration|vertical acceleration|standard acceleration",
    ),
    _rule("lateral_load_factor", "load_factor acceleration", "lateral acceleration|lat acceleration|lateral"),
    _rule(
        "longitudinal_load_factor",
        "load_factor acceleration",
        "longitudinal acceleration|long acceleration|longitude acceleration|longitudinal",
    ),
    _rule("angle_of_attack", "angle", "attack", "angle"),
    _rule("sideslip", "angle", "sideslip", "angle"),
    # satellite navigation
    _rule("latitude", "angle", "lat|latitude", "satellite"),
    _rule("longitude", "angle", "long|longitude", "satellite"),
    _rule("fix_quality", "count", "fix quality|quality|fix", "satellite"),
    _rule("satellites", "count", "satellites", "satellite"),
    _rule("horizontal_dilution", "ratio", "horizontal_dilution", "satellite"),
    _rule("magnetic_variation", "angle", "magnetic variation|variation"),
    # engine and propeller
    _rule("propeller_speed", "rotation", "propeller rotation|propeller speed"),
    _rule("engine_speed", "rotation", "rotation|engine speed|engine", "engine"),
    _rule("engine_speed", "rotation", "shaft", needs_unit=True),  # N alone also counts samples
    _rule("manifold_pressure", "pressure", "manifold pressure|manifold|manifold air pressure", "engine"),
    _rule("fuel_flow", "volume_flow", "fuel flow|flow|fuel rate|fuel", "engine"),
    _rule("fuel_mass_flow", "mass_flow", "fuel flow|flow|fuel rate|fuel", "engine"),
    _rule("fuel_quantity", "volume", "fuel quantity|fuel|tank|fuel tank|fuel total|fuel total quantity", "quantity"),
    _rule("fuel_mass", "mass", "fuel quantity|fuel|tank|fuel tank|fuel mass|fuel weight|fuel total", "quantity"),
    _rule("fuel_pressure", "pressure", "fuel pressure|fuel", "engine"),
    _rule("oil_temperature", "temperature", "oil temperature|oil", "engine"),
    _rule("oil_pressure", "pressure", "oil pressure|oil", "engine"),
    _rule(
        "cylinder_head_temperature",
        "temperature",
        "cylinder head temperature|cylinder temperature|head temperature",
        "engine",
    ),
    _rule(
        "exhaust_gas_temperature",
        "temperature",
        "exhaust temperature|exhaust gas temperature|exhaust|exhaust gas",
        "engine cylinder",
    ),
    _rule("coolant_temperature", "temperature", "coolant temperature|coolant", "engine"),
    _rule("bus_voltage", "voltage", "bus voltage|voltage|bus", "speed"),
    _rule("bus_current", "current", "bus current|current|bus", "altitude"),
    _rule("power_lever", "ratio angle", "power lever|throttle|throttle lever|gas lever|throttle position", "position"),
    _rule("propeller_lever", "ratio angle", "propeller lever|rotation lever|propeller pitch lever", "position"),
    # configuration
    _rule("gear_down_locked", "count", "gear down lock|gear down", "landing state switch"),
    _rule("gear_up_locked", "count", "gear up lock|gear up", "landing state switch"),
    _rule("gear_lever", "count", "gear lever|gear switch|gear lever position|gear lever down", "landing"),
    _rule("gear_reported", "text", "gear|gear state|gear position", "landing"),
    _rule("gear_position", "ratio", "gear position|gear", "landing state"),
    _rule("flap_angle", "angle", "flap angle"),
    _rule("flap_angle", "angle", "flap|flap position|flap lever|flap switch", "landing", needs_unit=True),
    _rule("flap_reported", "text", "flap|flap state|flap position|flap lever|flap detent", "setting"),
    _rule("flap_position", "ratio", "flap|flap position", "state"),
    _rule("flap_detent", "count", "flap detent|flap state|flap lever|flap setting|flap lever position"),
    _rule("weight_on_wheels", "count", "squat|weight on wheels|on ground|weight wheels|wheels", "switch"),
    _rule("stall_warning", "count", "stall warning|stall", "switch state"),
    _rule("event_mark", "count", "event", "switch"),
    _rule("mass", "mass", "mass|weight|mass weight", "total"),
)

_NUMBERED = frozenset(rule.channel for rule in RULES if CHANNELS[rule.channel].numbered)


@lru_cache(maxsize=4096)  # the recorders of a programme write the same headers sortie after sortie
def find_rules(header: str, unit: str | None) -> tuple[tuple[Rule, int | None], ...]:
    """Rules a header fits, best first, each with the header's number; the unit is not yet judged."""
    out: list[tuple[Rule, int | None]] = []
    for reading in readings_of(header, unit):
        for rule in RULES:
            if reading.sided and rule.channel not in _NUMBERED:
                continue  # the left tank's contents are not the fuel on board
            if rule.fits(reading.concepts) and (rule, reading.number) not in out:
                out.append((rule, reading.number))
    return tuple(out)
