"""Gear and flap where nobody recorded them, told together from zero-lift angle and drag.

Both move the drag, flaps the zero-lift angle too, so neither can be told without the other. States (gear,
flap) are given to every second by the cheapest course (`levels`), the effect of each state is learned from
the seconds it was given to (`configuration_model`), and so on until neither changes (expectation and
maximisation with hard assignment). What the course must obey: the gear is down when the aircraft leaves and
meets the ground, and not raised at once; it is down with the largest flap setting, as a warning sounds otherwise
(14 CFR 23.729(f), amendment 23-62). Flaps that barely show are taken back: a false move is worse than a missed one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..shared.recording import Floats
from .configuration_model import LEAST_ANGLE_NOISE_RAD, Model, cost_of_noise, fit_model, state_costs, with_better_slope
from .levels import cheapest_states
from .response import Response
from .signal import Flags, Indices, runs

SETTING_RAD = np.radians(3.4)  # about this much a setting moves the zero-lift angle
MOST_SETTINGS = 3
DOUBTFUL_SETTING = 0.15  # of a setting: nearer to a half than this, both numbers are tried
SETTING_COST = 80.0  # gusts that last make up a setting worth less than this
BIN_RAD = np.radians(0.25)
BLOCK_S = 4
ROUNDS = 5
PENALTY = 21.0
FORBIDDEN = 1000.0
WARNING_COST = 2.0  # a second with the largest flap setting and the gear up
GROUND_COST = 5.0
AFTER_LIFT_OFF_S, BEFORE_LIFT_OFF_S, ABOUT_TOUCHDOWN_S = 10, 4, 4
# a second that the gear is still down in the climb out or still up on the approach: it goes up soon after lift-off, where
# it goes up at all, and down well before touchdown (common practice, no source)
UNUSUAL_COST = 0.4
CLIMB_OUT_S, APPROACH_S = 60, 180
FIRST_GUESS_S = (30, 90)  # around ground contacts, left out of the first fit
REACH_S = 40  # seconds either side of a move that witness it
PLACED_WITHIN_S = 8
REFINED_S = 12
GEAR_BEFORE_S = 10
LEAST_SUPPORT = 0.5  # a second, over the nearest 20: what a flap move must gain either side
LEAST_GAIN = 25.0  # in all, where no gear may move: of flap moves that gained less half were right
NEAR_S = 20
SUPPORT_REACH_S = 45
FEWEST_TELLING_S = 3


@dataclass(frozen=True, slots=True)
class Step:
    """A change of gear or flap at sample `place`: the setting before and after, what it gains over no change."""

    place: int
    before: int
    after: int
    gain: float


@dataclass(frozen=True, slots=True, eq=False)
class Inferred:
    """gear (0 up, 1 down) and flap (0 up, rising), one a second (n,), with the model and the steps of each."""

    gear: Indices
    flap: Indices
    gear_steps: tuple[Step, ...]
    flap_steps: tuple[Step, ...]
    model: Model


def infer_configuration(r: Response, *, retractable: bool) -> Inferred | None:
    """The most likely course of both; None where no zero-lift angle is known. retractable: gear may move.

    How many settings the flaps have follows from the lowest angle flown; where that lies between, from what explains
    the flight better.
    """
    span = _span_of_angles(r)
    if span is None:
        return None
    evenly = float(np.clip(span[1] / SETTING_RAD, 0.0, MOST_SETTINGS))
    numbers = {int(evenly + 0.5 - DOUBTFUL_SETTING), int(evenly + 0.5 + DOUBTFUL_SETTING)}
    courses = [_learn_course(r, span, k, gears=2 if retractable else 1) for k in sorted(numbers)]
    return _inferred(min(courses, key=lambda c: c.total))


@dataclass(frozen=True, slots=True, eq=False)
class _Learned:
    """A course (state = gear x settings + flap) with its model, the cost of every state, what all of it costs."""

    path: Indices
    model: Model
    cost: Floats
    total: float


def _learn_course(r: Response, span: tuple[float, float], lowered: int, *, gears: int) -> _Learned:
    """Course and model in turns, from flap settings evenly spaced over the angles flown."""
    settings = lowered + 1
    angles = span[0] - span[1] * np.arange(settings) / max(lowered, 1)
    flap = _first_flap(r, angles)
    gear = ((flap > 0) | _near_ground(r)).astype(np.int64) if gears > 1 else np.zeros(len(flap), np.int64)
    trusted, noise = ~_beside_ground(r), np.full(len(flap), 0.01)
    model, cost, path = None, None, None
    for _ in range(ROUNDS):
        model = fit_model(r, gear, flap, angles, trusted=trusted, noise=noise)
        cost = _obeying(r, state_costs(r, model, gears=gears), settings, gears=gears)
        path = np.repeat(cheapest_states(_blocks(cost), PENALTY), BLOCK_S)[: len(flap)]
        settled = np.array_equal(path, gear * settings + flap)
        gear, flap = path // settings, path % settings
        angles, noise, trusted = model.angles, model.drag_noise, np.ones(len(flap), dtype=bool)
        if settled:
            break
        r = with_better_slope(r, flap, angles)
    assert model is not None and cost is not None and path is not None
    spent = float(cost[np.arange(len(path)), path].sum()) + cost_of_noise(r, model)
    return _Learned(path, model, cost, spent + PENALTY * np.count_nonzero(np.diff(path)) + SETTING_COST * lowered)


def _inferred(learned: _Learned) -> Inferred:
    cost, settings = learned.cost, len(learned.model.angles)
    path = _gear_first(_supported(_placed(_refined(learned.path, cost), cost), cost, settings), cost, settings)
    gear, flap = path // settings, path % settings
    steps = [_steps(path, cost, settings, of_gear=which) for which in (True, False)]
    return Inferred(gear, flap, steps[0], steps[1], learned.model)


def _span_of_angles(r: Response) -> tuple[float, float] | None:
    """The zero-lift angle with flaps up, and how far below it the lowest setting lies."""
    n = len(r.offset) // BLOCK_S * BLOCK_S
    blocks = r.offset[:n].reshape(-1, BLOCK_S)
    known = np.isfinite(blocks)
    means = np.where(known, blocks, 0.0).sum(axis=1)[known.any(axis=1)] / known.sum(axis=1)[known.any(axis=1)]
    if len(means) < 2:
        return None
    bins = np.arange(means.min() - 4 * BIN_RAD, means.max() + 5 * BIN_RAD, BIN_RAD)
    crowd = np.convolve(np.histogram(means, bins)[0], np.ones(7), "same")
    up = float(bins[np.flatnonzero(crowd >= 0.75 * crowd.max())[-1]])  # the highest angle flown for long
    return up, up - float(np.percentile(means, 2.5))


def _first_flap(r: Response, angles: Floats) -> Indices:
    """Flap settings from the zero-lift angle alone."""
    squares = ((r.offset[:, None] - angles) / np.maximum(r.noise, LEAST_ANGLE_NOISE_RAD)[:, None]) ** 2
    cost = 0.5 * np.minimum(np.nan_to_num(squares, nan=0.0), 9.0)
    return np.repeat(cheapest_states(_blocks(cost), PENALTY), BLOCK_S)[: len(r.offset)]


def _blocks(cost: Floats) -> Floats:
    return np.asarray(np.add.reduceat(cost, np.arange(0, len(cost), BLOCK_S), axis=0))


def _contacts(r: Response) -> list[tuple[int, bool]]:
    """Places of ground contacts, and whether each is a lift-off."""
    return [(int(k), bool(r.airborne[k + 1])) for k in np.flatnonzero(np.diff(r.airborne.astype(np.int8)))]


def _near_ground(r: Response) -> Flags:
    out = np.zeros(len(r.offset), dtype=bool)
    for k, lift_off in _contacts(r):
        out[k if lift_off else max(0, k - 2 * AFTER_LIFT_OFF_S) : k + AFTER_LIFT_OFF_S] = True
    return out


def _beside_ground(r: Response) -> Flags:
    out = np.zeros(len(r.offset), dtype=bool)
    for k, _ in _contacts(r):
        out[max(0, k - FIRST_GUESS_S[1]) : k + FIRST_GUESS_S[0]] = True
    return out


def _obeying(r: Response, cost: Floats, settings: int, *, gears: int) -> Floats:
    """The costs with what the gear must obey."""
    if gears < 2:
        return cost
    for k, lift_off in _contacts(r):
        low = max(0, k - BEFORE_LIFT_OFF_S)
        if lift_off:
            cost[k + AFTER_LIFT_OFF_S : k + CLIMB_OUT_S, settings:] += UNUSUAL_COST
        else:
            cost[max(0, k - APPROACH_S) : k, :settings] += UNUSUAL_COST
        cost[low : k + (AFTER_LIFT_OFF_S if lift_off else ABOUT_TOUCHDOWN_S + 1), :settings] += FORBIDDEN
    cost[~r.airborne, :settings] += GROUND_COST
    if settings >= 3:
        cost[:, settings - 1] += WARNING_COST
    return cost


def _refined(path: Indices, cost: Floats) -> Indices:
    """The course found again second by second around its changes, gear and flap together; its ends stay."""
    near = np.zeros(len(path), dtype=bool)
    for k in (np.flatnonzero(np.diff(path)) + 1).tolist():
        near[max(0, k - REFINED_S) : k + REFINED_S] = True
    out = path.copy()
    for first, stop in runs(near):
        here = cost[first:stop].copy()
        for end, state in ((0, path[first]), (-1, path[stop - 1])):
            here[end] += FORBIDDEN**2
            here[end, state] -= FORBIDDEN**2
        out[first:stop] = cheapest_states(here, PENALTY)
    return out


def _placed(path: Indices, cost: Floats) -> Indices:
    """Every change moved to the second where it costs least, within PLACED_WITHIN_S; to the middle where nothing tells."""
    out = path.copy()
    for k in (np.flatnonzero(np.diff(path)) + 1).tolist():
        low, high = max(1, k - PLACED_WITHIN_S), min(len(out) - 1, k + PLACED_WITHIN_S)
        before, after = out[k - 1], out[k]
        if (out[low:k] != before).any() or (out[k:high] != after).any():
            continue
        saved = cost[:, before] - cost[:, after]
        at = low + int(np.concatenate(([0.0], np.cumsum(saved[low:high]))).argmin())
        out[low:at], out[at:high] = before, after
        low, high = _silence(saved, at)
        if (out[low:at] == before).all() and (out[at:high] == after).all():
            out[low : (low + high) // 2], out[(low + high) // 2 : high] = before, after
    return out


def _silence(saved: Floats, at: int) -> tuple[int, int]:
    """The stretch around a place over which both courses cost the same."""
    telling = np.flatnonzero(saved != 0.0)
    place = int(np.searchsorted(telling, at))
    return int(telling[place - 1]) + 1 if place else 0, int(telling[place]) if place < len(telling) else len(saved)


def _gear_first(path: Indices, cost: Floats, settings: int) -> Indices:
    """Where gear and flaps seem raised at one moment, the gear a little before: so it is done (common practice, no source),
    and one change is cheaper than two only in the search."""
    out = path.copy()
    for k in (np.flatnonzero(np.diff(path)) + 1).tolist():
        before, after = int(out[k - 1]), int(out[k])
        between = before % settings
        if before // settings <= after // settings or after % settings >= between:
            continue
        low = max(0, k - GEAR_BEFORE_S)
        if (out[low:k] != before).any():
            continue
        spent = np.concatenate(([0.0], np.cumsum((cost[low:k, between] - cost[low:k, before])[::-1])))
        out[k - int(spent.argmin()) : k] = between
    return out


def _supported(path: Indices, cost: Floats, settings: int) -> Indices:
    """The course without flap stretches that hardly show: the weakest goes first, into the longer neighbour."""
    out = path.copy()
    while True:
        steps = _steps(out, cost, settings, of_gear=False)
        shares = [(_share_of_least(out, cost, step, settings), step) for step in steps]
        weak = [w for w in shares if w[0] < 1.0]
        if not weak:
            return out
        places = [0, *(s.place for s in steps), len(out)]
        at = places.index(min(weak, key=lambda w: w[0])[1].place)
        left, right = places[at] - places[at - 1], places[at + 1] - places[at]
        low, high = (places[at - 1], places[at]) if left < right else (places[at], places[at + 1])
        setting = out[places[at]] % settings if left < right else out[places[at] - 1] % settings
        out[low:high] = out[low:high] // settings * settings + setting


def _share_of_least(path: Indices, cost: Floats, step: Step, settings: int) -> float:
    """What speaks for a flap move over what has to."""
    share = min(_support(path, cost, step, settings)) / LEAST_SUPPORT
    return min(share, step.gain / LEAST_GAIN) if cost.shape[1] == settings else share


def _support(path: Indices, cost: Floats, step: Step, settings: int) -> tuple[float, float]:
    """What each side gains a second by the step, over its nearest 20 s that tell anything."""
    low, high = max(0, step.place - SUPPORT_REACH_S), min(len(path), step.place + SUPPORT_REACH_S)
    before = _gains(path, cost, range(low, step.place), settings, to=(None, step.after))
    after = _gains(path, cost, range(step.place, high), settings, to=(None, step.before))
    before = before[(path[low : step.place] % settings == step.before) & (before != 0.0)]
    after = after[(path[step.place : high] % settings == step.after) & (after != 0.0)]
    return _mean(before[-NEAR_S:]), _mean(after[:NEAR_S])


def _mean(values: Floats) -> float:
    return float(values.mean()) if len(values) >= FEWEST_TELLING_S else 0.0


def _gains(path: Indices, cost: Floats, where: range, settings: int, *, to: tuple[int | None, int | None]) -> Floats:
    """What the course saves in each second against the gear or the flap of `to` (gear, flap; None stays)."""
    here = path[where.start : where.stop]
    gear = here // settings if to[0] is None else np.full(len(here), to[0])
    flap = here % settings if to[1] is None else np.full(len(here), to[1])
    rows = np.arange(where.start, where.stop)
    gained = cost[rows, gear * settings + flap] - cost[rows, here]
    return np.where(np.abs(gained) < FORBIDDEN / 2, gained, 0.0)  # a rule is no witness


def _steps(path: Indices, cost: Floats, settings: int, *, of_gear: bool) -> tuple[Step, ...]:
    label = path // settings if of_gear else path % settings
    places = np.flatnonzero(np.diff(label)) + 1
    borders = [0, *places.tolist(), len(label)]
    out = []
    for n, k in enumerate(places.tolist()):
        low, high = max(borders[n], k - REACH_S), min(borders[n + 2], k + REACH_S)
        before, after = int(label[k - 1]), int(label[k])
        to = [(after, None), (before, None)] if of_gear else [(None, after), (None, before)]
        sides = (
            _gains(path, cost, range(low, k), settings, to=to[0]).sum(),
            _gains(path, cost, range(k, high), settings, to=to[1]).sum(),
        )
        out.append(Step(k, before, after, float(min(sides))))
    return tuple(out)
