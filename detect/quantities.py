"""The quantities steadiness is judged by, on the grid, each ready for window arithmetic.

Short means take out what an instrument or a gust does in a second; they are the same for every
criterion so that a pilot can redo each of them by hand: 3 s for airspeed and bank, a 6 s
straight line for vertical speed (it scatters as much as a mean over 5 s, for it weighs the middle more),
1 s for heading, 3 s for the engine.
"""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..shared.physics.atmosphere import standard_pressure
from ..shared.physics.constants import STANDARD_GRAVITY
from ..shared.recording import Floats
from .changepoints import find_changes
from .following import delay_of, delayed
from .robust import median_of, share_of
from .signal import Flags, Grid, Indices, deviation, runs, slope, smooth, unwrap
from .spikes import LEAST_AIRSPEED, LEAST_ALTITUDE, despike
from .windows import Pair, Series

AIRSPEED_MEAN_S = 3.0
BANK_MEAN_S = 3.0
CLIMB_LINE_S = 6.0
HEADING_MEAN_S = 1.0
ENGINE_MEAN_S = 3.0
CHANGE_STEP_S = 1.0
CHANGE_MINIMUM = 4  # steps between two changes
ROUGHNESS_S = 10.0
OWN_SCATTER_S = 10.0
FLICKER = 1.05
DIGIT_SHARE = (
    0.17  # what is left of a last digit in means over three seconds: 1 / root 12 of it once, less in three rows
)
STEEPEST = 1.0  # shares: a windmilling propeller turns in proportion to the airspeed
SLOWEST_RATIO_M_S = 10.0
STUCK_S = 4.0
STUCK_FACTOR = 3
STUCK_PER_DIGIT_S = (
    200.0  # common practice, no source: in smooth air one tenth of a knot stands for ten seconds at most
)
STUCK_SHARE = 0.5  # a recorder that repeats more often than this is too coarse for the question
HEADINGS = ("heading_magnetic", "heading_true", "unnamed_heading", "track_true")
AIRSPEEDS = ("calibrated_airspeed", "indicated_airspeed", "true_airspeed", "recorded_true_airspeed")
ALTITUDES = ("pressure_altitude", "baro_altitude", "unnamed_altitude", "gnss_altitude", "gnss_ellipsoid_altitude")


@dataclass(frozen=True, slots=True, eq=False)
class Quantities:
    """What the criteria look at; a Series of missing samples stands for an absent channel.

    airspeed: raw; airspeed_mean: its 3 s mean. engine_on_airspeed: logarithms of true airspeed and of the engine's
    speed, put on one clock by how the one follows the other; engine_noise: what the tachometer itself scatters and the
    airspeed's last digit, as a share. without_power: 1 at idle or shut down. climb_rate from altitude; energy_rate adds (V/g) dV/dt.
    manifold_ratio: manifold over ambient pressure, the throttle's own measure: at a fixed throttle it
    hardly changes with altitude; manifold_logarithm: of the pressure itself, for who holds that in a climb. The three steps compare the 3 s after each sample with the 3 s before:
    a lever moved shows at once, a slow drift hardly. roughness: root mean square of the load factor
    about its mean over 10 s. flow_digit: the last digit of the fuel flow, at idle a large share of it. configuration, unrecorded: number of changes before each sample, of the
    recorded gear and flap and of what stands in for them (`_unrecorded_changes`). moving: 1 in transit.
    """

    step_s: float
    airspeed: Series
    airspeed_mean: Series
    altitude: Series
    climb_rate: Series
    energy_rate: Series
    bank: Series
    heading: Series
    engine_speed: Series
    engine_on_airspeed: Pair
    engine_noise: float
    without_power: Series
    manifold_ratio: Series
    manifold_logarithm: Series
    fuel_flow: Series
    flow_digit: float
    engine_speed_step: Series
    manifold_step: Series
    fuel_flow_step: Series
    roughness: Series
    configuration: Indices
    unrecorded: Indices
    moving: Mapping[str, Series]
    airborne: Flags


