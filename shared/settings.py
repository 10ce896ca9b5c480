"""settings.toml as strict, frozen models: an unknown key is an error that lists the allowed ones.

Quantities are strings with their unit, "95 kt"; the models hold SI floats. A change of settings
changes `Settings.digest()`, which every found point carries.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)

from .criteria_presets import PRESETS
from .errors import SettingsError, UnitError
from .units import find_unit, parse_quantity, to_si, unit_of


def _quantity(kind: str) -> Any:
    def convert(value: object, info: ValidationInfo) -> float:
        if not isinstance(value, str):
            raise ValueError(
                f'write the value with its unit in quotes, for example {info.field_name} = "{_EXAMPLE[kind]}"'
            )
        try:
            number, unit = parse_quantity(value)
        except UnitError as error:
            raise ValueError(str(error)) from None
        if unit.kind != kind:
            raise ValueError(
                f"{value!r} is a quantity of {unit.kind}, one of {kind} is needed, for example {_EXAMPLE[kind]!r}"
            )
        return to_si(number, unit.symbol)

    return Annotated[float, BeforeValidator(convert), PlainSerializer(float)]


_EXAMPLE = {
    "speed": "95 kt",
    "length": "33 ft",
    "area": "140 ft2",
    "mass": "2500 lb",
    "angle": "20 deg",
    "rotation": "2700 rpm",
    "time": "15 s",
    "temperature": "240 degC",
    "acceleration": "0.1 kt/s",
}

Speed = _quantity("speed")
Length = _quantity("length")
Area = _quantity("area")
Mass = _quantity("mass")
Angle = _quantity("angle")
Rotation = _quantity("rotation")
Duration = _quantity("time")
Acceleration = _quantity("acceleration")
Temperature = _quantity("temperature")


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class FlapSetting(_Strict):
    """One flap setting: its name, its angle, and how the recorder shows it where that differs."""

    name: str
    angle: Angle | None = None  # type: ignore[valid-type]
    position: float | None = Field(default=None, description="share of full travel, 0 to 1")
    limit_speed: Speed | None = None  # type: ignore[valid-type]


class PositionError(_Strict):
    """One row of the airspeed calibration: calibrated = indicated + correction."""

    indicated: Speed  # type: ignore[valid-type]
    correction: Speed  # type: ignore[valid-type]
    flap: str | None = None
    gear: Literal["up", "down"] | None = None


class LoadingCorner(_Strict):
    """One corner of the loading envelope, in order round it: a mass and the arm of the centre of gravity."""

    mass: Mass  # type: ignore[valid-type]
    arm: Length  # type: ignore[valid-type]


class Aircraft(_Strict):
    """The aircraft as its papers describe it. Everything may be left out; nothing is assumed."""

    name: str | None = None
    mass: Mass | None = None  # type: ignore[valid-type]
    empty_mass: Mass | None = None  # type: ignore[valid-type]
    wing_area: Area | None = None  # type: ignore[valid-type]
    wing_span: Length | None = None  # type: ignore[valid-type]
    never_exceed_speed: Speed | None = None  # type: ignore[valid-type]
    gear_operating_speed: Speed | None = None  # type: ignore[valid-type]
    gear_extended_speed: Speed | None = None  # type: ignore[valid-type]
    stall_speed_clean: Speed | None = None  # type: ignore[valid-type]
    stall_speed_landing: Speed | None = None  # type: ignore[valid-type]
    maximum_engine_speed: Rotation | None = None  # type: ignore[valid-type]
    maximum_oil_temperature: Temperature | None = None  # type: ignore[valid-type]
    maximum_cylinder_head_temperature: Temperature | None = None  # type: ignore[valid-type]
    maximum_exhaust_gas_temperature: Temperature | None = None  # type: ignore[valid-type]
    maximum_load_factor: float | None = None
    minimum_load_factor: float | None = None
    retractable_gear: bool | None = None
    governed_propeller: bool | None = None
    propeller_gear_ratio: float | None = Field(default=None, description="engine revolutions for one of the propeller")
    propeller_diameter: Length | None = None  # type: ignore[valid-type]
    temperature_recovery_factor: float = Field(default=1.0, ge=0, le=1)
    fuel_arm: Length | None = Field(default=None, description="arm of the fuel, from the datum of the card's CG")  # type: ignore[valid-type]
    gear_retraction_moment: float | None = Field(
        default=None, description="change of moment when the gear comes up, kg m; the card's CG is with the gear down"
    )
    loading_envelope: tuple[LoadingCorner, ...] = Field(default=(), strict=False)
    flap_settings: tuple[FlapSetting, ...] = Field(default=(), strict=False)
    position_error: tuple[PositionError, ...] = Field(default=(), strict=False)

    def plain_corrections(self) -> list[tuple[float, float]]:
        """(indicated, correction) [m/s] of the position error that holds for every configuration, rising."""
        rows = [row for row in self.position_error if row.flap is None and row.gear is None]
        return sorted((float(row.indicated), float(row.correction)) for row in rows)


# keys of [aircraft] that no sample read from a file depends on, only what is found in the samples
DETECTION_KEYS: frozenset[str] = frozenset(
    {
        "name", "never_exceed_speed", "gear_operating_speed", "gear_extended_speed", "stall_speed_clean",
        "stall_speed_landing", "maximum_engine_speed", "maximum_oil_temperature", "maximum_cylinder_head_temperature",
        "maximum_exhaust_gas_temperature", "maximum_load_factor", "minimum_load_factor", "retractable_gear",
        "governed_propeller", "flap_settings", "fuel_arm", "gear_retraction_moment", "loading_envelope",
    }
)  # fmt: skip


class PointCriteria(_Strict):
    """When a stretch is steady enough to be measured. Sources stand in detect/criteria docs.

    A key that is not written has the preset's value, else its default.
    """

    preset: str = Field(default="default", description="named set of criteria with published figures")
    minimum_duration: Duration = 15.0  # type: ignore[valid-type]
    maximum_duration: Duration = 300.0  # type: ignore[valid-type]
    airspeed_band: Speed = to_si(2.5, "kt")  # type: ignore[valid-type]
    airspeed_share: float = Field(default=0.0, ge=0, description="of the mean airspeed, where more than the band")
    airspeed_trend: Acceleration = to_si(0.07, "kt/s")  # type: ignore[valid-type]
    airspeed_drift: Speed = to_si(3.0, "kt")  # type: ignore[valid-type]
    bank: Angle = to_si(6.0, "deg")  # type: ignore[valid-type]
    heading: Angle = to_si(12.0, "deg")  # type: ignore[valid-type]
    turn_bank: Angle = to_si(10.0, "deg")  # type: ignore[valid-type]
    turn_bank_band: Angle = to_si(5.0, "deg")  # type: ignore[valid-type]
    turn_heading_change: Angle = to_si(180.0, "deg")  # type: ignore[valid-type]
    vertical_speed_deviation: Speed = to_si(150.0, "fpm")  # type: ignore[valid-type]
    vertical_speed_share: float = 0.06
    energy_rate_drift: Speed = to_si(200.0, "fpm")  # type: ignore[valid-type]
    energy_rate_share: float = 0.1
    height_change: Length = Field(default=0.0, description="least height of a glide, climb or descent")  # type: ignore[valid-type]
    level_vertical_speed: Speed = to_si(120.0, "fpm")  # type: ignore[valid-type]
    level_altitude_band: Length = to_si(60.0, "ft")  # type: ignore[valid-type]
    engine_speed_share: float = 0.03
    engine_speed_step: float = 0.01
    engine_speed_scatter: float = 0.0025
    manifold_pressure_share: float = 0.02
    manifold_pressure_step: float = 0.01
    fuel_flow_share: float = 0.08
    fuel_flow_step: float = 0.06
    air_roughness: float = 0.1
    hold_factor: float = 1.6

    @model_validator(mode="before")
    @classmethod
    def _take_preset(cls, written: Any) -> Any:
        name = written.get("preset") if isinstance(written, dict) else None
        if not isinstance(name, str):
            return written
        if name not in PRESETS:
            raise ValueError(f"unknown preset {name!r}, allowed here: {', '.join(PRESETS)}")
        return {**PRESETS[name].values, **written}


class Uncertainty(_Strict):
    """One standard uncertainty of type B of what was measured: calibration, installation, knowledge of the load.

    Defaults are common practice for a calibrated light aircraft's instruments, no source; write your own. Altitude: half of
    what 14 CFR 43 Appendix E, Table I allows an altimeter at 2,000 ft.
    """

    airspeed: Speed = Field(default=to_si(0.5, "kt"), description="of calibrated airspeed, with a position error table")  # type: ignore[valid-type]
    airspeed_uncalibrated: Speed = Field(default=to_si(1.5, "kt"), description="of it without a position error table")  # type: ignore[valid-type]
    altitude: Length = Field(default=to_si(15.0, "ft"), description="of pressure altitude: the altimeter's scale")  # type: ignore[valid-type]
    vertical_speed_share: float = Field(default=0.005, ge=0, description="of a rate of climb or sink: altimeter scale")
    temperature: float = Field(default=1.0, ge=0, description="of air temperature, kelvin")
    mass_share: float = Field(default=0.005, ge=0, description="of the mass at a point: weighing, loading, fuel")
    mass_share_assumed: float = Field(default=0.03, ge=0, description="of a mass taken from the settings")
    centre_of_gravity: Length = Field(default=to_si(5.0, "mm"), description="of the card's centre of gravity")  # type: ignore[valid-type]
    engine_speed_share: float = Field(default=0.002, ge=0, description="of engine speed")
    ground_speed: Speed = Field(default=to_si(0.1, "kt"), description="of speed over the ground")  # type: ignore[valid-type]


def _several(value: object) -> object:
    """One pattern stands for a list of one."""
    return (value,) if isinstance(value, str) else value


class InstrumentProfile(_Strict):
    """What the user said of one recorder.

    It applies to files whose layout fingerprint is the profile's key or its `fingerprint`, and to
    files whose name fits a pattern of `files`. Several profiles for one file are an error.
    """

    name: str | None = Field(default=None, description="the recorder's name for people")
    fingerprint: str | None = Field(
        default=None, description="fingerprint of the recorder's layout, when the table has another name"
    )
    files: Annotated[tuple[str, ...], BeforeValidator(_several)] = Field(
        default=(), strict=False, description='names of its files, "motor_*.txt", or a list of such patterns'
    )
    zone: str | None = Field(default=None, description='"UTC", "+02:00" or an IANA name')
    date_order: Literal["dmy", "mdy", "ymd"] | None = Field(
        default=None, description="order of day, month and year in its dates: ymd for YY-MM-DD only"
    )
    year: int | None = Field(default=None, ge=1980, le=2100, description="for a clock that counts days of the year")
    dates: dict[str, str] = Field(
        default={},
        description="first 16 digits of a file's sha256 -> its date, or its start with zone, where it has none",
    )
    columns: tuple[str, ...] = Field(
        default=(),
        strict=False,
        description="names of all columns, where the header has too few, too many or none",
    )
    channels: dict[str, str] = Field(default={}, description="header as written -> channel name")
    units: dict[str, str] = Field(default={}, description="header as written -> unit")
    altitude_datum: Literal["pressure", "baro", "msl", "ellipsoid"] | None = None
    heading_reference: Literal["magnetic", "true"] | None = None
    decimal_mark: Literal["point", "comma"] | None = Field(
        default=None, description="what parts whole numbers from decimals, where every dot could part thousands"
    )


DISPLAY_DEFAULTS: dict[str, str] = {
    "speed": "kt",
    "vertical_speed": "fpm",
    "altitude": "ft",
    "length": "ft",
    "angle": "deg",
    "angular_rate": "deg/s",
    "rotation": "rpm",
    "temperature": "degC",
    "pressure": "hPa",
    "manifold_pressure": "inHg",
    "mass": "lb",
    "volume": "usgal",
    "volume_flow": "usgal/h",
    "mass_flow": "lb/h",
    "area": "ft2",
    "distance": "nm",
    "arm": "in",
}

# tables of settings.toml that only the showing of results depends on: what is found does not
SHOWING: frozenset[str] = frozenset({"display", "uncertainty"})


class Settings(_Strict):
    """The whole of settings.toml."""

    aircraft: Aircraft = Aircraft()
    points: PointCriteria = PointCriteria()
    instruments: dict[str, InstrumentProfile] = {}
    display: dict[str, str] = {}
    uncertainty: Uncertainty = Uncertainty()

    @field_validator("display")
    @classmethod
    def _check_display(cls, display: dict[str, str]) -> dict[str, str]:
        problems = [text for item in display.items() if (text := _display_problem(*item))]
        if problems:
            raise ValueError("; ".join(problems))
        return display

    def with_criteria(self, preset: str) -> Settings:
        """The same settings with a preset's point criteria in place of [points]. Raises SettingsError."""
        if preset not in PRESETS:
            raise SettingsError("unknown criteria", found=repr(preset), allowed=", ".join(PRESETS))
        return self.model_copy(update={"points": PointCriteria.model_validate({"preset": preset})})

    @property
    def airspeed_uncertainty(self) -> float:
        """Standard uncertainty of type B of calibrated airspeed [m/s]: with a position error table, or without one."""
        known = self.uncertainty
        return float(known.airspeed if self.aircraft.position_error else known.airspeed_uncalibrated)

    def digest(self) -> str:
        """Sixteen hex digits that change whenever a setting changes on which what is found depends."""
        text = json.dumps(self.model_dump(mode="json", exclude=set(SHOWING)), sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:16]

    def reading_digest(self) -> str:
        """As `digest`, of what the reading of files depends on: detection and display may change without it."""
        whole = self.model_dump(mode="json", include={"instruments", "aircraft"})
        whole["aircraft"] = {key: value for key, value in whole["aircraft"].items() if key not in DETECTION_KEYS}
        text = json.dumps(whole, sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:16]

    def display_unit(self, quantity: str) -> str:
        """Unit people are shown for a kind of quantity (a key of DISPLAY_DEFAULTS)."""
        return self.display.get(quantity, DISPLAY_DEFAULTS[quantity])


