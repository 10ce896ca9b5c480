"""Engine speed against true airspeed with the throttle closed: where it follows airspeed, where the governor holds it.

Not only accepted points: any four steady seconds with the throttle closed and the aircraft flying count. On the
fine stop the propeller's speed follows true airspeed, nearly in proportion: n = a + b V + c V^2, a and c small.
Where the governor holds a speed N, the break is the airspeed at which the fine-stop line reaches N: slower, the propeller cannot
turn that fast and its drag is that of the fine stop.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ...shared.units import to_si
from .bands import UNKNOWN, Band, band_of
from .conditions import CLOSED
from .evidence import Evidence
from .resampling import redraw
from .sheet import LeftOut, Reference

Floats = NDArray[np.float64]

BLOCK_S = 4.0
SETTLING_S = 5.0  # after the throttle was closed
LONGEST_STEP_S = 60.0  # one stretch told as origin holds at most this
STEADY_SPEED = to_si(2.5, "kt/s")  # a propeller follows within a second: 2 kt of lag at most
STEADY_ROTATION = 0.02  # range of engine speed inside a block, share of it
ON_LINE = 0.04  # blocks within this share of the fine-stop line belong to it
FEWEST_BLOCKS = 6
LEAST_LEVEL_SPAN = to_si(5.0, "kt")  # a speed that stays while airspeed changes by this is governed
LEVEL_WINDOW = 0.01  # blocks within this share of the commonest engine speed were held at it
CHANNELS = ("true_airspeed", "engine_speed", "calibrated_airspeed")


@dataclass(frozen=True, slots=True)
class GovernedLevel:
    """A speed [1/s] the governor held, the true airspeeds [m/s] it was seen at, and the break [m/s].

    inside: whether the break lies within the airspeeds at which the fine stop was measured.
    """

    speed: Band
    slowest: float
    fastest: float
    break_speed: Band
    inside: bool
    blocks: int
    origin: tuple[Reference, ...]


@dataclass(frozen=True, slots=True, eq=False)
class WindmillingResult:
    """blocks: medians over four seconds (sortie, day, start_s, stop_s, channels, on_line). line: (a [1/s], b [1/m], c [s/m2]), None when not told.

    draws: of the line by resampling flights, shape (n, 3). slowest, fastest: true airspeeds of the line [m/s].
    """

    blocks: pd.DataFrame
    line: Floats | None
    draws: Floats
    slowest: float
    fastest: float
    type_b_share: float
    levels: tuple[GovernedLevel, ...]
    origin: tuple[Reference, ...]
    left_out: tuple[LeftOut, ...]

    def at(self, true_airspeed: float) -> Band:
        """Engine speed [1/s] on the fine stop at a true airspeed [m/s]; unknown outside what was measured."""
        if self.line is None or not self.slowest - 0.3 <= true_airspeed <= self.fastest + 0.3:
            return UNKNOWN
        value = float(_on_line(self.line, true_airspeed))
        drawn = _on_line(self.draws.T, true_airspeed)
        return band_of(value, float(np.std(drawn)), self.type_b_share * value, unit="1/s")


def reduce_windmilling(evidence: Evidence) -> WindmillingResult:
    """The fine-stop line, governed speeds and breaks of one aircraft's flights."""
    blocks, left_out = _collect(evidence)
    unsure = evidence.settings.uncertainty
    mean = float(blocks["true_airspeed"].mean()) if len(blocks) else 50.0
    share = float(np.hypot(evidence.settings.airspeed_uncertainty / mean, unsure.engine_speed_share))
    found = _fit_line(blocks) if len(blocks) >= FEWEST_BLOCKS else None
    if found is None:
        return WindmillingResult(
            blocks.assign(on_line=False), None, np.zeros((0, 3)), 0.0, 0.0, share, (), (), left_out
        )
    line, on_line = found
    blocks = blocks.assign(on_line=on_line)
    own = blocks[on_line]
    draws = _draw_lines(own, line)
    slowest, fastest = float(own["true_airspeed"].min()), float(own["true_airspeed"].max())
    plain = WindmillingResult(blocks, line, draws, slowest, fastest, share, (), _stretches(own), left_out)
    levels = tuple(_level(group, plain) for group in _level_groups(blocks, line))
    return WindmillingResult(blocks, line, draws, slowest, fastest, share, levels, plain.origin, left_out)