def quantities_of(
    grid: Grid, labels: Mapping[str, NDArray[Any]], airborne: Flags, *, movable: Container[str] = ("gear", "flap")
) -> Quantities:
    """All quantities of a recording's grid; labels: the states' words on the same grid; airborne: flag (n,).

    movable: which of gear and flap can move at all on this aircraft.
    """
    airspeed = _airspeed(grid)
    altitude = despike(grid.numbers(grid.first(*ALTITUDES) or ALTITUDES[0]), least=LEAST_ALTITUDE)
    climb = slope(altitude, grid.samples(CLIMB_LINE_S), grid.step_s)
    speed = _true_airspeed(grid, airspeed)
    energy = climb + speed / STANDARD_GRAVITY * slope(speed, grid.samples(CLIMB_LINE_S), grid.step_s)
    engine = grid.samples(ENGINE_MEAN_S)
    speed_mean = smooth(airspeed, grid.samples(AIRSPEED_MEAN_S))
    revolutions = smooth(grid.numbers(grid.first("engine_speed", "propeller_speed") or ""), engine)
    # ambient from the standard atmosphere: only the ratio's steadiness is judged, so the datum hardly matters
    manifold = smooth(grid.numbers("manifold_pressure") / standard_pressure(altitude), engine)
    flow = smooth(grid.numbers(grid.first("fuel_flow", "fuel_mass_flow") or ""), engine)
    flow_digit = grid.digit(grid.first("fuel_flow", "fuel_mass_flow"))
    return Quantities(
        step_s=grid.step_s,
        airspeed=Series(airspeed),
        airspeed_mean=Series(speed_mean),
        altitude=Series(altitude),
        climb_rate=Series(climb),
        energy_rate=Series(energy),
        bank=Series(_bank(grid, speed)),
        heading=Series(smooth(unwrap(grid.numbers(grid.first(*HEADINGS) or "")), grid.samples(HEADING_MEAN_S))),
        engine_speed=Series(revolutions),
        engine_on_airspeed=_on_airspeed(grid, smooth(speed, grid.samples(AIRSPEED_MEAN_S)), revolutions),
        engine_noise=float(
            np.hypot(
                _own_scatter(_logarithm(revolutions)[airborne], grid.samples(OWN_SCATTER_S)),
                DIGIT_SHARE * _airspeed_digit(grid, airspeed[airborne]),
            )
        ),
        without_power=Series(
            np.isin(labels["power"], ("idle", "off")).astype(np.float64) if "power" in labels else np.zeros(len(grid))
        ),
        manifold_ratio=Series(manifold),
        manifold_logarithm=Series(_logarithm(smooth(grid.numbers("manifold_pressure"), engine))),
        fuel_flow=Series(flow),
        flow_digit=flow_digit,
        engine_speed_step=Series(np.maximum(_step(revolutions, engine) - _step(speed_mean, engine), 0.0)),
        manifold_step=Series(_step(manifold, engine) * manifold),
        fuel_flow_step=Series(_step(flow, engine, digit=flow_digit)),
        roughness=Series(deviation(despike(grid.numbers("normal_load_factor")), grid.samples(ROUGHNESS_S))),
        configuration=_changes(labels, len(grid)),
        unrecorded=_unrecorded_changes(grid, labels, energy, movable),
        moving={
            n: Series(np.asarray(labels[n] == "transit", dtype=np.float64)) for n in ("gear", "flap") if n in labels
        },
        airborne=airborne,
    )


def lacking_for_points(grid: Grid) -> tuple[str, ...]:
    """What steadiness cannot be judged without and no usable channel is recorded of: airspeed, height; empty: nothing."""
    needs = (("airspeed", AIRSPEEDS), ("height", ALTITUDES))
    return tuple(name for name, channels in needs if grid.first(*channels) is None)


def unjudged_for_points(grid: Grid) -> str | None:
    """What of steadiness no channel shows, in words with what follows from it; None where all is judged."""
    out = []
    if grid.first("bank", *HEADINGS) is None:
        out.append(
            "whether the wings were level (no bank, heading or track is recorded: turns may be among the points)"
        )
    if grid.first("engine_speed", "propeller_speed", "manifold_pressure", "fuel_flow", "fuel_mass_flow") is None:
        out.append("whether the power stood still (no engine channel is recorded)")
    return " and ".join(out) or None


def _airspeed(grid: Grid) -> Floats:
    name = grid.first(*AIRSPEEDS) or ""
    airspeed = despike(grid.numbers(name), least=LEAST_AIRSPEED)
    airspeed[stuck(airspeed, grid.step_s, row_s=grid.rows_s.get(name, 0.0), digit=_digit(grid, AIRSPEEDS))] = np.nan
    return airspeed


def _true_airspeed(grid: Grid, airspeed: Floats) -> Floats:
    """True airspeed where the airspeed is known, through its holes by the ratio to the airspeed; this itself without any."""
    recorded = grid.numbers(grid.first("true_airspeed", "recorded_true_airspeed") or "")
    known = np.isfinite(recorded) & (airspeed > SLOWEST_RATIO_M_S)
    if not known.any():
        return airspeed
    place = np.arange(len(airspeed))
    ratio = np.interp(place, place[known], recorded[known] / airspeed[known])
    return np.where(np.isfinite(recorded) & np.isfinite(airspeed), recorded, airspeed * ratio)


def stuck(values: Floats, step_s: float, *, row_s: float = 0.0, digit: float = 0.0) -> Flags:
    """Where a channel repeats one value far longer than chance explains: nothing is measured there.

    row_s: seconds from one row of the recorder to the next; digit: the last one it writes, SI.
    With the channel's own share p of rows equal to the one before, the longest run of equal
    rows among n is about log(n) / log(1/p) (Erdos and Renyi 1970); far longer is
    STUCK_FACTOR times that and over STUCK_S seconds, so a living instrument is left alone; of a coarse one nothing can be said.
    In smooth air a whole knot stands for long: each digit may stand for STUCK_PER_DIGIT_S seconds a m/s of it.
    Zero counts as a value at rest.
    """
    out = np.zeros(len(values), dtype=bool)
    alive = np.isfinite(values) & (values > 0)
    pairs = alive[1:] & alive[:-1]
    same = np.zeros(len(values), dtype=bool)
    with np.errstate(invalid="ignore"):  # a mean of equal samples differs from them by rounding only
        same[1:] = pairs & (np.abs(np.diff(values)) <= 1e-9 * np.abs(values[1:]))
    number = int(pairs.sum())
    if number < 2 or not same.any():
        return out
    share = min(float(same.sum()) / number, 0.99)
    if share > STUCK_SHARE:
        return out
    row = max(1.0, row_s / step_s)
    chance = STUCK_FACTOR * row * np.log(number / row) / np.log(1 / share)
    limit = max(STUCK_S / step_s, STUCK_PER_DIGIT_S * digit / step_s, chance)
    stretches = runs(same)
    for first, stop in stretches[stretches[:, 1] - stretches[:, 0] + 1 > limit]:
        out[first - 1 : stop] = True
    return out


