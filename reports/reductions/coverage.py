"""What has been flown and how well it is known: configuration by airspeed, height and mass.

A cell holds the points of one kind and configuration in one step of airspeed; its band is that of the
mean sink (glides, descents) or of the mean rate of climb there, from the points' own errors and their scatter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ...shared.units import to_si
from .bands import Band, band_of
from .conditions import Condition, conditions_of
from .evidence import Evidence, references_of
from .sheet import LeftOut, Reference

SPEED_STEP = to_si(10.0, "kt")
HEIGHT_STEP = to_si(2000.0, "ft")
MASS_STEP = to_si(100.0, "lb")
STATES = ("kind", "gear", "flap", "propulsion", "propeller")


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: the step of airspeed [m/s] it stands for (low edge), its points and the band of their rate [m/s]."""

    speed: float
    count: int
    flights: int
    rate: Band
    origin: tuple[Reference, ...]


@dataclass(frozen=True, slots=True)
class Row:
    """One condition over airspeed. slowest, fastest [m/s]; heights [m]; masses [kg]: the ranges flown."""

    condition: Condition
    cells: tuple[Cell, ...]
    slowest: float
    fastest: float
    heights: tuple[float, float]
    masses: tuple[float, float]
    points: int
    flights: int


@dataclass(frozen=True, slots=True)
class CoverageResult:
    """The matrix, and the same points by height and by mass: (condition, step's low edge) -> count."""

    rows: tuple[Row, ...]
    by_height: dict[tuple[Condition, float], int]
    by_mass: dict[tuple[Condition, float], int]
    left_out: tuple[LeftOut, ...]


def reduce_coverage(evidence: Evidence) -> CoverageResult:
    """The matrix of all accepted points; points in an unknown configuration count as such, in rows of their own."""
    points = conditions_of(evidence)
    left_out = list(evidence.left_out)
    if not len(points) or "calibrated_airspeed" not in points:
        return CoverageResult((), {}, {}, tuple(left_out))
    known = points[points["calibrated_airspeed"].notna()]
    left_out += [
        LeftOut(f"point {row['number']} of {row['sortie']}", "no airspeed is known")
        for row in points[points["calibrated_airspeed"].isna()].to_dict("records")
    ]
    groups = dict(sorted(known.groupby("condition", sort=False), key=lambda one: one[0]))
    rows = tuple(_row(condition, group) for condition, group in groups.items())
    return CoverageResult(
        rows,
        _counts(groups, "pressure_altitude", HEIGHT_STEP),
        _counts(groups, "mass", MASS_STEP),
        tuple(left_out),
    )


def _row(condition: Condition, group: pd.DataFrame) -> Row:
    steps = (group["calibrated_airspeed"] // SPEED_STEP).astype(int)
    cells = tuple(_cell(int(step), one) for step, one in group.groupby(steps, sort=True))
    speeds = group["calibrated_airspeed"]
    return Row(
        condition, cells, float(speeds.min()), float(speeds.max()), _range(group, "pressure_altitude"),
        _range(group, "mass"), len(group), group["sortie"].nunique(),
    )  # fmt: skip


def _cell(step: int, group: pd.DataFrame) -> Cell:
    return Cell(step * SPEED_STEP, len(group), group["sortie"].nunique(), mean_rate(group), references_of(group))


def mean_rate(group: pd.DataFrame) -> Band:
    """Mean energy-corrected sink rate [m/s] of points with the larger of what their errors and their scatter tell."""
    if "sink_rate" not in group or group["sink_rate"].isna().all():
        return Band(float("nan"), float("nan"), float("nan"), "m/s")
    rate = group["sink_rate"].dropna()
    error = group["sink_rate_error"].reindex(rate.index).fillna(0.0)
    own = float(np.sqrt(np.sum(error**2))) / len(rate)
    scatter = float(rate.std(ddof=1) / np.sqrt(len(rate))) if len(rate) > 1 else 0.0
    return band_of(float(rate.mean()), max(own, scatter), unit="m/s")


def _range(group: pd.DataFrame, channel: str) -> tuple[float, float]:
    if channel not in group or group[channel].isna().all():
        return (float("nan"), float("nan"))
    return float(group[channel].min()), float(group[channel].max())


def _counts(groups: dict[Condition, pd.DataFrame], channel: str, step: float) -> dict[tuple[Condition, float], int]:
    out: dict[tuple[Condition, float], int] = {}
    for condition, group in groups.items():
        if channel not in group:
            continue
        for value in group[channel].dropna():
            key = (condition, float(value // step) * step)
            out[key] = out.get(key, 0) + 1
    return out
