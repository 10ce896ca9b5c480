"""What changed between two flights or two groups of flights: differences at matched points, ranked.

Points of one condition at nearly one airspeed are compared channel by channel; each comparison has a p-value and
all of them together are held to a false discovery rate of 5 % (Y. Benjamini and Y. Hochberg, Journal of the
Royal Statistical Society B 57, 1995). Weather shared by all points of a flight looks like the aircraft: where
three or more flights stand on one side, their scatter from flight to flight widens every comparison.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import hypot, nan, sqrt

import numpy as np
import pandas as pd
from scipy import special

from ...shared.errors import SettingsError
from ...shared.units import to_si
from .bands import Band, band_of
from .conditions import Condition, conditions_of
from .evidence import Evidence, references_of
from .present import counted
from .sheet import LeftOut, Reference

SPEED_WINDOW = to_si(4.0, "kt")
HEIGHT_WINDOW = to_si(4000.0, "ft")
DISCOVERY_RATE = 0.05
STATES = ("kind", "gear", "flap", "propulsion", "propeller")

# what is compared: key -> (words, quantity of shared display, kinds of points it makes sense for)
COMPARED: dict[str, tuple[str, str, frozenset[str]]] = {
    "drag_area": ("apparent drag area", "area", frozenset({"glide"})),
    "sink_rate": ("sink rate", "vertical_speed", frozenset({"glide", "descent", "climb"})),
    "engine_speed": ("engine speed", "rotation", frozenset({"glide"})),
    "fuel_flow": ("fuel flow", "volume_flow", frozenset({"level", "climb"})),
    "manifold_pressure": ("manifold pressure", "manifold_pressure", frozenset({"level", "climb", "glide"})),
    "pitch": ("pitch attitude", "angle", frozenset({"glide", "level", "climb"})),
    "oil_temperature_rise": ("oil temperature above the air", "temperature", frozenset({"level", "climb"})),
    "oil_pressure": ("oil pressure", "pressure", frozenset({"level", "climb"})),
    "bus_voltage": ("bus voltage", "voltage", frozenset({"level", "climb"})),
}


@dataclass(frozen=True, slots=True)
class Difference:
    """One comparison, after less before, SI: of a channel in a condition at an airspeed [m/s]. seen: survives the rate."""

    channel: str
    words: str
    quantity: str
    condition: str
    airspeed: float
    before: float
    difference: Band
    p_value: float
    seen: bool
    pairs: int
    origin: tuple[Reference, ...]

    @property
    def sigmas(self) -> float:
        """The difference in its own standard uncertainties, without sign."""
        own = self.difference.standard_uncertainty
        return abs(self.difference.value) / own if own > 0 else nan


@dataclass(frozen=True, slots=True)
class ChangesResult:
    """Differences, the surest first; the two sides; whether flight-to-flight scatter could be told."""

    before: tuple[str, ...]
    after: tuple[str, ...]
    differences: tuple[Difference, ...]
    has_flight_scatter: bool
    left_out: tuple[LeftOut, ...]


def reduce_changes(evidence: Evidence) -> ChangesResult:
    """Compare two sides of the evidence's flights: options before and after (names, commas between).

    Without options the last flight with points stands against all earlier ones. Raises SettingsError.
    """
    points = _with_compared(conditions_of(evidence))
    before, after = _sides(evidence, points)
    old, new = points[points["sortie"].isin(before)], points[points["sortie"].isin(after)]
    raw = list(_compare(old, new)) if {"calibrated_airspeed", "pressure_altitude"} <= set(points) else []
    left_out = list(evidence.left_out)
    left_out += [
        LeftOut(
            f"{counted(len(group), 'point')}, {', '.join(str(word) for word in key if word)}",
            "the other side has none in this condition at such a speed and height",
        )
        for key, group in new.groupby(list(STATES), sort=True)
        if not len(old) or not any((old[list(STATES)] == list(key)).all(axis=1))
    ]
    if not raw:
        return ChangesResult(before, after, (), False, tuple(left_out))
    from scipy import stats  # half a second to load, which no other reduction needs

    adjusted = stats.false_discovery_control([one.p_value for one in raw])
    judged = [
        Difference(one.channel, one.words, one.quantity, one.condition, one.airspeed, one.before, one.difference,
                   one.p_value, bool(share <= DISCOVERY_RATE), one.pairs, one.origin)
        for one, share in zip(raw, adjusted, strict=True)
    ]  # fmt: skip
    judged.sort(key=lambda one: (not one.seen, one.p_value, one.channel))
    return ChangesResult(before, after, tuple(judged), max(len(before), len(after)) >= 3, tuple(left_out))


def _with_compared(points: pd.DataFrame) -> pd.DataFrame:
    out = points.copy()
    for name in ("weight", "sink_rate", "true_airspeed", "dynamic_pressure"):
        if name not in out:
            out[name] = np.nan
    per_sink = out["weight"] / out["true_airspeed"] / out["dynamic_pressure"]
    out["drag_area"] = per_sink * out["sink_rate"]
    out["drag_area_error"] = per_sink * out.get("sink_rate_error", pd.Series(0.0, index=out.index))
    if {"oil_temperature", "static_air_temperature"} <= set(out):
        out["oil_temperature_rise"] = out["oil_temperature"] - out["static_air_temperature"]
        out["oil_temperature_rise_error"] = out["oil_temperature_error"]
    return out


def _sides(evidence: Evidence, points: pd.DataFrame) -> tuple[tuple[str, ...], tuple[str, ...]]:
    flown = list(dict.fromkeys(points.sort_values("start_utc")["sortie"])) if len(points) else []
    named = {side: _named(evidence.options.get(side), evidence) for side in ("before", "after")}
    after = named["after"] or tuple(flown[-1:])
    before = named["before"] or tuple(name for name in flown if name not in after)
    if set(before) & set(after):
        raise SettingsError("a flight cannot stand on both sides", found=", ".join(sorted(set(before) & set(after))))
    return before, after


def _named(text: object, evidence: Evidence) -> tuple[str, ...]:
    names = tuple(part.strip() for part in str(text or "").split(",") if part.strip())
    unknown = [name for name in names if name not in evidence.sorties]
    if unknown:
        raise SettingsError(
            "no such flight among those considered", found=", ".join(unknown), allowed=", ".join(evidence.sorties)
        )
    return names


def _compare(old: pd.DataFrame, new: pd.DataFrame) -> Iterator[Difference]:
    for channel, (words, quantity, kinds) in COMPARED.items():
        if channel not in old or channel not in new:
            continue
        own = new[new["kind"].isin(kinds) & new[channel].notna() & new["calibrated_airspeed"].notna()]
        for key, group in own.groupby(list(STATES), sort=True):
            others = old[(old[list(STATES)] == list(key)).all(axis=1) & old[channel].notna()]
            found = _pair(group, others, channel)
            if found is not None:
                condition = Condition(*map(str, key)).words
                yield _difference(found, channel, words, quantity, condition)


@dataclass(frozen=True, slots=True)
class _Pairs:
    rows: pd.DataFrame  # of the new side, with the matched ones' mean in `other` and its error
    used: pd.DataFrame


def _pair(group: pd.DataFrame, others: pd.DataFrame, channel: str) -> _Pairs | None:
    """Each new point with the mean of the old ones near it in speed and height, the channel's slope over speed taken out."""
    if not len(others):
        return None
    slope, lapse = _slopes(pd.concat([group, others]), channel)
    rows, used = [], []
    for row in group.to_dict("records"):
        near = others[
            ((others["calibrated_airspeed"] - row["calibrated_airspeed"]).abs() <= SPEED_WINDOW)
            & ((others["pressure_altitude"] - row["pressure_altitude"]).abs() <= HEIGHT_WINDOW)
        ]
        if not len(near):
            continue
        moved = (
            near[channel]
            + slope * (row["calibrated_airspeed"] - near["calibrated_airspeed"])
            + lapse * (row["pressure_altitude"] - near["pressure_altitude"])
        )
        by_flight = moved.groupby(near["sortie"]).mean()
        error = float(np.sqrt(np.mean(np.square(near[f"{channel}_error"].fillna(0.0)))) / sqrt(len(near)))
        scatter = float(by_flight.std(ddof=1) / sqrt(len(by_flight))) if len(by_flight) >= 2 else 0.0
        rows.append({**row, "other": float(by_flight.mean()), "other_error": hypot(error, scatter),
                     "flight_scatter": float(by_flight.std(ddof=1)) if len(by_flight) >= 3 else nan})  # fmt: skip
        used.append(near)
    return _Pairs(pd.DataFrame(rows), pd.concat(used)) if rows else None


