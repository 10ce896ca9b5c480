"""Sensors that say the wrong thing, and units that say nothing: every right answer was written down before a reader was asked."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pytest

from tests.right_answers import Refused, Right, Samples, differences

N = 900
S = np.arange(N, dtype=float)
NOISE = np.random.default_rng(9)
ALT = np.interp(S, [0, 60, 360, 600, 860, 899], [1000, 1000, 4000, 4000, 1000, 1000]) + np.where(
    (S > 360) & (S < 600), 12 * np.sin(S / 17), 0
)  # ft
IAS = np.interp(S, [0, 20, 60, 360, 380, 600, 620, 860, 890, 899], [0, 0, 75, 75, 105, 105, 80, 65, 0, 0])  # kt
IAS = np.round(np.maximum(IAS + NOISE.normal(0, 0.4, N) * (IAS > 5), 0), 1)
OAT = np.round(15 - 1.98 * ALT / 1000 + NOISE.normal(0, 0.1, N), 1)  # degC
RPM = np.round(
    np.interp(S, [0, 20, 360, 380, 600, 620, 899], [900, 2600, 2600, 2300, 2300, 1500, 900]) + NOISE.normal(0, 4, N)
)
HEADING = np.round(np.mod(340 + 0.2 * S, 360), 1)
GEAR = (S < 90) | (S > 780)  # down
Columns = Mapping[str, np.ndarray]
BASE: Columns = {"IAS (kt)": IAS, "Pressure altitude (ft)": np.round(ALT), "OAT (degC)": OAT, "RPM": RPM}
Case = tuple[Callable[[Path], Path], Right | Refused]


def csv(columns: Columns, name: str = "log.csv") -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        lines = [",".join(["UTC", *columns])]
        for k in range(N):
            values = (f"{v[k]:.10g}" if isinstance(v[k], np.floating) else str(v[k]) for v in columns.values())
            lines.append(f"2031-04-01T10:{k // 60:02d}:{k % 60:02d}Z,{','.join(values)}")
        (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
        return folder / name

    return make


def both(first: Columns, second: Columns) -> Callable[[Path], Path]:
    """Two recorders' logs in one folder."""

    def make(folder: Path) -> Path:
        (folder / "sortie").mkdir()
        csv(first, "display.csv")(folder / "sortie")
        csv(second, "receiver.csv")(folder / "sortie")
        return folder / "sortie"

    return make


def base(**changed: np.ndarray) -> dict[str, np.ndarray]:
    names = {"ias": "IAS (kt)", "alt": "Pressure altitude (ft)", "oat": "OAT (degC)", "rpm": "RPM"}
    return {**BASE, **{names[key]: values for key, values in changed.items()}}


def without(*names: str) -> dict[str, np.ndarray]:
    return {key: values for key, values in BASE.items() if key not in names}


def held(values: np.ndarray, start: int, stop: int) -> np.ndarray:
    out = values.copy()
    out[start:stop] = out[start]
    return out


def spiked(values: np.ndarray, *rows: int, by: float) -> np.ndarray:
    out = values.copy()
    out[list(rows)] += by
    return out


def right(
    codes: tuple[str, ...] = (),
    never: tuple[str, ...] = (),
    rows: int = N,
    columns: Mapping[str, Samples] | None = None,
) -> Right:
    return Right(rows, "utc", columns=columns or {}, codes=codes, never=never)


