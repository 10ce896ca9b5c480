"""Made-up programmes with a known polar, and bands that should hold it: the harness of the coverage run.

Each programme has its own errors of type B (airspeed, mass, sink, temperature: one draw for all its flights, of
the size the settings state), each flight its own effect on drag, each point its own air.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from trimshot.reports.reductions.drag import reduce_drag
from trimshot.reports.reductions.evidence import Evidence
from trimshot.reports.reductions.increments import reduce_increments
from trimshot.shared.settings import Settings, parse_settings
from trimshot.store.programme import Programme

KT = 1852 / 3600
G = 9.80665
RHO = 1.225
TRUE = {"up": (0.55, 0.0041), "down": (0.82, 0.0041)}  # gear -> f [m2], k [1/m2]
MASS = 1100.0
DENSITY_SLOPE = 0.30  # m2 by which an idling propeller brakes less in air thicker by a whole density ratio
DENSITY_MIDDLE = 0.85  # density ratio at which TRUE holds
SETTINGS = parse_settings('[aircraft]\nmass = "1100 kg"\n', "made up")


@dataclass(frozen=True, slots=True)
class Checked:
    """One band of one programme: what it is of, whether it holds the truth, how far off the value is."""

    quantity: str
    holds: bool
    error: float  # relative
    half_width: float  # relative


def make_programme(seed: int, flights: int, points: int, *, flight_effect: float = 0.012) -> Evidence:
    """Glides of two conditions in `flights` flights of `points` points each, read with errors."""
    random = np.random.default_rng(seed)
    unsure = Settings().uncertainty
    bias = random.normal(0, [float(unsure.airspeed_uncalibrated), unsure.mass_share, unsure.vertical_speed_share])
    warm = random.normal(0, unsure.temperature)
    rows: list[dict[str, Any]] = []
    for flight in range(flights):
        effect = 1 + random.normal(0, flight_effect)
        for number in range(points):
            gear = "up" if number % 2 == 0 else "down"
            speed = random.uniform(75, 125) * KT
            rows.append(_point(random, (flight, number, gear), speed, effect, (bias, warm)))
    frame = pd.DataFrame(rows)
    return Evidence(Programme(Path("nowhere")), SETTINGS, None, tuple(sorted(set(frame["sortie"]))), frame)


def _point(
    random: np.random.Generator, which: tuple[int, int, str], speed: float, effect: float, errors: tuple[Any, float]
) -> dict[str, Any]:
    flight, number, gear = which
    (air, weigh, scale), warm = errors
    f, k = TRUE[gear]
    mass, ratio, temperature = random.uniform(1000, 1150), random.uniform(0.75, 0.95), 278.0
    sink = glide_sink((true_area(f, ratio) * effect, k), speed, mass) / np.sqrt(ratio)
    own = 0.03 + 0.012 * sink  # the air, as the standard error knows it [m/s]
    read_speed = speed + air
    read_temperature = temperature + warm
    true = read_speed / np.sqrt(ratio) * np.sqrt(read_temperature / temperature)
    read_sink = (sink + random.normal(0, own)) * (1 + scale) * read_temperature / temperature
    weight = mass * (1 + weigh) * G
    return {
        "sortie": f"F{flight}", "number": number + 1, "day": f"D{flight // 2}", "start_s": 100.0 * number,
        "stop_s": 100.0 * number + 40, "start_utc": pd.Timestamp("2025-05-01", tz="UTC"), "kind": "glide", "gear": gear,
        "flap": "up", "power": "idle", "propulsion": "idle", "mass": weight / G, "mass_from": "card", "weight": weight,
        "calibrated_airspeed": read_speed, "equivalent_airspeed": read_speed, "true_airspeed": true,
        "dynamic_pressure": RHO / 2 * read_speed**2, "sink_rate": read_sink, "sink_rate_error": own,
        "static_air_temperature": read_temperature, "pressure_altitude": 2000.0,
    }  # fmt: skip


def true_area(f: float, density_ratio: float) -> float:
    """Drag area at no lift [m2] at a density ratio."""
    return f + DENSITY_SLOPE * (DENSITY_MIDDLE - density_ratio)


def glide_sink(polar: tuple[float, float], speed: float, mass: float) -> float:
    """Sink [m/s] at sea level from (f [m2], k [1/m2]), equivalent airspeed [m/s], mass [kg], by bisection on the path angle."""
    f, k = polar
    dynamic, weight = RHO / 2 * speed**2, mass * G
    low, high = 0.0, 1.2
    for _ in range(60):
        angle = (low + high) / 2
        lift = weight * np.cos(angle) / dynamic
        if dynamic * (f + k * lift**2) > weight * np.sin(angle):
            low = angle
        else:
            high = angle
    return float(speed * np.sin(low))


def held(energy_sink: float, speed: float, density_ratio: float) -> float:
    """Fall of height [m/s] with an equivalent airspeed [m/s] held, from that of energy at sea level.

    Density ratio (T / T0)^4.25588 of the standard atmosphere's troposphere, differentiated by a metre's step (U.S. Standard Atmosphere 1976).
    """
    height = (1 - density_ratio ** (1 / 4.25588)) * 288.15 / 0.0065
    below, above = ((1 - 0.0065 * (height + step) / 288.15) ** 4.25588 for step in (-0.5, 0.5))
    more = speed**2 * (1 / above - 1 / below) / (2 * G)
    return energy_sink / float(np.sqrt(density_ratio)) / (1 + float(more))


def check(evidence: Evidence) -> Iterator[Checked]:
    """Every known band of the two reductions against the truth: what is not stated cannot be wrong."""
    for one in _all(evidence):
        if one.half_width == one.half_width:
            yield one


def _all(evidence: Evidence) -> Iterator[Checked]:
    drag = reduce_drag(evidence)
    for one in drag.conditions:
        f, k = true_area(TRUE[one.condition.gear][0], drag.density_ratio), TRUE[one.condition.gear][1]
        yield _one("drag area at no lift", one.parasite_area, f)
        yield _one("k", one.induced, k)
        for speed in (85 * KT, 110 * KT):
            for ratio in (drag.density_ratio, drag.density_ratio + 0.07):
                area = true_area(TRUE[one.condition.gear][0], ratio)
                true = held(glide_sink((area, k), speed, MASS), speed, ratio)
                where = "" if ratio == drag.density_ratio else ", 2,500 ft lower"
                yield _one(f"sink at {speed / KT:.0f} kt{where}", one.sink_at(speed, MASS, density_ratio=ratio), true)
        if one.best_glide_speed.is_known:
            yield _one("best glide speed", one.best_glide_speed, float(np.sqrt(2 * MASS * G / RHO * np.sqrt(k / f))))
    for step in reduce_increments(evidence).increments:
        yield _one("gear increment", step.area, TRUE["down"][0] - TRUE["up"][0])


def _one(quantity: str, band: Any, truth: float) -> Checked:
    return Checked(quantity, band.holds(truth), band.value / truth - 1, band.half_width / truth)
