"""What a reduction told against what is true: the simulated aircraft's polars, glides, increments and engine speeds.

A folder's truth/aircraft_<name>.json holds, per configuration, the airframe's polar, the apparent one (propeller in it)
and a table of noise-free steady glides from 9,000 ft.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from trimshot.reports.reductions.airspeed_fit import AirspeedFit
from trimshot.reports.reductions.approach import ApproachResult
from trimshot.reports.reductions.bands import Band
from trimshot.reports.reductions.conditions import FINE_STOP, Condition
from trimshot.reports.reductions.drag import ConditionDrag, DragResult
from trimshot.reports.reductions.increments import IncrementsResult
from trimshot.reports.reductions.windmilling import WindmillingResult

KT, FT2, LB, FPM = 1852 / 3600, 0.3048**2, 0.45359237, 0.00508
FLAPS = {"UP": "up", "0": "up", "HALF": "half", "1": "half", "FULL": "full", "2": "full"}


@dataclass(frozen=True, slots=True)
class Score:
    """One number told against the truth, in people's units. scale: what its error is judged by, 'share' or the unit."""

    where: str
    quantity: str
    what: str
    truth: float
    value: float
    half_width: float
    by: str = "share"

    @property
    def error(self) -> float:
        """Told less true, as a share of the truth or in the unit."""
        return self.value / self.truth - 1 if self.by == "share" else self.value - self.truth

    @property
    def holds(self) -> bool:
        """Whether the band holds the truth."""
        return abs(self.value - self.truth) <= self.half_width


@dataclass(frozen=True, slots=True)
class Truth:
    """The true aircraft. configs: (gear, flap, on the fine stop or of fixed pitch) -> its record."""

    name: str
    wing: float
    retractable: bool
    configs: dict[tuple[str, str, bool], dict[str, Any]]


def load_aircraft(path: Path) -> Truth:
    """The truth of truth/aircraft_<name>.json."""
    told = json.loads(path.read_text())
    configs = told["configs"]
    retractable = len({one["gear"] for one in configs.values()}) > 1
    keyed = {
        (("down" if one["gear"] else "up") if retractable else "fixed", FLAPS[one["flap"]], one["rpm_lever"] > 0.5): one
        for one in configs.values()
    }
    return Truth(told["aircraft"], told["wing_area_ft2"] * FT2, retractable, keyed)


def config_of(truth: Truth, condition: Condition) -> dict[str, Any] | None:
    """The true record of a condition; None where there is none."""
    return truth.configs.get((condition.gear, condition.flap, condition.propeller in ("", FINE_STOP)))


def score_drag(where: str, drag: DragResult, truth: Truth) -> list[Score]:
    """Apparent CD0, K and best glide of every condition, sink at the true table's speeds, masses and densities."""
    scores = []
    for one in drag.conditions:
        true = config_of(truth, one.condition)
        if true is None or isinstance(one.fit, str):
            continue
        name, polar = one.condition.configuration, true["apparent_with_propeller"]
        area, induced = one.parasite_area, one.induced
        scores.append(_score(where, "CD0, apparent", name, polar["cd0"], area, 1 / truth.wing))
        scores.append(_score(where, "K, apparent", name, polar["k"], induced, truth.wing))
        if one.best_glide_speed.is_known:
            lift = (polar["cd0"] / polar["k"]) ** 0.5 * truth.wing
            speed = (2 * drag.standard_mass * 9.80665 / 1.225 / lift) ** 0.5 / KT
            scores.append(_score(where, "best glide [kt]", name, speed, one.best_glide_speed, 1 / KT, by="unit"))
        scores += _score_sinks(where, one, true["table"])
    return scores


def _score_sinks(where: str, one: ConditionDrag, table: list[dict[str, float]]) -> list[Score]:
    scores = []
    for row in table:
        told = one.sink_at(row["keas"] * KT, row["weight_lb"] * LB, density_ratio=row["sigma"])
        if told.is_known:
            what = f"{one.condition.configuration}, {row['keas']:.0f} kt"
            scores.append(_score(where, "sink [ft/min]", what, row["sink_fpm"], told, 1 / FPM, by="unit"))
    return scores


def static_source(folder: Path, name: str) -> dict[float, float]:
    """Indicated airspeed [kt] -> true correction to calibrated [kt], flaps up, from the truth of an aircraft's sorties; empty without."""
    for path in sorted(folder.glob("truth/*.json")):
        told = json.loads(path.read_text())
        if "sensor_errors" in told and told["aircraft"] == name:
            errors: dict[str, float] = told["sensor_errors"]["static_source"]["ias_minus_cas_kt_at"]
            return {float(speed): -error for speed, error in errors.items()}
    return {}


