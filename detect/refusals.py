"""What a person is told of a candidate that was refused: every criterion it breaks, and how long it was steady."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache, partial

import numpy as np

from ..shared.findings import Reason
from ..shared.recording import Floats
from ..shared.settings import PointCriteria, Settings
from .criteria import FAMILIES, measure_windows, weigh_windows
from .quantities import Quantities
from .signal import Flags, Indices
from .windows import Window, in_portions

LEAST_PART_S = 4.0


def explain_windows(q: Quantities, windows: Sequence[Window], settings: Settings) -> list[tuple[Reason, ...]]:
    """For each window every criterion it breaks, its duration included, with measure and limit.

    Of a window that is long enough but broken, the longest part that is not broken is told where it is
    worth telling: it was steady, for so long.
    """
    least = settings.points.minimum_duration
    reasons: list[list[Reason]] = [[] for _ in windows]
    for criterion, which, measured, allowed in measure_windows(q, windows, settings.points):
        for k in np.flatnonzero(measured > allowed).tolist():
            reasons[which[k]].append(criterion.reason(float(measured[k]), float(allowed[k]), settings))
    for window, broken in zip(windows, reasons, strict=True):
        seconds = (window.stop - window.first) * q.step_s
        if seconds < least - 1e-6:
            broken.append(Reason("duration", seconds, least, "s", f"only {seconds:.1f} s < {least:.1f} s"))
    long = [k for k, window in enumerate(windows) if reasons[k] and reasons[k][-1].criterion != "duration"]
    for k, part in zip(long, _steady_parts(q, [windows[k] for k in long], settings.points), strict=True):
        if LEAST_PART_S <= part < least:
            text = f"steady for {part:.0f} s at most < {least:.1f} s"
            reasons[k].append(Reason("duration", part, least, "s", text))
    return [tuple(broken) for broken in reasons]


def _steady_parts(q: Quantities, windows: Sequence[Window], limits: PointCriteria) -> list[float]:
    """Seconds of the longest part of each window that meets every criterion of its family, on a lattice of a second.

    Of the airspeed's trend see `_trend_holds`.
    """
    step, fewest = max(1, round(1.0 / q.step_s)), int(LEAST_PART_S)
    best = np.zeros(len(windows))
    for family in FAMILIES:
        owners, firsts, stops = [np.empty(0, np.int64)], [np.empty(0, np.int64)], [np.empty(0, np.int64)]
        for k, window in enumerate(windows):
            if window.family == family:
                i, j = _pairs((window.stop - window.first) // step + 1, fewest)
                owners.append(np.full(len(i), k))
                firsts.append(window.first + i * step)
                stops.append(window.first + j * step)
        owner, i, j = np.concatenate(owners), np.concatenate(firsts), np.concatenate(stops)
        good = in_portions(partial(_weigh_part, q, limits, family), i, j) > 0
        np.maximum.at(best, owner[good], (j[good] - i[good]) * q.step_s)
    return best.tolist()


def _weigh_part(q: Quantities, limits: PointCriteria, family: str, i: Indices, j: Indices) -> Floats:
    return weigh_windows(q, family, i, j, limits, known=("airspeed_trend",)) * _trend_holds(q, i, j, limits)


@lru_cache(maxsize=64)
def _pairs(number: int, apart: int) -> tuple[Indices, Indices]:
    """All pairs of 0 ... number - 1 at least so far apart; of a few numbers, asked for again and again."""
    first, second = np.triu_indices(number, apart)
    return np.asarray(first, dtype=np.int64), np.asarray(second, dtype=np.int64)


def _trend_holds(q: Quantities, i: Indices, j: Indices, limits: PointCriteria) -> Flags:
    """Whether the airspeed changes no more than a trend may change it over the shortest point.

    Asked of a few seconds the trend itself would refuse every gust.
    """
    seconds = np.minimum((j - i) * q.step_s, limits.minimum_duration)
    change = np.abs(q.airspeed.slope(i, j)) / q.step_s * seconds
    return np.asarray(change <= float(limits.airspeed_trend) * float(limits.minimum_duration), dtype=bool)