def load_settings(path: Path) -> Settings:
    """Settings from a TOML file. Raises SettingsError naming every wrong key at once."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise SettingsError("no settings file", where=str(path), do="create a programme with `trimshot new`") from None
    except UnicodeDecodeError as error:
        raise SettingsError(
            "the settings file cannot be read, it is not UTF-8",
            where=str(path),
            found=str(error),
            do="save it with that encoding",
        ) from None
    except OSError as error:
        raise SettingsError("the settings file cannot be read", where=str(path), found=str(error)) from None
    return parse_settings(text, str(path))


def parse_settings(text: str, where: str) -> Settings:
    """Settings from TOML text; `where` names it in errors."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError("not valid TOML", where=where, found=str(error)) from None
    try:
        return Settings.model_validate(raw)
    except ValidationError as error:
        raise SettingsError(
            "; ".join(_explain(one) for one in error.errors()), where=where, do="correct these lines and run again"
        ) from None


def _display_problem(quantity: str, spelling: str) -> str | None:
    if quantity not in DISPLAY_DEFAULTS:
        return f"unknown key display.{quantity}, allowed here: {', '.join(DISPLAY_DEFAULTS)}"
    wanted, unit = unit_of(DISPLAY_DEFAULTS[quantity]).kind, find_unit(spelling)
    if unit is None or unit.kind != wanted:
        return f"display.{quantity} needs a unit of {wanted}, found {spelling!r}"
    return None


def _explain(error: Any) -> str:
    path = ".".join(str(part) for part in error["loc"])
    if error["type"] == "extra_forbidden":
        return f"unknown key {path}, allowed here: {', '.join(_keys_at(error['loc'][:-1]))}"
    message = error["msg"].removeprefix("Value error, ")
    return message if error["loc"] == ("display",) else f"{path}: {message}"


def _keys_at(location: tuple[int | str, ...]) -> list[str]:
    model: Any = Settings
    for before, part in zip(("", *location), location, strict=False):
        if before != "instruments":  # what follows there is the name the user gave a recorder
            model = _MODELS.get(part, model)
    return sorted(model.model_fields)


_MODELS: dict[str | int, Any] = {
    "aircraft": Aircraft,
    "points": PointCriteria,
    "instruments": InstrumentProfile,
    "flap_settings": FlapSetting,
    "position_error": PositionError,
    "loading_envelope": LoadingCorner,
    "uncertainty": Uncertainty,
}
