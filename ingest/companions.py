"""How far a recorder's civil clock stands from UTC, told by the other recorders of the sortie.

Three kinds of evidence, strongest first: channels both recorded (position, speed, altitude) agree at
one shift only; the civil clock reads the same as another local one whose zone is known; the
recorders ran at the same time at one shift only.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..shared.recording import Column

Floats = NDArray[np.float64]

# zones in use lie on quarter hours from UTC-12 to UTC+14; the likelier whole hours are asked first
_TIERS = (3600, 1800, 900)
_WEST_S, _EAST_S = -12 * 3600, 14 * 3600
_SAMPLES = 600  # points compared per pair: enough for a shape, cheap for a hundred shifts
_SHORTEST_S = 60.0  # less common time than this proves no zone
_MATCH = 0.35  # scatter of the difference, as a share of the channel's own scatter
_MARGIN = 2.0  # how much worse the next shift has to be
_OVERLAP = 0.7
_CLOCK_ERRORS_S = (0.0, *(sign * float(s) for s in range(10, 130, 10) for sign in (1, -1)))
_SAME_ENDS_S = 300.0
_SLIDE_STEP_S = 2.0
_MOST_SLIDES = 8000
_START_MATCH = 0.15

# channels of one meaning; the second says whether a constant difference is allowed
_SHARED: tuple[tuple[tuple[str, ...], bool], ...] = (
    (("latitude",), False),
    (("longitude",), False),
    (("ground_speed",), False),
    (("pressure_altitude", "baro_altitude", "unnamed_altitude", "gnss_altitude", "gnss_unnamed_altitude"), True),
    (("indicated_airspeed", "recorded_true_airspeed"), True),
    (("engine_speed",), False),
)


@dataclass(frozen=True, slots=True)
class Companion:
    """A recorder whose UTC is known. utc_s: shape (n,); civil_s: its own civil clock, or None."""

    file: str
    utc_s: Floats
    columns: Mapping[str, Column]
    civil_s: Floats | None = None
    zone_s: float = 0.0
    mute: bool = False  # its own zone was only concluded from running times


@dataclass(frozen=True, slots=True)
class Shift:
    """civil clock - shift_s = UTC, and why. strength: 3 channels, 2 same civil clock, 1 running times."""

    shift_s: float
    strength: int
    evidence: str
    companion: str


def zone_shifts() -> list[float]:
    """Every zone in use, seconds east of UTC, whole hours first."""
    seen: list[float] = []
    for step in _TIERS:
        seen += [float(s) for s in range(_WEST_S, _EAST_S + 1, step) if s not in seen]
    return seen


def name_zone(shift_s: float) -> str:
    """7200 -> 'UTC+2', 20700 -> 'UTC+5:45'."""
    minutes = round(abs(shift_s) / 60)
    if minutes == 0:
        return "UTC"
    tail = f":{minutes % 60:02d}" if minutes % 60 else ""
    return f"UTC{'+' if shift_s >= 0 else '-'}{minutes // 60}{tail}"


def find_shift(
    civil_s: Floats, columns: Mapping[str, Column], companions: Sequence[Companion], shifts: Iterable[float]
) -> Shift | None:
    """The strongest evidence for one of the shifts, None when there is none."""
    choices = list(shifts)
    return (
        _by_channels(civil_s, columns, companions, choices)
        or _by_civil_clock(civil_s, companions, choices)
        or _by_running_times(civil_s, companions, choices)
    )


def find_start(elapsed_s: Floats, columns: Mapping[str, Column], companions: Sequence[Companion]) -> Shift | None:
    """Where on the companions' time a count from an unknown start belongs: by shared channels alone."""
    best: tuple[float, float, str, str] | None = None
    for companion in companions:
        for names, offset_allowed in _SHARED:
            pair = _pair(columns, companion.columns, names)
            if pair is None:
                continue
            own, theirs = _thin(elapsed_s, pair[0].values), _sorted(companion.utc_s, pair[1].values)
            found = _slide(own, theirs, offset_allowed)
            if found is not None and (best is None or found[1] < best[1]):
                best = (*found, pair[0].source_name, companion.file)
    if best is None:
        return None
    shift, score, header, file = best
    text = f"{header} agrees with {file} at one start only (scatter of the difference {score:.2g} of the channel's own)"
    return Shift(shift, 3, text, file)