def _logarithm(values: Floats) -> Floats:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.log(np.where(values > 1.0, values, np.nan))


def _on_airspeed(grid: Grid, speed: Floats, revolutions: Floats) -> Pair:
    """Engine's speed against airspeed, as logarithms, the airspeed moved to the engine recorder's clock."""
    leader, follower = _logarithm(speed), _logarithm(revolutions)
    return Pair(delayed(leader, delay_of(leader, follower, grid.step_s, most=STEEPEST)), follower)


def _own_scatter(values: Floats, width: int) -> float:
    """What a channel scatters about straight lines of `width` samples where it is quiet: a quarter are quieter."""
    starts = np.arange(0, len(values) - width, max(width // 2, 1), dtype=np.int64)
    if not len(starts):
        return 0.0
    series, place = Series(values), np.arange(width) - (width - 1) / 2
    about = series.deviation(starts, starts + width) ** 2
    along = series.slope(starts, starts + width) ** 2 * float(np.mean(place * place))
    scatter = np.sqrt(np.maximum(about - along, 0.0))
    return share_of(scatter, 25.0) if np.isfinite(scatter).any() else 0.0


def _airspeed_digit(grid: Grid, flown: Floats) -> float:
    """The last digit the airspeed was written with, as a share of the usual airspeed; 0 where it is not known."""
    usual = median_of(flown)
    return _digit(grid, AIRSPEEDS) / usual if usual > 0 else 0.0


def _digit(grid: Grid, channels: Sequence[str]) -> float:
    """The last digit of the first of the channels of which it is known, SI; what is computed from another has none."""
    return next(filter(None, map(grid.digit, channels)), 0.0)


def beyond_digit(change: Floats, digit: float) -> Floats:
    """Changes, those of one last digit taken for none: an instrument flickers between two."""
    return np.where(change > FLICKER * digit, change, 0.0)


def _step(means: Floats, width: int, *, digit: float = 0.0) -> Floats:
    """Share by which the mean of the window after each sample differs from the one before; a digit to and fro is none."""
    half = width // 2 + 1
    out = np.full(len(means), np.nan)
    if len(means) <= 2 * half:
        return out
    before, after = means[: -2 * half], means[2 * half :]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = 2 * beyond_digit(np.abs(after - before), digit) / (after + before)
    out[half:-half] = np.where(before + after > 0, share, np.nan)
    return out


def _bank(grid: Grid, speed: Floats) -> Floats:
    width = grid.samples(BANK_MEAN_S)
    bank = grid.numbers("bank")
    if np.isfinite(bank).any():
        return smooth(bank, width)
    heading = unwrap(grid.numbers(grid.first(*HEADINGS) or ""))
    # without an attitude source: the bank a co-ordinated turn of this rate needs, tan(bank) = V w / g
    return np.arctan(speed * slope(heading, width, grid.step_s) / STANDARD_GRAVITY)


def _changes(labels: Mapping[str, NDArray[Any]], n: int) -> Indices:
    """Number of configuration changes before each sample: equal inside one configuration."""
    change = np.zeros(n, dtype=bool)
    for name in ("gear", "flap"):
        if name in labels and n > 1:
            change[1:] |= labels[name][1:] != labels[name][:-1]
    return np.cumsum(change).astype(np.int64)


def _unrecorded_changes(
    grid: Grid, labels: Mapping[str, NDArray[Any]], energy: Floats, movable: Container[str]
) -> Indices:
    """Number of changes of drag or attitude before each sample, where gear or flap is not recorded.

    A gear leg or a flap that moves changes the energy rate and the pitch attitude together; where
    no switch says so, their common change points stand in for it. Elsewhere all zero.
    """
    count = np.zeros(len(grid), dtype=np.int64)
    watched = [name for name in ("gear", "flap") if name in labels and name in movable]
    if not any(np.mean(labels[name] == "unknown") > 0.5 for name in watched):
        return count
    pace = grid.samples(CHANGE_STEP_S)
    pitch = smooth(grid.numbers("pitch"), pace)
    signals = {"energy_rate": energy[::pace], "pitch": pitch[::pace]}
    present = {name: values for name, values in signals.items() if np.isfinite(values).any()}
    changes = find_changes(present, minimum=CHANGE_MINIMUM) * pace
    count[changes] = 1
    return np.cumsum(count)
