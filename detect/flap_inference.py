"""Flap settings told from the aircraft's response where none were recorded.

The zero-lift angle (lift.py) is cut into plateaus; plateaus within a degree are one setting; the
highest that was flown for long is 'up', as flaps only move the line down. Names: the settings
file's where it lists as many lowered settings as were seen; else 'half' and 'full' for two,
'lowered' for one and numbers for more. Nothing here is certain: an event has a confidence of 0.5
and a finding says that the state was inferred; rough air, long sideslips and flaps that hardly
move the line deceive it.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from ..shared.findings import Event, Finding
from ..shared.recording import Floats
from ..shared.settings import FlapSetting
from .course import Course, Told, make_course
from .levels import Plateau, cluster_levels, find_plateaus
from .lift import Lift
from .robust import share_of, smallest

DETECTOR = "flap_inference/1"
SPACING_RAD = np.radians(0.25)
LEAST_STEP_RAD = np.radians(1.8)
PENALTY = 65.0
BLOCK_S = 4
SHORTEST_S = 7
FEWEST_CHANGES = 2
FEWEST_SECONDS = 120
LEAST_NOISE_RAD = np.radians(0.3)
HALF_CHANGE_S = 3.0  # a change is known to about this, and flaps take about twice as long
MOST_NOISE_RAD = np.radians(1.6)  # rougher air than this hides a setting


def inferred_flap(lift: Lift, named: tuple[FlapSetting, ...], stop_s: float) -> Told | None:
    """Flap course and flap_change events from the wing's response; None where it tells nothing."""
    noise = np.maximum(lift.noise, LEAST_NOISE_RAD)
    known = np.count_nonzero(np.isfinite(lift.offset))
    if known < FEWEST_SECONDS or np.median(noise) > MOST_NOISE_RAD or lift.slope <= 0.0:
        return None
    plateaus = _settings(lift, noise)
    lowered = max((p.number for p in plateaus), default=0)
    if lowered == 0:
        return None
    words = _names(lowered, named)
    events = _events(lift, plateaus, words)
    if len(events) < FEWEST_CHANGES:  # one shift in a whole sortie is more likely something else
        return None
    return Told(_course(lift.time_s, plateaus, words, stop_s), events, (_finding(words),))


def _settings(lift: Lift, noise: Floats) -> list[Plateau]:
    """Plateaus numbered from up (0) downwards.

    Fine levels over blocks of a few seconds first, then the settings those crowd at, over
    blocks again, and at last second by second.
    """
    top = share_of(lift.offset, 75.0) + LEAST_STEP_RAD  # higher than up is a gust or a stall
    offset = np.minimum(lift.offset, top)
    blocks, block_noise = _blocks(offset), noise[::BLOCK_S][: -(-len(offset) // BLOCK_S)] / np.sqrt(BLOCK_S)
    levels = np.arange(smallest(offset), top + SPACING_RAD, SPACING_RAD)
    for _ in range(3):
        found = _weighted(find_plateaus(blocks, levels, noise=block_noise, penalty=PENALTY), blocks)
        levels = cluster_levels(*found, LEAST_STEP_RAD)
    plateaus = find_plateaus(offset, levels, noise=noise, penalty=PENALTY)
    flown = np.zeros(len(levels))
    for p in plateaus:
        flown[p.number] += p.stop - p.first
    up = int(np.flatnonzero(flown >= 0.1 * flown.sum())[-1])
    numbered = [Plateau(p.first, p.stop, p.level, max(0, up - p.number)) for p in plateaus]
    return _without_equal_neighbours(_without_short(numbered))


def _blocks(values: Floats) -> Floats:
    """Means of BLOCK_S samples each, holes left out; NaN where a block has no sample."""
    padded = np.concatenate((values, np.full(-len(values) % BLOCK_S, np.nan))).reshape(-1, BLOCK_S)
    count = np.isfinite(padded).sum(axis=1)
    total = np.where(np.isfinite(padded), padded, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _weighted(plateaus: tuple[Plateau, ...], offset: Floats) -> tuple[Floats, Floats]:
    known = [(p.level, np.count_nonzero(np.isfinite(offset[p.first : p.stop]))) for p in plateaus]
    known = [k for k in known if k[1] > 0]
    return np.array([k[0] for k in known]), np.array([float(k[1]) for k in known])


def _without_short(plateaus: list[Plateau]) -> list[Plateau]:
    """Without those that last no longer than a travel: the way from one setting to another."""
    last = len(plateaus) - 1
    out: list[Plateau] = []
    for k, p in enumerate(plateaus):
        if 0 < k < last and p.stop - p.first < SHORTEST_S and out:
            middle = (p.first + p.stop) // 2
            before = out.pop()
            out.append(Plateau(before.first, middle, before.level, before.number))
            q = plateaus[k + 1]
            plateaus[k + 1] = Plateau(middle, q.stop, q.level, q.number)
        else:
            out.append(p)
    return out


def _without_equal_neighbours(plateaus: list[Plateau]) -> list[Plateau]:
    out: list[Plateau] = []
    for p in plateaus:
        if out and out[-1].number == p.number:
            p = Plateau(out[-1].first, p.stop, p.level, p.number)
            out.pop()
        out.append(p)
    return out


def _names(lowered: int, named: tuple[FlapSetting, ...]) -> list[str]:
    order = sorted((s for s in named if _extent(s) is not None), key=lambda s: _extent(s) or 0.0)
    if len(order) == lowered + 1:
        return [s.name for s in order]
    return ["up", *{1: ["lowered"], 2: ["half", "full"]}.get(lowered, [str(k + 1) for k in range(lowered)])]


def _extent(setting: FlapSetting) -> float | None:
    return setting.angle if setting.angle is not None else setting.position


def _course(time_s: Floats, settings: list[Plateau], words: list[str], stop_s: float) -> Course:
    changes: list[tuple[float, str]] = [(float(time_s[0]), words[settings[0].number])]
    for before, after in pairwise(settings):
        if before.number != after.number:
            at = float(time_s[after.first])
            changes += [(at - HALF_CHANGE_S, "transit"), (at + HALF_CHANGE_S, words[after.number])]
    return make_course("flap", changes, stop_s)


def _events(lift: Lift, settings: list[Plateau], words: list[str]) -> tuple[Event, ...]:
    out = []
    for before, after in pairwise(settings):
        if before.number == after.number:
            continue
        at = float(lift.time_s[after.first])
        facts = {"shift": after.level - before.level, "inferred": True}
        pair = (words[before.number], words[after.number])
        out.append(
            Event(
                "flap_change",
                at - HALF_CHANGE_S,
                at + HALF_CHANGE_S,
                HALF_CHANGE_S,
                "pitch",
                *pair,
                0.5,
                DETECTOR,
                facts,
            )
        )
    return tuple(out)


def _finding(words: list[str]) -> Finding:
    text = f"no flap channel is recorded; {', '.join(words)} told from the angle of attack the lift asked for"
    return Finding("STATE_INFERRED", text, "doubt", "flap", len(words))