def _slide(
    own: tuple[Floats, Floats], theirs: tuple[Floats, Floats], offset_allowed: bool
) -> tuple[float, float] | None:
    """(shift, mismatch) of the one start that fits clearly better than any a minute away."""
    if len(own[0]) < 20 or len(theirs[0]) < 20:
        return None
    first, last = float(own[0][0] - theirs[0][-1]), float(own[0][-1] - theirs[0][0])
    shortest = 0.5 * min(float(np.ptp(own[0])), float(np.ptp(theirs[0])))
    step = max(_SLIDE_STEP_S, (last - first) / _MOST_SLIDES)
    shifts = np.arange(first + shortest, last - shortest, step)
    scores = np.array([_mismatch(own[0] - shift, own[1], theirs, offset_allowed) for shift in shifts])
    if not len(scores) or not np.isfinite(scores).any():
        return None
    best = int(np.argmin(scores))
    far = scores[np.abs(shifts - shifts[best]) > 60.0]
    clear = not len(far) or float(np.min(far)) > _MARGIN * scores[best]
    return (float(shifts[best]), float(scores[best])) if clear and scores[best] < _START_MATCH else None


def possible_shifts(civil_s: Floats, companions: Sequence[Companion], shifts: Iterable[float]) -> list[float]:
    """Shifts at which the recorder ran together with a companion at all."""
    return [s for s in shifts if any(_overlap(civil_s - s, c.utc_s) > 0.5 for c in companions)]


# -- channels -----------------------------------------------------------------------------------


def _by_channels(
    civil_s: Floats, columns: Mapping[str, Column], companions: Sequence[Companion], shifts: list[float]
) -> Shift | None:
    best: tuple[float, float, float, str, str] | None = None
    for errors_s in (_CLOCK_ERRORS_S[:1], _CLOCK_ERRORS_S):  # a clock a minute off is the rarer case
        for companion in companions:
            for names, offset_allowed in _SHARED:
                pair = _pair(columns, companion.columns, names)
                if pair is None:
                    continue
                theirs = _sorted(companion.utc_s, pair[1].values)
                scores = _mismatches(_thin(civil_s, pair[0].values), theirs, shifts, errors_s, offset_allowed)
                winner = _clear_winner(scores)
                if winner is not None and (best is None or winner[1] < best[1]):
                    best = (*winner, pair[0].source_name, companion.file)
        if best is not None:
            break
    if best is None:
        return None
    shift, score, runner_up, header, file = best
    text = (
        f"at {name_zone(shift)} {header} agrees with {file} (scatter of the difference {score:.2g} of the channel's own"
        f", next zone {runner_up:.2g})"
    )
    return Shift(shift, 3, text, file)


def _pair(
    mine: Mapping[str, Column], theirs: Mapping[str, Column], names: tuple[str, ...]
) -> tuple[Column, Column] | None:
    for name in names:  # the same channel on both sides is better than a kindred one
        if name in mine and name in theirs:
            return mine[name], theirs[name]
    left = next((mine[n] for n in names if n in mine), None)
    right = next((theirs[n] for n in names if n in theirs), None)
    return (left, right) if left is not None and right is not None else None


def _mismatches(
    own: tuple[Floats, Floats],
    theirs: tuple[Floats, Floats],
    shifts: list[float],
    errors_s: Sequence[float],
    offset_allowed: bool,
) -> dict[float, float]:
    """Shift -> robust scatter of the difference over the channel's own, at the best clock error."""
    if len(own[0]) < 20 or len(theirs[0]) < 20:
        return {}
    out: dict[float, float] = {}
    for shift in shifts:
        for error_s in errors_s:
            score = _mismatch(own[0] - shift - error_s, own[1], theirs, offset_allowed)
            if score < out.get(shift, np.inf):
                out[shift] = score
    return out


def _mismatch(at: Floats, values: Floats, theirs: tuple[Floats, Floats], offset_allowed: bool) -> float:
    inside = slice(*np.searchsorted(at, (theirs[0][0], theirs[0][-1])))
    at, values = at[inside], values[inside]
    if len(at) < 20 or at[-1] - at[0] < _SHORTEST_S:
        return np.inf
    spread = float(np.median(np.abs(values - np.median(values))))
    difference = values - np.interp(at, *theirs)
    middle = np.median(difference) if offset_allowed else 0.0
    return float(np.median(np.abs(difference - middle))) / spread if spread > 0 else np.inf


