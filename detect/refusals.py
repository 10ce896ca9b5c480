"""What a person is told of a candidate that was refused: every criterion it breaks, and how long it was steady."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..shared.findings import Reason
from ..shared.settings import PointCriteria, Settings
from .criteria import FAMILIES, measure_windows, weigh_windows
from .quantities import Quantities
from .signal import Flags, Indices
from .windows import Window

LEAST_PART_S = 4.0


def explain_windows(q: Quantities, windows: Sequence[Window], settings: Settings) -> list[tuple[Reason, ...]]:
    """For each window every criterion it breaks, its duration included, with measure and limit.

    Of a window that is long enough but broken, the longest part that is not broken is told where it is
    worth telling: it was steady, for so long.
    """
    least, out = settings.points.minimum_duration, []
    parts = _steady_parts(q, windows, settings.points)
    for window, part, measures in zip(windows, parts, measure_windows(q, windows, settings.points), strict=True):
        reasons = [c.reason(measured, allowed, settings) for c, measured, allowed in measures if measured > allowed]
        seconds = (window.stop - window.first) * q.step_s
        if seconds < least - 1e-6:
            reasons.append(Reason("duration", seconds, least, "s", f"only {seconds:.1f} s < {least:.1f} s"))
        elif reasons and LEAST_PART_S <= part < least:
            reasons.append(Reason("duration", part, least, "s", f"steady for {part:.0f} s at most < {least:.1f} s"))
        out.append(tuple(reasons))
    return out


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
                i, j = np.triu_indices((window.stop - window.first) // step + 1, fewest)
                owners.append(np.full(len(i), k))
                firsts.append(window.first + i * step)
                stops.append(window.first + j * step)
        owner, i, j = np.concatenate(owners), np.concatenate(firsts), np.concatenate(stops)
        good = (weigh_windows(q, family, i, j, limits, known=("airspeed_trend",)) > 0) & _trend_holds(q, i, j, limits)
        np.maximum.at(best, owner[good], (j[good] - i[good]) * q.step_s)
    return best.tolist()


def _trend_holds(q: Quantities, i: Indices, j: Indices, limits: PointCriteria) -> Flags:
    """Whether the airspeed changes no more than a trend may change it over the shortest point.

    Asked of a few seconds the trend itself would refuse every gust.
    """
    seconds = np.minimum((j - i) * q.step_s, limits.minimum_duration)
    change = np.abs(q.airspeed.slope(i, j)) / q.step_s * seconds
    return np.asarray(change <= float(limits.airspeed_trend) * float(limits.minimum_duration), dtype=bool)
