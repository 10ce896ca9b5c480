"""Channels computed from recorded ones, on the main track's own rows.

One table: channel, what it needs, how it is computed. The first line whose needs are met is used;
a recorded channel is never replaced. Inputs the main recorder lacks are brought from another one.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..shared.findings import Finding, Level
from ..shared.frame import gap_limit_s, sample_column
from ..shared.physics import airspeed, atmosphere, energy
from ..shared.recording import Column, Recording, TestCard, Track
from ..shared.settings import Aircraft, Settings
from ..shared.vocabulary import CHANNELS
from .fuel_mass import mass_along
from .slopes import Windows, full_windows, local_slope

Floats = NDArray[np.float64]

RATE_WINDOW_S = 3.0  # long against the recorder's steps, short against a phugoid (20 s and more)


@dataclass(frozen=True, eq=False)
class Given:
    """What a derivation may use beside its input channels."""

    time_s: Floats
    gap_s: float
    aircraft: Aircraft
    card: TestCard

    def slope(self, values: Floats) -> Floats:
        """Time derivative of a channel, see slopes.local_slope."""
        return local_slope(self.time_s, values, width_s=RATE_WINDOW_S, gap_s=self.gap_s, windows=self._windows)

    @cached_property
    def _windows(self) -> Windows | None:
        return full_windows(self.time_s, width_s=RATE_WINDOW_S, gap_s=self.gap_s)


Compute = Callable[[Given, tuple[Floats, ...]], Floats]
Allowed = Callable[[Given], bool]


@dataclass(frozen=True, slots=True)
class Derivation:
    """One way to a channel. `doubt`: what the reader must know before using it; `when`: a further need."""

    channel: str
    inputs: tuple[str, ...]
    compute: Compute
    doubt: str = ""
    when: Allowed = lambda given: True


def _has_setting(given: Given) -> bool:
    return given.card.altimeter_setting_pa is not None


def _has_correction(given: Given) -> bool:
    return bool(given.aircraft.plain_corrections())


def _baro_with_card(given: Given, inputs: tuple[Floats, ...]) -> Floats:
    setting = given.card.altimeter_setting_pa
    assert setting is not None
    return atmosphere.pressure_altitude_from_baro(inputs[0], setting)


def _corrected(given: Given, inputs: tuple[Floats, ...]) -> Floats:
    table = given.aircraft.plain_corrections()
    return inputs[0] + np.interp(inputs[0], [r[0] for r in table], [r[1] for r in table])


def _static_temperature(given: Given, inputs: tuple[Floats, ...]) -> Floats:
    measured, calibrated, pressure = inputs
    mach = airspeed.mach_of_calibrated(np.maximum(calibrated, 0.0), pressure)
    recovery = given.aircraft.temperature_recovery_factor
    return airspeed.static_temperature(measured, np.where(np.isnan(mach), 0.0, mach), recovery_factor=recovery)


def _geometric(given: Given, inputs: tuple[Floats, ...]) -> Floats:
    rate, temperature, altitude = inputs
    return energy.geometric_climb_rate(
        rate, temperature, standard_temperature=atmosphere.standard_temperature(altitude)
    )


# in the order of need: a later line may use what an earlier one made
DERIVATIONS: tuple[Derivation, ...] = (
    Derivation("pressure_altitude", ("static_pressure",), lambda g, i: atmosphere.pressure_altitude(i[0])),
    Derivation(
        "pressure_altitude",
        ("baro_altitude", "altimeter_setting"),
        lambda g, i: atmosphere.pressure_altitude_from_baro(i[0], i[1]),
    ),
    Derivation(
        "pressure_altitude",
        ("baro_altitude",),
        _baro_with_card,
        "the altimeter setting is the one on the test card, taken for the whole flight",
        _has_setting,
    ),
    Derivation("static_pressure", ("pressure_altitude",), lambda g, i: atmosphere.standard_pressure(i[0])),
    Derivation("calibrated_airspeed", ("indicated_airspeed",), _corrected, when=_has_correction),
    Derivation(
        "calibrated_airspeed",
        ("indicated_airspeed",),
        lambda g, i: i[0] + 0.0,
        "no position error is known (aircraft.position_error in the settings): calibrated airspeed is the indicated one",
    ),
    Derivation(
        "calibrated_airspeed",
        ("recorded_true_airspeed", "static_pressure", "outside_air_temperature"),
        lambda g, i: airspeed.calibrated_from_true(i[0], i[1], temperature=i[2]),
        "no indicated airspeed is recorded: calibrated airspeed is computed back from the recorder's true airspeed",
    ),
    Derivation(
        "static_air_temperature",
        ("outside_air_temperature", "calibrated_airspeed", "static_pressure"),
        _static_temperature,
    ),
    Derivation(
        "static_air_temperature",
        ("outside_air_temperature",),
        lambda g, i: i[0] + 0.0,
        "no airspeed is recorded: the ram rise was not taken off the air temperature",
    ),
    Derivation(
        "static_air_temperature",
        ("pressure_altitude",),
        lambda g, i: atmosphere.standard_temperature(i[0]),
        "no air temperature is recorded: the standard temperature is used, true airspeed and density with it",
    ),
    Derivation(
        "equivalent_airspeed",
        ("calibrated_airspeed", "static_pressure"),
        lambda g, i: airspeed.equivalent_airspeed(np.maximum(i[0], 0.0), i[1]),
    ),
    Derivation(
        "density_ratio",
        ("static_pressure", "static_air_temperature"),
        lambda g, i: atmosphere.density_ratio(i[0], i[1]),
    ),
    Derivation(
        "density_altitude",
        ("static_pressure", "static_air_temperature"),
        lambda g, i: atmosphere.density_altitude(i[0], i[1]),
    ),
    Derivation(
        "true_airspeed",
        ("equivalent_airspeed", "density_ratio"),
        lambda g, i: airspeed.true_from_equivalent(i[0], i[1]),
    ),
    Derivation("pressure_altitude_rate", ("pressure_altitude",), lambda g, i: g.slope(i[0])),
    Derivation("airspeed_rate", ("calibrated_airspeed",), lambda g, i: g.slope(i[0])),
    Derivation("true_airspeed_rate", ("true_airspeed",), lambda g, i: g.slope(i[0])),
    Derivation(
        "geometric_climb_rate",
        ("pressure_altitude_rate", "static_air_temperature", "pressure_altitude"),
        _geometric,
    ),
    Derivation(
        "energy_climb_rate",
        ("geometric_climb_rate", "true_airspeed", "true_airspeed_rate"),
        lambda g, i: energy.energy_climb_rate(i[0], i[1], true_airspeed_rate=i[2]),
    ),
    Derivation("sink_rate", ("energy_climb_rate",), lambda g, i: -i[0]),
)

# inputs worth bringing over from another recorder; what is derived itself never is
_BORROWED: dict[str, Level] = {
    "outside_air_temperature": "note",
    "altimeter_setting": "note",
    "pressure_altitude": "doubt",  # of another static source, often the cabin's
}


def derive(recording: Recording, settings: Settings) -> Recording:
    """The recording with every channel that can be computed added to its main track."""
    main = recording.track(recording.main)
    given = Given(main.time_s, gap_limit_s(main), settings.aircraft, recording.card)
    columns = dict(main.columns)
    findings: list[Finding] = []
    made: dict[str, Derivation] = {}
    for line in DERIVATIONS:
        if line.channel in columns or not line.when(given):
            continue
        if not _gather(recording, columns, line.inputs, findings):
            continue
        values = np.asarray(line.compute(given, tuple(columns[n].values for n in line.inputs)), dtype=np.float64)
        columns[line.channel] = _column(line.channel, values, line.inputs)
        made[line.channel] = line
    mass = mass_along(recording)
    if mass is not None and "mass" not in columns:
        columns["mass"] = _column("mass", mass.values, mass.inputs)
        findings.append(_finding(mass.text, "note", channel="mass"))
    findings += _tell(made)
    tracks = tuple(
        dataclasses.replace(track, columns=columns) if track.name == main.name else track for track in recording.tracks
    )
    return dataclasses.replace(recording, tracks=tracks, findings=(*recording.findings, *findings))


def _gather(recording: Recording, columns: dict[str, Column], names: tuple[str, ...], findings: list[Finding]) -> bool:
    """Bring missing inputs over from other recorders; False, and nothing brought, when one has none."""
    missing = [name for name in names if name not in columns]
    if not all(name in _BORROWED and _lender(recording, name) is not None for name in missing):
        return False
    return all(_borrow(recording, columns, name, findings) for name in missing)


def _lender(recording: Recording, name: str) -> Track | None:
    return next((t for t in recording.holders(name) if t.name != recording.main), None)


def _borrow(recording: Recording, columns: dict[str, Column], name: str, findings: list[Finding]) -> bool:
    """Bring a recorded channel of another recorder onto the main rows; False when nobody holds it."""
    holder = _lender(recording, name)
    if holder is None:
        return False
    main = recording.track(recording.main)
    values = np.asarray(sample_column(holder, name, main.time_s), dtype=np.float64)
    if not np.isfinite(values).any():
        return False
    columns[name] = dataclasses.replace(holder.columns[name], values=values, derived_from=(f"{holder.name}.{name}",))
    text = f"{name} is not in {recording.main} and was brought over from {holder.name}"
    findings.append(_finding(text, _BORROWED[name], channel=name))
    return True


def _column(name: str, values: Floats, inputs: tuple[str, ...]) -> Column:
    return Column(name, values, CHANNELS[name].unit, "(derived)", derived_from=inputs)


def _tell(made: Mapping[str, Derivation]) -> list[Finding]:
    if not made:
        return []
    listed = ", ".join(f"{name} from {' + '.join(line.inputs)}" for name, line in made.items())
    out = [_finding(f"computed: {listed}", "note", channels=list(made))]
    for name, line in made.items():
        if line.doubt:
            out.append(_finding(line.doubt, "doubt", channel=name))
    return out


def _finding(text: str, level: Level, **facts: object) -> Finding:
    return Finding("DERIVED", text, level, facts=facts)
