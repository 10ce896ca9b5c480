"""The channels trimshot knows by name: one table, one meaning, one SI unit each.

A channel of a log that matches none of these is kept under `raw_<its header>` and listed.
Signs: pitch up, right bank, climb and north-referenced clockwise angles are positive.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from .units import SI

Reduction = Literal["mean", "last", "circular"]


@dataclass(frozen=True, slots=True)
class ChannelMeaning:
    """One canonical channel: name, kind of quantity (see units.SI), meaning, plausible SI range.

    `reduction` says how samples are brought to another clock: straight-line `mean` between
    neighbours, `last` value held, or `circular` for angles. `display` is the unit people are
    shown unless the settings choose another of the same kind.
    """

    name: str
    kind: str
    meaning: str
    low: float
    high: float
    reduction: Reduction = "mean"
    display: str = ""
    numbered: bool = False

    @property
    def unit(self) -> str | None:
        """SI unit of the samples; None for text."""
        return SI.get(self.kind)

    @property
    def is_text(self) -> bool:
        """True for channels holding words instead of numbers."""
        return self.kind == "text"


_PI = 3.141592653589793

CHANNELS: dict[str, ChannelMeaning] = {
    c.name: c
    for c in (
        # air data as recorded
        ChannelMeaning("indicated_airspeed", "speed", "airspeed as the instrument shows it", 0, 260, display="kt"),
        ChannelMeaning(
            "calibrated_airspeed",
            "speed",
            "indicated airspeed less instrument and position error",
            0,
            260,
            display="kt",
        ),
        ChannelMeaning(
            "equivalent_airspeed", "speed", "true airspeed times square root of density ratio", 0, 260, display="kt"
        ),
        ChannelMeaning("true_airspeed", "speed", "speed through the air", 0, 300, display="kt"),
        ChannelMeaning(
            "recorded_true_airspeed", "speed", "true airspeed as the recorder computed it", 0, 300, display="kt"
        ),
        ChannelMeaning(
            "pressure_altitude",
            "length",
            "altitude of the static pressure in the standard atmosphere (1013.25 hPa)",
            -600,
            20000,
            display="ft",
        ),
        ChannelMeaning(
            "baro_altitude", "length", "altitude shown with the altimeter setting in use", -600, 20000, display="ft"
        ),
        ChannelMeaning(
            "unnamed_altitude", "length", "altitude whose datum the recorder does not state", -600, 20000, display="ft"
        ),
        ChannelMeaning(
            "altimeter_setting", "pressure", "pressure set on the altimeter", 90000, 110000, "last", display="hPa"
        ),
        ChannelMeaning("static_pressure", "pressure", "static pressure", 5000, 110000, display="hPa"),
        ChannelMeaning("impact_pressure", "pressure", "total less static pressure", -2000, 40000, display="hPa"),
        ChannelMeaning("vertical_speed", "speed", "vertical speed as recorded, climb positive", -80, 80, display="fpm"),
        ChannelMeaning(
            "outside_air_temperature",
            "temperature",
            "outside air temperature as the probe shows it",
            200,
            330,
            display="degC",
        ),
        ChannelMeaning(
            "static_air_temperature",
            "temperature",
            "temperature of the undisturbed air, ram rise removed",
            200,
            330,
            display="degC",
        ),
        # air data computed
        ChannelMeaning(
            "density_altitude",
            "length",
            "altitude of the air density in the standard atmosphere",
            -3000,
            20000,
            display="ft",
        ),
        ChannelMeaning("density_ratio", "ratio", "air density over sea-level standard density", 0.05, 1.4),
        ChannelMeaning(
            "pressure_altitude_rate",
            "speed",
            "time derivative of pressure altitude, smoothed, climb positive",
            -80,
            80,
            display="fpm",
        ),
        ChannelMeaning(
            "geometric_climb_rate",
            "speed",
            "rate of climb in tapeline height: pressure-altitude rate times T/T_standard",
            -80,
            80,
            display="fpm",
        ),
        ChannelMeaning(
            "energy_climb_rate",
            "speed",
            "rate of climb of energy height: dh/dt + (V/g) dV/dt with true airspeed",
            -100,
            100,
            display="fpm",
        ),
        ChannelMeaning(
            "sink_rate",
            "speed",
            "energy-corrected sink: minus energy_climb_rate, positive going down",
            -100,
            100,
            display="fpm",
        ),
        ChannelMeaning(
            "vertical_air_motion",
            "speed",
            "of a point only: rise and fall of the air, which no log shows; its deviation is its size, its standard error what it leaves in the mean sink",
            -80,
            80,
            display="fpm",
        ),
        ChannelMeaning(
            "airspeed_rate", "acceleration", "time derivative of calibrated airspeed, smoothed", -30, 30, display="m/s2"
        ),
        ChannelMeaning(
            "true_airspeed_rate", "acceleration", "time derivative of true airspeed, smoothed", -30, 30, display="m/s2"
        ),
        # attitude and motion
        ChannelMeaning("pitch", "angle", "pitch attitude, nose up positive", -_PI / 2, _PI / 2, display="deg"),
        ChannelMeaning("bank", "angle", "bank angle, right wing down positive", -_PI, _PI, display="deg"),
        ChannelMeaning("heading_magnetic", "angle", "magnetic heading", 0, 2 * _PI, "circular", display="deg"),
        ChannelMeaning("heading_true", "angle", "true heading", 0, 2 * _PI, "circular", display="deg"),
        ChannelMeaning(
            "unnamed_heading",
            "angle",
            "heading whose reference (magnetic or true) is not stated",
            0,
            2 * _PI,
            "circular",
            display="deg",
        ),
        ChannelMeaning(
            "turn_rate", "angular_rate", "rate of change of heading, right positive", -3, 3, display="deg/s"
        ),
        ChannelMeaning("pitch_rate", "angular_rate", "pitch rate, nose up positive", -5, 5, display="deg/s"),
        ChannelMeaning("roll_rate", "angular_rate", "roll rate, right positive", -10, 10, display="deg/s"),
        ChannelMeaning("yaw_rate", "angular_rate", "yaw rate, right positive", -5, 5, display="deg/s"),
        ChannelMeaning(
            "normal_load_factor", "load_factor", "normal load factor, 1 in level flight", -6, 12, display="g"
        ),
        ChannelMeaning("lateral_load_factor", "load_factor", "lateral load factor, right positive", -3, 3, display="g"),
        ChannelMeaning(
            "longitudinal_load_factor", "load_factor", "longitudinal load factor, forward positive", -3, 3, display="g"
        ),
        ChannelMeaning("angle_of_attack", "angle", "angle of attack", -_PI / 2, _PI / 2, display="deg"),
        ChannelMeaning("sideslip", "angle", "angle of sideslip", -_PI / 2, _PI / 2, display="deg"),
        # satellite navigation
        ChannelMeaning("latitude", "coordinate", "geodetic latitude, WGS 84, north positive", -90, 90, display="deg"),
        ChannelMeaning(
            "longitude", "coordinate", "geodetic longitude, WGS 84, east positive", -180, 180, "circular", display="deg"
        ),
        ChannelMeaning("gnss_altitude", "length", "satellite altitude above mean sea level", -600, 20000, display="ft"),
        ChannelMeaning(
            "gnss_ellipsoid_altitude", "length", "satellite altitude above the ellipsoid", -700, 20000, display="ft"
        ),
        ChannelMeaning(
            "gnss_unnamed_altitude", "length", "satellite altitude whose datum is not stated", -700, 20000, display="ft"
        ),
        ChannelMeaning("geoid_height", "length", "geoid above ellipsoid", -120, 100, display="m"),
        ChannelMeaning("ground_speed", "speed", "speed over the ground", 0, 400, display="kt"),
        ChannelMeaning("track_true", "angle", "true track over the ground", 0, 2 * _PI, "circular", display="deg"),
        ChannelMeaning("fix_quality", "count", "satellite fix quality as the receiver states it", 0, 20, "last"),
        ChannelMeaning("satellites", "count", "satellites used", 0, 80, "last"),
        ChannelMeaning("horizontal_dilution", "ratio", "horizontal dilution of precision", 0, 100, "last"),
        ChannelMeaning(
            "fix_accuracy", "length", "horizontal fix accuracy as the receiver states it", 0, 10000, "last", display="m"
        ),
        ChannelMeaning(
            "magnetic_variation", "angle", "magnetic variation, east positive", -_PI, _PI, "last", display="deg"
        ),
        # engine and propeller
        ChannelMeaning("engine_speed", "rotation", "engine (crankshaft) revolutions per second", 0, 200, display="rpm"),
        ChannelMeaning("propeller_speed", "rotation", "propeller revolutions per second", 0, 200, display="rpm"),
        ChannelMeaning("manifold_pressure", "pressure", "manifold absolute pressure", 0, 250000, display="inHg"),
        ChannelMeaning("fuel_flow", "volume_flow", "fuel volume flow", 0, 1e-3, display="l/h"),
        ChannelMeaning("fuel_mass_flow", "mass_flow", "fuel mass flow", 0, 1, display="kg/h"),
        ChannelMeaning("fuel_quantity", "volume", "fuel on board, volume", 0, 10, display="l"),
        ChannelMeaning("fuel_mass", "mass", "fuel on board, mass", 0, 10000, display="kg"),
        ChannelMeaning("fuel_pressure", "pressure", "fuel pressure", 0, 2e6, display="bar"),
        ChannelMeaning("oil_temperature", "temperature", "oil temperature", 220, 450, display="degC"),
        ChannelMeaning("oil_pressure", "pressure", "oil pressure", 0, 2e6, display="bar"),
        ChannelMeaning(
            "cylinder_head_temperature",
            "temperature",
            "cylinder head temperature, numbered by cylinder",
            220,
            620,
            display="degC",
            numbered=True,
        ),
        ChannelMeaning(
            "exhaust_gas_temperature",
            "temperature",
            "exhaust gas temperature, numbered by cylinder",
            220,
            1400,
            display="degC",
            numbered=True,
        ),
        ChannelMeaning("coolant_temperature", "temperature", "coolant temperature", 220, 450, display="degC"),
        ChannelMeaning("bus_voltage", "voltage", "electrical bus voltage", 0, 60, display="V"),
        ChannelMeaning("bus_current", "current", "electrical current", -500, 500, display="A"),
        ChannelMeaning("power_lever", "ratio", "power lever position, 0 idle to 1 full", -0.2, 1.3, display="%"),
        ChannelMeaning(
            "propeller_lever", "ratio", "propeller lever position, 0 coarse to 1 fine", -0.2, 1.3, display="%"
        ),
        # configuration
        ChannelMeaning("gear_lever", "count", "gear selector: 1 down, 0 up", 0, 1, "last"),
        ChannelMeaning("gear_down_locked", "count", "1 when the gear is down and locked", 0, 1, "last"),
        ChannelMeaning("gear_up_locked", "count", "1 when the gear is up and locked", 0, 1, "last"),
        ChannelMeaning("gear_position", "ratio", "gear position: 0 up to 1 down", -0.2, 1.2, display="%"),
        ChannelMeaning("gear_reported", "text", "gear position as a word in the log", 0, 0, "last"),
        ChannelMeaning("flap_position", "ratio", "flap travel: 0 up to 1 fully down", -0.2, 1.3, display="%"),
        ChannelMeaning("flap_angle", "angle", "flap angle, down positive", -0.5, 1.6, display="deg"),
        ChannelMeaning("flap_detent", "count", "flap selection as a number in the log", -2, 60, "last"),
        ChannelMeaning("flap_reported", "text", "flap selection as a word in the log", 0, 0, "last"),
        ChannelMeaning("weight_on_wheels", "count", "1 with weight on the wheels", 0, 1, "last"),
        ChannelMeaning("stall_warning", "count", "1 while the stall warning sounds", 0, 1, "last"),
        ChannelMeaning("event_mark", "count", "mark set by the crew", 0, 1e9, "last"),
        # mass
        ChannelMeaning("mass", "mass", "aircraft mass at the sample", 50, 50000, display="kg"),
        # states found by the detector, one word each; they stand in the frame beside the samples
        ChannelMeaning("gear", "text", "gear state: up, down, transit, fixed, unknown", 0, 0, "last"),
        ChannelMeaning("flap", "text", "flap setting by name, or transit, unknown", 0, 0, "last"),
        ChannelMeaning("power", "text", "power state: idle, part, full, off, unknown", 0, 0, "last"),
        ChannelMeaning(
            "propulsion", "text", "propulsion state: power, idle, governed, windmilling, stopped, unknown", 0, 0, "last"
        ),
        ChannelMeaning("phase", "text", "phase of flight", 0, 0, "last"),
    )
}

STATES: tuple[str, ...] = ("gear", "flap", "power", "propulsion", "phase")


def meaning_of(name: str) -> ChannelMeaning | None:
    """The vocabulary entry of a channel name (numbered ones included), None for a raw channel."""
    found = CHANNELS.get(name)
    if found is None:
        base = re.sub(r"_\d+$", "", name)
        found = CHANNELS.get(base)
        if found is not None and not found.numbered:
            return None
    return found


def unit_of_channel(name: str) -> str | None:
    """SI unit of a channel, None for text and for raw channels."""
    entry = meaning_of(name)
    return entry.unit if entry else None
