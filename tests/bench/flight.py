"""A made-up flight as a delimited text log: 40 channels and a stamp, clean or damaged; the same bytes every time.

Set-points a pilot would fly (taxi, climb, levels and glides at several flap settings, approach), joined
by ramps, with correlated gusts and the decimals instruments write. Nothing here is a real aircraft.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

Floats = NDArray[np.float64]

START = dt.datetime(2025, 5, 8, 9, 0, 0)
SEED = 20250508

# seconds, indicated airspeed kt, climb ft/min, engine rpm, manifold pressure inHg, flap deg, gear down
_LEGS: tuple[tuple[float, float, float, float, float, float, float], ...] = (
    (240, 0, 0, 1000, 12, 0, 1),
    (60, 75, 700, 2600, 28, 10, 1),
    (420, 95, 900, 2550, 27, 0, 0),
    (180, 140, 0, 2400, 25, 0, 0),
    (180, 125, 0, 2300, 22, 0, 0),
    (180, 110, 0, 2200, 19, 0, 0),
    (150, 90, -800, 1200, 12, 0, 0),
    (150, 80, -850, 1200, 12, 10, 0),
    (150, 75, -900, 1200, 12, 20, 1),
    (300, 95, 1000, 2500, 26, 0, 0),
    (180, 100, 0, 2200, 18, 0, 0),
    (180, 85, 0, 2200, 17, 10, 0),
    (180, 80, 0, 2300, 19, 20, 1),
    (150, 90, -750, 1200, 12, 0, 1),
    (150, 100, -900, 1200, 12, 0, 0),
    (300, 120, 0, 2300, 21, 0, 0),
    (240, 85, -350, 1500, 14, 20, 1),
    (210, 0, 0, 900, 11, 0, 1),
)  # fmt: skip
_RAMP_S = 6.0

# header, decimals
COLUMNS: tuple[tuple[str, int], ...] = (
    ("IndSpeed [kt]", 1), ("PressAlt [ft]", 0), ("BaroAlt [ft]", 0), ("QNH [hPa]", 1), ("VertSpeed [ft/min]", 0),
    ("OAT [degC]", 1), ("PitchAtt [deg]", 1), ("RollAtt [deg]", 1), ("MagHead [deg]", 1), ("PitchRate [deg/s]", 2),
    ("RollRate [deg/s]", 2), ("YawRate [deg/s]", 2), ("NormAcc [g]", 2), ("LatAcc [g]", 2), ("LongAcc [g]", 2),
    ("Latitude [deg]", 6), ("Longitude [deg]", 6), ("GPS Alt MSL [ft]", 0), ("GndSpd [kt]", 1), ("Track [deg]", 1),
    ("RPM [rpm]", 0), ("MAP [inHg]", 1), ("FuelFlow [gal/h]", 1), ("FuelQty [gal]", 1), ("OilTemp [degF]", 0),
    ("OilPress [psi]", 0), ("CHT1 [degF]", 0), ("CHT2 [degF]", 0), ("CHT3 [degF]", 0), ("CHT4 [degF]", 0),
    ("EGT1 [degF]", 0), ("EGT2 [degF]", 0), ("EGT3 [degF]", 0), ("EGT4 [degF]", 0), ("Bus Voltage [V]", 1),
    ("Bus Current [A]", 1), ("Throttle [%]", 1), ("Flap Angle [deg]", 1), ("Gear Down Locked", 0), ("Squat Switch", 0),
)  # fmt: skip


def write_clean(path: Path, *, hours: float = 1.0, rate_hz: int = 10) -> None:
    """The flight as one file, repeated from the start state for longer than an hour."""
    with path.open("wb") as stream:
        for part in clean_parts(hours=hours, rate_hz=rate_hz):
            stream.write(part)


def clean_parts(*, hours: float, rate_hz: int) -> Iterator[bytes]:
    """The bytes of the clean file, at most an hour at a time."""
    yield ",".join(["UTC", *(header for header, _ in COLUMNS)]).encode() + b"\n"
    body = _rows_text(np.arange(3600 * rate_hz) / rate_hz)
    total = round(hours * 3600 * rate_hz)
    for first in range(0, total, len(body)):
        count = min(len(body), total - first)
        ticks = (np.arange(first, first + count) * 1000 // rate_hz).astype("timedelta64[ms]")
        stamps = pc.cast(pa.array(np.datetime64(START, "ms") + ticks), pa.string())
        stamps = pc.replace_substring(stamps, " ", "T")
        lines = pc.binary_join_element_wise(stamps, body.slice(0, count), ",")
        yield b"\n".join(line.encode() for line in lines.to_pylist()) + b"\n"


def write_damaged(path: Path) -> None:
    """The same hour with a gap, ragged, doubled and half-written rows, sentinels and a cp1252 degree sign."""
    lines = b"".join(clean_parts(hours=1.0, rate_hz=10)).split(b"\n")[:-1]
    header, rows = lines[0].replace(b"[deg]", b"[\xb0]"), lines[1:]
    rng = np.random.default_rng(SEED + 1)
    for at in rng.choice(len(rows), 120, replace=False):
        fields = rows[at].split(b",")
        for position in rng.choice(np.arange(1, 36), 3, replace=False):
            fields[position] = rng.choice([b"", b"-9999", b"---"])
        rows[at] = b",".join(fields)
    for at in rng.choice(len(rows), 40, replace=False):
        rows[at] = rng.choice([rows[at] + b",0", rows[at].rpartition(b",")[0], rows[at][: len(rows[at]) // 2]])
    for at in rng.choice(len(rows), 20, replace=False):
        rows[at] = rows[at] + b"\n" + rows[at]
    del rows[20_000:20_150]  # fifteen seconds are missing
    path.write_bytes(b"\r\n".join([header, *rows]).replace(b"\n\n", b"\n") + b"\r\n2025-05-08T10:00:0")


def _rows_text(t: Floats) -> pa.Array:
    """The rows of an hour without their stamps, as text."""
    samples = sample_channels(t)
    texts = []
    for header, decimals in COLUMNS:
        rounded = np.round(samples[header], decimals) + 0.0
        texts.append(pc.cast(pc.cast(pa.array(rounded), pa.decimal128(18, decimals)), pa.string()))
    return pc.binary_join_element_wise(*texts, ",")


def sample_channels(t: Floats) -> dict[str, Floats]:
    """Every channel at times t (seconds into the hour, evenly spaced), in the units of its header."""
    gusts = _Gusts(np.random.default_rng(SEED), t)
    speed, climb, rpm, manifold, flap, gear = _set_points(t)
    flying = np.clip(speed / 60.0, 0.0, 1.0)
    climb = climb + flying * gusts(60.0)
    altitude = 1500.0 + np.cumsum(climb / 60.0) * (t[1] - t[0])
    bank = flying * (gusts(1.5) + _banked(t))
    turn = np.where(speed > 40, 1091.0 * np.tan(np.radians(bank)) / np.maximum(speed, 40.0), 0.0)
    heading = (80.0 + np.cumsum(turn) * (t[1] - t[0])) % 360.0
    ground = np.maximum(speed * (1 + altitude / 60_000.0) + flying * gusts(0.6), 0.0)
    north = np.cumsum(ground * np.cos(np.radians(heading))) * (t[1] - t[0]) / 3600.0 / 60.0
    east = np.cumsum(ground * np.sin(np.radians(heading))) * (t[1] - t[0]) / 3600.0 / 60.0
    flow = 0.0022 * rpm * manifold / 10.0
    warmth = 1.0 - np.exp(-t / 300.0)
    out = {
        "IndSpeed [kt]": np.maximum(speed + flying * gusts(0.7), 0.0), "PressAlt [ft]": altitude,
        "BaroAlt [ft]": altitude + 100.0, "QNH [hPa]": np.full(len(t), 1016.9), "VertSpeed [ft/min]": climb,
        "OAT [degC]": 15.0 - altitude * 0.00198 + gusts(0.05),
        "PitchAtt [deg]": 2.0 + flying * (climb / 120.0 - (speed - 100.0) / 12.0) + gusts(0.3), "RollAtt [deg]": bank,
        "MagHead [deg]": heading, "PitchRate [deg/s]": gusts(0.2), "RollRate [deg/s]": np.gradient(bank, t),
        "YawRate [deg/s]": turn + gusts(0.1), "NormAcc [g]": 1.0 / np.cos(np.radians(bank)) + flying * gusts(0.02),
        "LatAcc [g]": gusts(0.01), "LongAcc [g]": gusts(0.01) + 0.03, "Latitude [deg]": 46.62 + north,
        "Longitude [deg]": 14.31 + east / np.cos(np.radians(46.6)), "GPS Alt MSL [ft]": altitude + 90.0 + gusts(3.0),
        "GndSpd [kt]": ground, "Track [deg]": (heading + 4.0) % 360.0, "RPM [rpm]": rpm + gusts(3.0),
        "MAP [inHg]": manifold + gusts(0.05), "FuelFlow [gal/h]": flow + gusts(0.05),
        "FuelQty [gal]": 40.0 - np.cumsum(flow) * (t[1] - t[0]) / 3600.0, "OilTemp [degF]": 60 + 120 * warmth + gusts(0.5),
        "OilPress [psi]": 60.0 + rpm / 200.0 + gusts(0.5), "Bus Voltage [V]": 14.1 + gusts(0.03),
        "Bus Current [A]": 12.0 + gusts(0.3), "Throttle [%]": np.clip((manifold - 10.0) * 5.0, 0, 100),
        "Flap Angle [deg]": flap, "Gear Down Locked": (gear > 0.999).astype(float), "Squat Switch": (speed < 50).astype(float),
    }  # fmt: skip
    for cylinder in range(1, 5):
        out[f"CHT{cylinder} [degF]"] = 80 + (200 + 4 * manifold + 6 * cylinder) * warmth + gusts(1.0)
        out[f"EGT{cylinder} [degF]"] = 300 + (600 + 18 * manifold + 9 * cylinder) * np.clip(t / 20, 0, 1) + gusts(2.0)
    return out


def true_changes() -> Floats:
    """Times (seconds into the hour) at which a set-point begins or ends to move, the bank of the turns included."""
    at, _ = _knots()
    # where the sine passes the two levels between which `_banked` rolls in and out
    rolls = np.arcsin(np.array([0.85, 0.95]))
    angles = np.concatenate([(rolls, np.pi - rolls) for _ in range(15)]).reshape(15, 4)
    turns = (angles + 2 * np.pi * np.arange(15)[:, None]) * 240.0 / (2 * np.pi)
    changes = np.concatenate((at[1:-1], turns.ravel()))
    return np.sort(changes[(changes > _RAMP_S) & (changes < 3600.0)])


def _knots() -> tuple[Floats, list[tuple[float, float, float, float, float, float, float]]]:
    """Times between which the set-points are straight lines, and the legs they belong to, two of each."""
    ends = np.cumsum([leg[0] for leg in _LEGS])
    begins = np.concatenate(([0.0], ends[:-1]))
    return np.ravel(np.column_stack([begins + _RAMP_S, ends])), [leg for leg in _LEGS for _ in range(2)]


def _set_points(t: Floats) -> tuple[Floats, ...]:
    at, legs = _knots()
    return tuple(np.interp(t, at, [leg[k] for leg in legs]) for k in range(1, 7))


def _banked(t: Floats) -> Floats:
    """Bank of a turn every four minutes, now right, now left."""
    held = np.clip(10.0 * (np.sin(2 * np.pi * t / 240.0) - 0.85), 0.0, 1.0)
    return np.asarray(15.0 * held * np.sin(2 * np.pi * t / 1200.0))


class _Gusts:
    """Noise of a given deviation, correlated over about a second and a half."""

    def __init__(self, rng: np.random.Generator, t: Floats) -> None:
        self.rng, self.t = rng, t
        self.knots = np.arange(t[0] - 2.0, t[-1] + 3.0, 0.7)

    def __call__(self, deviation: float) -> Floats:
        coarse = np.interp(self.t, self.knots, self.rng.normal(0.0, deviation, len(self.knots)))
        return np.asarray(coarse + self.rng.normal(0.0, 0.3 * deviation, len(self.t)))