def _collect(evidence: Evidence) -> tuple[pd.DataFrame, tuple[LeftOut, ...]]:
    rows: list[dict[str, object]] = []
    left_out = list(evidence.left_out)
    for sortie in evidence.sorties:
        held = set(evidence.programme.channels(sortie).query("track == 'frame'")["channel"])
        if not {"true_airspeed", "engine_speed"} <= held:
            left_out.append(
                LeftOut(f"sortie {sortie}", "no engine speed or no true airspeed is recorded", Reference(sortie))
            )
            continue
        rows += _blocks_of(evidence, sortie, [name for name in CHANNELS if name in held])
    columns = ["sortie", "day", "start_s", "stop_s", *CHANNELS]
    return pd.DataFrame(rows, columns=columns), tuple(left_out)


def _blocks_of(evidence: Evidence, sortie: str, channels: list[str]) -> Iterator[dict[str, object]]:
    states = evidence.programme.states(sortie, "propulsion")
    runs = states[states["value"].isin(CLOSED) & (states["duration_s"] >= SETTLING_S + BLOCK_S)]
    if not len(runs):
        return
    phases = evidence.programme.phases(sortie)
    ground = phases[phases["kind"].isin(["ground", "taxi", "roll", "take_off"])]
    # one read a sortie: opening the files costs more than the samples between the runs
    whole = evidence.programme.samples(
        sortie, channels, start=float(runs["start_s"].min()), stop=float(runs["stop_s"].max())
    )
    for run in runs.to_dict("records"):
        start, stop = float(run["start_s"]) + SETTLING_S, float(run["stop_s"])
        samples = whole[(whole["t"] >= start) & (whole["t"] < stop)]
        flying = np.ones(len(samples), dtype=bool)
        for one in ground.to_dict("records"):
            flying &= ~((samples["t"] >= one["start_s"]) & (samples["t"] < one["stop_s"])).to_numpy()
        samples = samples[flying]
        number = ((samples["t"] - start) // BLOCK_S).astype(int)
        for step, part in samples.groupby([number, samples["gap"]], sort=True):
            block = _block(part)
            if block is not None:
                begin = start + int(step[0]) * BLOCK_S
                day = str(run["start_utc"].date())
                yield {"sortie": sortie, "day": day, "start_s": begin, "stop_s": min(begin + BLOCK_S, stop), **block}


def _block(part: pd.DataFrame) -> dict[str, float] | None:
    """Medians of a block; None for one that is not whole, not steady or not turning."""
    columns = {name: part[name].to_numpy(dtype=np.float64) for name in ("t", *CHANNELS) if name in part}
    whole = np.isfinite(columns["true_airspeed"]) & np.isfinite(columns["engine_speed"])
    time, speed, turning = (columns[name][whole] for name in ("t", "true_airspeed", "engine_speed"))
    if len(time) < 3 or time[-1] - time[0] < 0.6 * BLOCK_S:
        return None
    low, middle, high = (float(v) for v in np.quantile(turning, [0.1, 0.5, 0.9]))
    trend = float(np.polyfit(time - time[0], speed, 1)[0])
    # engine speed may change as much as the airspeed it follows does
    allowed = STEADY_ROTATION + abs(trend) * BLOCK_S / max(float(np.median(speed)), 1.0)
    if middle <= 0 or (high - low) > allowed * middle or abs(trend) > STEADY_SPEED:
        return None
    return {name: _median(columns[name][whole]) for name in CHANNELS if name in columns}


def _median(values: Floats) -> float:
    """The median of those known, NaN when none is."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")


def _fit_line(blocks: pd.DataFrame) -> tuple[Floats, NDArray[np.bool_]] | None:
    """(a, b, c) through the upper edge of the blocks, and which blocks lie on it: the window narrows as the line settles."""
    speed = blocks["true_airspeed"].to_numpy(dtype=np.float64)
    turning = blocks["engine_speed"].to_numpy(dtype=np.float64)
    line = _upper_edge(speed, turning)
    on_line = np.zeros(len(speed), dtype=bool)
    for window in (0.10, 0.08, 0.06, *[ON_LINE] * 6):
        on_line = np.abs(turning / _on_line(line, speed) - 1) <= window
        if on_line.sum() < FEWEST_BLOCKS:
            return None
        line = _solve(speed[on_line], turning[on_line])
    return line, on_line


def _upper_edge(speed: Floats, turning: Floats) -> Floats:
    """A line with most blocks below it: what lies below counts little (asymmetric least squares, W. Newey and J. Powell 1987).

    What is governed turns slower than the fine stop would let it, never faster.
    """
    weight: Floats = np.ones(len(speed))
    design = np.stack([np.ones_like(speed), speed], axis=1)
    line: Floats = np.zeros(2)
    for _ in range(20):
        found = np.linalg.lstsq(design * weight[:, np.newaxis] / turning[:, np.newaxis], weight, rcond=None)[0]
        line = np.asarray(found, dtype=np.float64)
        # relative residuals: a far outlier above (a spike) must not draw the edge to itself
        off = np.clip(turning / (design @ line) - 1, -1.0, 0.1)
        weight = np.where(off > 0, 1.0, 0.12)
    return np.append(line, 0.0)


def _solve(speed: Floats, turning: Floats) -> Floats:
    """As many terms as the span of airspeeds can tell: proportion, straight line, parabola."""
    span = float(np.ptp(speed))
    if span < to_si(10.0, "kt"):
        return np.array([0.0, float(np.sum(speed * turning) / np.sum(speed**2)), 0.0])
    found = np.polyfit(speed, turning, 2 if span >= to_si(30.0, "kt") else 1)[::-1]
    return np.concatenate([found, np.zeros(3 - len(found))])


def _draw_lines(own: pd.DataFrame, line: Floats) -> Floats:
    """The line from flights drawn again, blocks inside them; widened where flights are few."""
    speed = own["true_airspeed"].to_numpy(dtype=np.float64)
    turning = own["engine_speed"].to_numpy(dtype=np.float64)

    def solve(counts: NDArray[np.int64]) -> Floats:
        return _solve(np.repeat(speed, counts), np.repeat(turning, counts))

    return redraw(own, line, solve, marks=[len(own)], parameters=3, draws=200)


def _on_line(line: Floats, speed: Floats | float) -> Floats:
    return np.asarray(line[0] + line[1] * speed + line[2] * np.square(speed))


def _level_groups(blocks: pd.DataFrame, line: Floats) -> list[pd.DataFrame]:
    """Blocks clearly below the line in groups of one engine speed, each seen over a span of airspeed."""
    speed = blocks["true_airspeed"].to_numpy(dtype=np.float64)
    below = blocks[blocks["engine_speed"].to_numpy() < (1 - ON_LINE) * _on_line(line, speed)]
    groups = []
    left = below
    while len(left) >= 3:
        values = left["engine_speed"].to_numpy(dtype=np.float64)
        near = np.abs(values[:, np.newaxis] / values - 1) <= LEVEL_WINDOW
        group = left[near[int(np.argmax(near.sum(axis=1)))]]
        if len(group) < 3:
            break
        groups.append(group)
        left = left.drop(group.index)
    return [group for group in groups if np.ptp(group["true_airspeed"]) >= LEAST_LEVEL_SPAN]


def _level(group: pd.DataFrame, result: WindmillingResult) -> GovernedLevel:
    assert result.line is not None
    value = float(group["engine_speed"].median())
    error = max(float(group["engine_speed"].std(ddof=1)), 1e-6) / np.sqrt(group["sortie"].nunique())
    at = _break(result.line, value)
    drawn = np.array([_break(one, value) for one in result.draws])
    slope = result.line[1] + 2 * result.line[2] * at
    band = band_of(at, float(np.hypot(np.nanstd(drawn), error / slope)), result.type_b_share * at, unit="m/s")
    return GovernedLevel(
        band_of(value, error, 0.002 * value, unit="1/s"), float(group["true_airspeed"].min()), float(group["true_airspeed"].max()),
        band, bool(result.slowest <= at <= result.fastest), len(group), _stretches(group),
    )  # fmt: skip


def _break(line: Floats, turning: float) -> float:
    """True airspeed [m/s] at which the line reaches an engine speed [1/s]; NaN when it never does while rising."""
    a, b, c = line
    if abs(c) < 1e-9:
        return float((turning - a) / b)
    inside = b**2 - 4 * c * (a - turning)
    return float((-b + np.sqrt(inside)) / (2 * c)) if inside >= 0 else float("nan")


def _stretches(blocks: pd.DataFrame) -> tuple[Reference, ...]:
    """Neighbouring blocks joined to stretches: the way back without thousands of lines."""
    out: list[Reference] = []
    for row in blocks.sort_values(["sortie", "start_s"]).to_dict("records"):
        last = out[-1] if out else None
        begin, end = float(row["start_s"]), float(row["stop_s"])
        if (
            last is not None and last.sortie == row["sortie"] and last.start_s is not None and last.stop_s is not None
            and begin - last.stop_s <= BLOCK_S and end - last.start_s <= LONGEST_STEP_S
        ):  # fmt: skip
            out[-1] = Reference(last.sortie, None, last.start_s, end)
        else:
            out.append(Reference(str(row["sortie"]), None, begin, end))
    return tuple(out)