QUIET = ("STUCK_CHANNEL", "SPIKE", "OUT_OF_RANGE", "UNIT_CHANGE_SUSPECTED", "INT16_WRAP", "SWITCH_BOUNCE")
SETTING = np.where(S < 450, 29.92, 30.12)
BARO = np.round(ALT + (SETTING - 29.92) * 925)
CASES: dict[str, Case] = {
    "nothing wrong": (csv(BASE), right(never=QUIET)),
    # sensors
    "airspeed stuck through the climb": (csv(base(ias=held(IAS, 100, 590))), right(("STUCK_CHANNEL",))),
    "altitude stuck in the descent": (csv(base(alt=held(np.round(ALT), 640, 860))), right(("STUCK_CHANNEL",))),
    "temperature stuck all the time": (csv(base(oat=np.full(N, 12.0))), right(("STUCK_CHANNEL",))),
    "single spikes": (csv(base(ias=spiked(IAS, 200, 333, 500, by=60.0))), right(("SPIKE",))),
    "spikes of zero in rpm": (csv(base(rpm=np.where(np.isin(S, [210, 400, 655]), 0, RPM))), right(("SPIKE",))),
    "altitude beyond 16 bits": (
        csv(
            {**without("Pressure altitude (ft)"), "Pressure altitude (ft)": np.mod(np.round(ALT * 2 + 60_000), 65_536)}
        ),
        right(("INT16_WRAP",)),
    ),
    "vertical speed below zero as a large number": (
        csv({**BASE, "VS (ft/min)": np.mod(np.round(np.gradient(ALT) * 60), 65_536)}),
        right(("INT16_WRAP",)),
    ),
    # units that are stated
    "miles an hour": (
        csv({**without("IAS (kt)"), "IAS (mph)": np.round(IAS * 1.150779, 2)}),
        right(never=QUIET, columns={"IAS (mph)": Samples(float(IAS[0]), float(IAS[-1]), unit="kt")}),
    ),
    "kilometres an hour": (
        csv({**without("IAS (kt)"), "IAS [km/h]": np.round(IAS * 1.852, 2)}),
        right(never=QUIET, columns={"IAS [km/h]": Samples(0.0, 0.0, unit="km/h", channel="indicated_airspeed")}),
    ),
    "degrees Fahrenheit": (
        csv({**without("OAT (degC)"), "OAT (°F)": np.round(OAT * 1.8 + 32, 2)}),
        right(
            never=QUIET,
            columns={
                "OAT (°F)": Samples(float(OAT[0]), float(OAT[-1]), unit="degC", channel="outside_air_temperature")
            },
        ),
    ),
    "metres": (
        csv({**without("Pressure altitude (ft)"), "Pressure altitude (m)": np.round(ALT * 0.3048, 1)}),
        right(
            never=QUIET, columns={"Pressure altitude (m)": Samples(304.8, 304.8, unit="m", channel="pressure_altitude")}
        ),
    ),
    **{
        f"fuel flow in {unit}": (
            csv({**BASE, f"Fuel flow ({unit})": value * RPM / 2600}),
            right(
                never=("UNIT_UNKNOWN",),
                columns={
                    f"Fuel flow ({unit})": Samples(
                        20 * RPM[0] / 2600, 20 * RPM[-1] / 2600, unit="l/h", channel="fuel_flow"
                    )
                },
            ),
        )
        for unit, value in (
            ("l/h", 20.0),
            ("l/min", 1 / 3),
            ("gal/h", 20 / 3.785411784),
            ("gph", 20 / 3.785411784),
            ("ml/s", 20 / 3.6),
        )
    },
    # units that are wrong
    "Celsius written, Fahrenheit inside": (
        csv(base(oat=np.round(OAT * 1.8 + 32, 1))),
        right(("UNIT_CHANGE_SUSPECTED",)),
    ),
    "feet written, metres inside, a receiver beside": (
        both(
            base(alt=np.round(ALT * 0.3048, 1)),
            {
                "Latitude (deg)": 47 + S / 1e5,
                "Longitude (deg)": 8 + S / 1e5,
                "GPS altitude MSL (m)": np.round(ALT * 0.3048 + 30),
            },
        ),
        right(("UNIT_CHANGE_SUSPECTED",), rows=2 * N),
    ),
    "knots written, miles inside, ground speed beside": (
        both(
            base(ias=np.round(IAS * 1.150779 * 1.15, 1)),
            {
                "Latitude (deg)": 47 + S / 1e5,
                "Longitude (deg)": 8 + S / 1e5,
                "Ground speed (kt)": np.round(IAS * 1.05, 1),
            },
        ),
        right(rows=2 * N),
    ),
    "percent written, parts of one inside": (
        csv({**BASE, "Throttle (%)": np.round(np.interp(RPM, [900, 2600], [0.02, 1.0]), 3)}),
        right(("UNIT_CHANGE_SUSPECTED",)),
    ),
    "inches written, hectopascal inside": (
        csv({**BASE, "Manifold pressure (inHg)": np.round(np.interp(RPM, [900, 2600], [400, 960]), 1)}),
        right(("UNIT_CHANGE_SUSPECTED",)),
    ),
    "an altimeter setting in hectopascal called inches": (
        csv({**BASE, "Altimeter setting (inHg)": np.full(N, 1013.0)}),
        right(("UNIT_CHANGE_SUSPECTED",)),
    ),
    "Fahrenheit after a reset": (
        csv(base(oat=np.where(S < 450, OAT, np.round(OAT * 1.8 + 32, 1)))),
        right(("UNIT_CHANGE_SUSPECTED",)),
    ),
    "metres after a reset": (
        csv(base(alt=np.where(S < 450, np.round(ALT), np.round(ALT * 0.3048)))),
        right(("UNIT_CHANGE_SUSPECTED",)),
    ),
    # units that are missing
    "no unit anywhere": (
        csv({"IAS": IAS, "Pressure altitude": np.round(ALT), "OAT": OAT, "RPM": RPM}),
        right(("UNIT_UNKNOWN",), columns={"RPM": Samples(float(RPM[0]), float(RPM[-1]), unit="rpm")}),
    ),
    # states
    "gear up written as one": (
        csv({**BASE, "Gear up": (~GEAR).astype(int)}),
        right(columns={"Gear up": Samples(0.0, 0.0)}),
    ),
    "gear as words": (
        csv({**BASE, "Gear": np.where(GEAR, "DOWN", "UP")}),
        right(columns={"Gear": Samples("DOWN", "DOWN")}),
    ),
    "the altimeter setting changed in flight": (
        csv({**without("Pressure altitude (ft)"), "Baro altitude (ft)": BARO, "Altimeter setting (inHg)": SETTING}),
        right(never=("SPIKE", "STUCK_CHANNEL", "UNIT_CHANGE_SUSPECTED")),
    ),
    "a heading through north": (csv({**BASE, "Heading (deg mag)": HEADING}), right(never=QUIET)),
    "a heading from minus to plus 180": (
        csv({**BASE, "Heading true (deg)": np.mod(HEADING + 180, 360) - 180}),
        right(never=QUIET),
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_sensors(name: str, tmp_path: Path) -> None:
    make, expected = CASES[name]
    assert differences(make(tmp_path), expected) == []