def _clear_winner(scores: dict[float, float]) -> tuple[float, float, float] | None:
    if not scores:
        return None
    ranked = sorted(scores, key=lambda s: scores[s])
    best = ranked[0]
    runner_up = scores[ranked[1]] if len(ranked) > 1 else np.inf
    if scores[best] > _MATCH or runner_up < _MARGIN * scores[best]:
        return None
    return best, scores[best], float(runner_up)


def _thin(time_s: Floats, values: Floats) -> tuple[Floats, Floats]:
    known = np.flatnonzero(np.isfinite(values) & np.isfinite(time_s))
    keep = known[:: max(1, len(known) // _SAMPLES)]
    return _sorted(time_s[keep], values[keep])


def _sorted(time_s: Floats, values: Floats) -> tuple[Floats, Floats]:
    known = np.isfinite(values) & np.isfinite(time_s)
    order = np.argsort(time_s[known], kind="stable")
    return time_s[known][order], values[known][order]


# -- clocks -------------------------------------------------------------------------------------


def _by_civil_clock(civil_s: Floats, companions: Sequence[Companion], shifts: list[float]) -> Shift | None:
    for companion in sorted(companions, key=lambda c: c.mute):
        if companion.civil_s is None or companion.zone_s not in shifts:
            continue
        share = _overlap(civil_s, companion.civil_s)
        common = share * min(np.ptp(civil_s), np.ptp(companion.civil_s))
        if share >= _OVERLAP and (common >= _SHORTEST_S or companion.zone_s == 0):
            text = f"its clock reads as that of {companion.file}, which stands at {name_zone(companion.zone_s)}"
            return Shift(companion.zone_s, 2, text, companion.file)
    return None


def _by_running_times(civil_s: Floats, companions: Sequence[Companion], shifts: list[float]) -> Shift | None:
    """The one zone at which this recorder and a companion ran at the same time."""
    for companion in companions:
        together = [s for s in shifts if _ends_agree(civil_s - s, companion.utc_s)]
        if len(together) == 1 and (np.ptp(civil_s) >= _SHORTEST_S or together[0] == 0):
            text = f"at {name_zone(together[0])} it began and ended with {companion.file}"
            return Shift(together[0], 1, text, companion.file)
    for companion in companions:
        for step in _TIERS:
            tier = [s for s in shifts if s % step == 0]
            found = _ran_together(civil_s, companion, tier)
            if found is not None:
                hours = {3600: "whole hour", 1800: "half hour", 900: "quarter hour"}[step]
                text = f"{name_zone(found)} is the only {hours} at which it ran at the same time as {companion.file}"
                return Shift(found, 1, text, companion.file)
    return None


def _ran_together(civil_s: Floats, companion: Companion, shifts: list[float]) -> float | None:
    shares = {s: _overlap(civil_s - s, companion.utc_s) for s in shifts}
    if not shares:
        return None
    ranked = sorted(shares, key=lambda s: -shares[s])
    best = ranked[0]
    others = [shares[s] for s in ranked[1:2]]
    common = shares[best] * min(np.ptp(civil_s), np.ptp(companion.utc_s))
    if shares[best] < _OVERLAP and not (best == 0 and shares[best] > 0.5):
        return None
    if others and others[0] > 0.6 * shares[best]:
        return None
    return best if common >= _SHORTEST_S or best == 0 else None


def _ends_agree(one_s: Floats, other_s: Floats) -> bool:
    """Both began and ended within five minutes: zones lie a quarter of an hour apart."""
    begin, end = np.nanmin(one_s) - np.nanmin(other_s), np.nanmax(one_s) - np.nanmax(other_s)
    return bool(abs(begin) < _SAME_ENDS_S and abs(end) < _SAME_ENDS_S)


def _overlap(one_s: Floats, other_s: Floats) -> float:
    """Common running time as a share of the shorter recording."""
    low = max(np.nanmin(one_s), np.nanmin(other_s))
    high = min(np.nanmax(one_s), np.nanmax(other_s))
    shorter = min(np.nanmax(one_s) - np.nanmin(one_s), np.nanmax(other_s) - np.nanmin(other_s))
    return float((high - low) / shorter) if shorter > 0 and high > low else 0.0
