"""The channels detection looks at, and those among them that cannot jump."""

from __future__ import annotations

# what the detectors look at; a channel missing from a recording is missing from its grid
DETECTION_CHANNELS: tuple[str, ...] = (
    "calibrated_airspeed",
    "indicated_airspeed",
    "true_airspeed",
    "recorded_true_airspeed",
    "pressure_altitude",
    "baro_altitude",
    "unnamed_altitude",
    "gnss_altitude",
    "gnss_ellipsoid_altitude",
    "gnss_unnamed_altitude",
    "vertical_speed",
    "geometric_climb_rate",
    "outside_air_temperature",
    "static_air_temperature",
    "pitch",
    "bank",
    "heading_magnetic",
    "heading_true",
    "unnamed_heading",
    "turn_rate",
    "normal_load_factor",
    "lateral_load_factor",
    "longitudinal_load_factor",
    "latitude",
    "longitude",
    "ground_speed",
    "track_true",
    "engine_speed",
    "propeller_speed",
    "manifold_pressure",
    "fuel_flow",
    "fuel_mass_flow",
    "oil_pressure",
    "power_lever",
    "propeller_lever",
    "gear_lever",
    "gear_down_locked",
    "gear_up_locked",
    "gear_position",
    "gear_reported",
    "flap_position",
    "flap_angle",
    "flap_detent",
    "flap_reported",
    "weight_on_wheels",
    "stall_warning",
)

# channels that cannot jump for one sample and come back: such a sample is the recorder's fault.
# Load factors, switches and attitudes can, and are left as they came.
SLOW_CHANNELS: frozenset[str] = frozenset(
    name
    for name in DETECTION_CHANNELS
    if name.endswith(("airspeed", "altitude", "temperature", "fuel_flow", "mass_flow"))
    or name in ("engine_speed", "propeller_speed", "manifold_pressure")
)
