"""Channels sorted for choosing: which share a panel, in which family they are looked for, how they are called."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from ...shared.vocabulary import meaning_of
from ..display import digits_of, display_unit

if TYPE_CHECKING:
    from ...shared.settings import Settings

# panel -> channels in it, in order; a channel that stands nowhere has a panel of its own name (numbered ones together)
_PANELS: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    ("airspeed", "air", ("indicated_airspeed", "calibrated_airspeed", "true_airspeed", "recorded_true_airspeed", "equivalent_airspeed", "ground_speed")),
    ("altitude", "air", ("pressure_altitude", "baro_altitude", "density_altitude", "unnamed_altitude", "gnss_altitude", "gnss_ellipsoid_altitude", "gnss_unnamed_altitude")),
    ("vertical speed", "air", ("geometric_climb_rate", "energy_climb_rate", "vertical_speed", "pressure_altitude_rate", "sink_rate")),
    ("air temperature", "air", ("static_air_temperature", "outside_air_temperature")),
    ("attitude", "motion", ("pitch", "bank")),
    ("heading and track", "motion", ("heading_magnetic", "heading_true", "unnamed_heading", "track_true")),
    ("rates of turn", "motion", ("turn_rate", "pitch_rate", "roll_rate", "yaw_rate")),
    ("load factor", "motion", ("normal_load_factor", "lateral_load_factor", "longitudinal_load_factor")),
    ("flow angles", "motion", ("angle_of_attack", "sideslip")),
    ("acceleration", "motion", ("airspeed_rate", "true_airspeed_rate")),
    ("engine speed", "engine", ("engine_speed", "propeller_speed")),
    ("manifold pressure", "engine", ("manifold_pressure",)),
    ("levers", "engine", ("power_lever", "propeller_lever")),
    ("fuel flow", "engine", ("fuel_flow", "fuel_mass_flow")),
    ("fuel", "engine", ("fuel_quantity", "fuel_mass")),
    ("oil temperature", "engine", ("oil_temperature", "coolant_temperature")),
    ("oil and fuel pressure", "engine", ("oil_pressure", "fuel_pressure")),
    ("cylinder heads", "engine", ("cylinder_head_temperature",)),
    ("exhaust gas", "engine", ("exhaust_gas_temperature",)),
    ("electrics", "engine", ("bus_voltage", "bus_current")),
    ("gear and flap travel", "configuration", ("gear_position", "flap_position")),
    ("flap angle", "configuration", ("flap_angle",)),
    ("switches", "configuration", ("gear_lever", "gear_down_locked", "gear_up_locked", "weight_on_wheels", "stall_warning")),
    ("mass", "configuration", ("mass",)),
)  # fmt: skip
_PLACE = {name: (order, title, family) for order, (title, family, names) in enumerate(_PANELS) for name in names}
_ORDER = {name: place for _, _, names in _PANELS for place, name in enumerate(names)}
_FIRST = (
    ("indicated_airspeed", "true_airspeed"),
    ("pressure_altitude",),
    ("geometric_climb_rate", "energy_climb_rate"),
    ("engine_speed",),
    ("manifold_pressure",),
    ("pitch", "bank"),
)
FAMILIES = {"air": "Air data", "motion": "Motion", "engine": "Engine and propeller", "configuration": "Configuration", "other": "Other"}  # fmt: skip


def channel_choices(names: list[str], settings: Settings) -> list[dict[str, Any]]:
    """Per channel: name, label, unit, digits, panel, family, first (shown before anything is chosen); in order of panels."""
    first = {name for group in _FIRST for name in group}
    out = []
    for name in sorted(names, key=_rank):
        _, panel, family = _place_of(name)
        unit = display_unit(name, settings)
        panel_of_unit = panel if _is_usual(name, unit, settings) else f"{panel} [{unit}]"
        out.append(
            {
                "name": name,
                "label": label_of(name),
                "unit": "" if unit in (None, "1") else unit,
                "digits": digits_of(unit),
                "panel": panel_of_unit,
                "family": FAMILIES[family],
                "first": name in first,
                "what": entry.meaning
                if (entry := meaning_of(name))
                else "a column of the log that no channel is known for",
            }
        )
    return out


def label_of(name: str) -> str:
    """A channel's name for people."""
    text = name.removeprefix("raw_").replace("_", " ")
    return text.replace("cylinder head temperature", "head").replace("exhaust gas temperature", "exhaust")


def _base(name: str) -> str:
    return name if name in _PLACE else re.sub(r"_\d+$", "", name)


def _place_of(name: str) -> tuple[int, str, str]:
    return _PLACE.get(_base(name), (len(_PANELS), name.removeprefix("raw_").replace("_", " "), "other"))


def _rank(name: str) -> tuple[int, str, int, list[int], str]:
    order, panel, _ = _place_of(name)
    return order, panel, _ORDER.get(_base(name), 99), [int(n) for n in re.findall(r"\d+$", name)], name


def _is_usual(name: str, unit: str | None, settings: Settings) -> bool:
    """Whether the channel has the unit of the first channel of its panel: only then they share an axis."""
    base = _base(name)
    if base not in _PLACE:
        return True
    leader = _PANELS[_PLACE[base][0]][2][0]
    return display_unit(leader, settings) == unit