def score_airspeed(where: str, fit: AirspeedFit | None, truth: Mapping[float, float]) -> list[Score]:
    """The airspeed correction told by all steady points together, at the truth's speeds inside those of flaps up."""
    if fit is None:
        return []
    up = [index for index, (_, flap) in enumerate(fit.keys) if flap == "up"]
    most = max(up, key=lambda index: fit.counts[index])
    key, (low, high) = fit.keys[most], fit.speeds[most]
    return [
        _score(
            where,
            "airspeed correction [kt]",
            f"{speed:.0f} kt",
            true,
            fit.correction(*key, speed * KT),
            1 / KT,
            by="unit",
        )
        for speed, true in truth.items()
        if low <= speed * KT <= high
    ]


def score_increments(where: str, result: IncrementsResult, truth: Truth) -> list[Score]:
    """Drag areas added by gear and flaps (the airframe's), and by the propeller (apparent polars)."""
    scores = []
    for one in result.increments:
        base, changed = config_of(truth, one.base), config_of(truth, one.changed)
        if base is None or changed is None:
            continue
        which = "apparent_with_propeller" if one.what.startswith("propeller") else "airframe"
        true = (changed[which]["cd0"] - base[which]["cd0"]) * truth.wing / FT2
        scores.append(_score(where, "increment [ft2]", one.what, true, one.area, 1 / FT2))
    return scores


def score_windmilling(where: str, result: WindmillingResult, truth: Truth) -> list[Score]:
    """Engine speed on the fine stop at the clean table's true airspeeds, and where governed speeds are reached."""
    table: list[dict[str, Any]] = next(
        (one["table"] for key, one in sorted(truth.configs.items(), key=_cleanest) if key[2]), []
    )
    speed = np.array([row["ktas"] for row in table])
    turning = np.array([row["rpm"] for row in table])
    scores = []
    for true_speed, rpm in zip(speed, turning, strict=True):
        told = result.at(true_speed * KT)
        if told.is_known:
            scores.append(_score(where, "engine speed [rpm]", f"{true_speed:.0f} kt", rpm, told, 60))
    for level in result.levels:
        rpm = level.speed.value * 60
        if level.inside and turning.min() <= rpm <= turning.max():
            true_speed = float(np.interp(rpm, turning, speed))
            scores.append(
                _score(where, "RPM break [kt]", f"{rpm:.0f} rpm", true_speed, level.break_speed, 1 / KT, by="unit")
            )
    return scores


def _cleanest(item: tuple[tuple[str, str, bool], dict[str, Any]]) -> float:
    return float(item[1]["airframe"]["cd0"])


def score_approaches(where: str, result: ApproachResult) -> list[Score]:
    """Height lost on each stretch of every recorded approach, as predicted from other flights' glides, with its band."""
    return [
        Score(where, f"height lost, {one.stretch}{', inferred' if one.inferred else ''}", one.sortie,
              one.achieved / 0.3048, one.predicted / 0.3048, one.band.half_width / 0.3048)
        for one in result.trials
        if one.achieved > 0
    ]  # fmt: skip


def _score(where: str, quantity: str, what: str, truth: float, told: Band, scale: float, *, by: str = "share") -> Score:
    return Score(where, quantity, what, float(truth), told.value * scale, told.half_width * scale, by)


def table_of(scores: list[Score]) -> str:
    """A Markdown table: per quantity how many, inside their bands, middle and largest error, middle half width."""
    lines = [
        "| quantity | n | band holds the truth | middle of the size of the error | largest | bias | middle half width |"
    ]
    lines.append("|" + "---|" * 7)
    for quantity in sorted({one.quantity for one in scores}):
        own = [one for one in scores if one.quantity == quantity]
        error = np.array([one.error for one in own])
        width = np.array([one.half_width / (one.truth if one.by == "share" else 1) for one in own])
        form = _percent if own[0].by == "share" else _plain
        banded = [one for one in own if np.isfinite(one.half_width)]
        cells = (np.median(np.abs(error)), np.max(np.abs(error)), np.median(error), np.median(width))
        shown = [form(float(cell)) for cell in cells]
        shown[2] = ("+" if cells[2] > 0 else "") + shown[2]
        held = sum(one.holds for one in banded)
        inside = f"{held} ({100 * held / len(banded):.0f} %)" if banded else "no band is told"
        shown[3] = shown[3] if banded else "–"
        lines.append(f"| {quantity} | {len(own)} | {inside} | {' | '.join(shown)} |")
    return "\n".join(lines)


def _percent(value: float) -> str:
    return f"{100 * value:.1f} %"


def _plain(value: float) -> str:
    return f"{value:.1f}"