def _slopes(points: pd.DataFrame, channel: str) -> tuple[float, float]:
    """How a channel goes with airspeed and with height in one condition; 0 for what the points do not tell.

    Each side keeps its own level, so that a change between the sides is not taken for a slope.
    """
    side = points["sortie"].astype("category").cat.codes
    columns = [(side == code).astype(float) for code in sorted(set(side))]
    wanted = [("calibrated_airspeed", SPEED_WINDOW), ("pressure_altitude", to_si(1000.0, "ft"))]
    # what a flight varied by itself: heights that differ between flights alone tell no lapse, only noise
    own = {name: points[name] - points.groupby("sortie")[name].transform("mean") for name, _ in wanted}
    used = [name for name, span in wanted if float(np.ptp(own[name])) >= span]
    columns += [own[name] for name in used]
    design = np.stack([np.asarray(one, dtype=np.float64) for one in columns], axis=1)
    if len(points) < design.shape[1] + 2 or np.linalg.matrix_rank(design) < design.shape[1]:
        return 0.0, 0.0
    answer = np.linalg.lstsq(design, np.asarray(points[channel], dtype=np.float64), rcond=None)[0]
    told = dict(zip(used, answer[len(answer) - len(used) :], strict=True))
    return float(told.get("calibrated_airspeed", 0.0)), float(told.get("pressure_altitude", 0.0))


def _difference(found: _Pairs, channel: str, words: str, quantity: str, condition: str) -> Difference:
    rows = found.rows
    each = rows[channel] - rows["other"]
    count = len(rows)
    own = float(np.sqrt(np.mean(np.square(rows[f"{channel}_error"].fillna(0.0)) + np.square(rows["other_error"]))))
    scatter = float(each.std(ddof=1)) if count >= 2 else own
    error = max(own, scatter) / sqrt(count)
    between = float(rows["flight_scatter"].mean()) if rows["flight_scatter"].notna().any() else 0.0
    flights = rows["sortie"].nunique()
    error = hypot(error, between / sqrt(flights))
    freedom = max(count - 1, 1) + max(found.used["sortie"].nunique() - 1, 0)
    value = float(each.mean())
    p_value = float(2 * special.stdtr(freedom, -abs(value) / error)) if error > 0 else 1.0
    return Difference(
        channel, words, quantity, condition, float(rows["calibrated_airspeed"].mean()), float(rows["other"].mean()),
        band_of(value, error, unit="SI"), p_value, False, count, (*references_of(rows), *references_of(found.used)),
    )  # fmt: skip
