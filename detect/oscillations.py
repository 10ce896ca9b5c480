"""Short period and Dutch roll: what the aircraft does by itself after a sharp input.

The controls are not in the log, so an input is seen by its answer alone: a burst to both sides that
stands out of the quiet around it. The record is taken from the burst's largest peak on; peaks above
the noise are the free oscillation. Three or more give period and damping by both ways of `damping`;
fewer mean that the motion died before it could be timed: 'dead beat', with the seconds it took
(short period only: a Dutch roll that does not roll cannot be told from a gust).
Needs five samples a second or more; a well damped short period wants twenty and the pitch rate.
Limits: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..shared.findings import Finding, Manoeuvre, Segment
from ..shared.recording import Floats, Recording, Track
from .damping import NEEDED_PEAKS, decay_of_peaks, fit_damped_cosine, turning_points
from .motion import Motion
from .phugoids import decay_facts
from .signal import Flags, Indices, close_short, runs, slope, smooth, unwrap

DETECTOR = "oscillations/1"
SLOWEST_STEP_S = 0.21
GAP_STEPS = 2.5
DRIFT_S = 4.0  # slower than this is no part of the mode
QUIET_S = 3.0
QUIET_SHARE = 0.2  # of the burst's peak may the motion before it have, root mean square
APART_S = 1.5  # a pause of this length ends a burst
LONGEST_S = 15.0
BOTH_SIDES = 0.3  # of the larger side must the smaller one reach
NOISE_FACTOR = 8.0
PEAK_NOISE = 4.0  # a peak is one that stands this far above the quiet's deviation
SETTLED = 0.1  # of the largest peak
BEGUN = 0.25  # of it: taking off what is slow spreads a little of the burst ahead of it
EVEN = 1.8
SHARP_S, OVER_S = 2.0, 4.5  # between the two largest peaks of an input with a dead-beat answer, and for all of it
RATE_LINE_S = 0.5
VAGUE = 0.1  # standard error of a damping ratio that says nothing
EXPLAINED = 0.85


@dataclass(frozen=True, slots=True)
class Mode:
    """A fast mode: whether its answer may be over before it is an oscillation, the periods it may have,
    the longest burst, and its channels in order of preference with the least peak that counts [SI]; of an angle its rate is taken."""

    kind: str
    may_be_dead: bool
    periods_s: tuple[float, float]
    longest_s: float
    channels: tuple[tuple[str, float], ...]


MODES = (
    Mode(
        "short_period",
        True,
        (0.3, 4.0),
        6.0,
        (("pitch_rate", np.radians(4.0)), ("pitch", np.radians(4.0)), ("normal_load_factor", 0.25)),
    ),
    Mode(
        "dutch_roll",
        False,
        (0.8, 8.0),
        15.0,
        (
            ("sideslip", np.radians(2.0)),
            ("lateral_load_factor", 0.06),
            ("yaw_rate", np.radians(4.0)),
            ("turn_rate", np.radians(4.0)),
            ("heading_magnetic", np.radians(4.0)),
            ("heading_true", np.radians(4.0)),
        ),
    ),
)
ANGLES = ("pitch", "heading_magnetic", "heading_true")


def find_oscillations(
    recording: Recording, motion: Motion, free: Flags
) -> tuple[tuple[Manoeuvre, ...], tuple[Finding, ...]]:
    """Records of the fast modes in time order. free: where neither ground, gear, flap nor stall moves the
    aircraft, flag (n,) on the grid."""
    found: list[Manoeuvre] = []
    missing = []
    for mode in MODES:
        told = _channel(recording, mode)
        if told is None:
            missing.append(mode.kind.replace("_", " "))
        elif len(motion.time_s):
            track, name, least = told
            found += _records(mode, track, name, least, motion=motion, free=free)
    text = (
        f"{' and '.join(missing)} was not looked for: no rate or attitude at five samples a second or more is recorded"
    )
    findings = (Finding("NOT_ATTEMPTED", text),) if missing else ()
    return tuple(sorted(found, key=lambda m: m.segment.start_s)), findings


def _channel(recording: Recording, mode: Mode) -> tuple[Track, str, float] | None:
    for name, least in mode.channels:
        for track in recording.holders(name):
            if track.median_step_s <= SLOWEST_STEP_S and np.isfinite(track.columns[name].values).any():
                return track, name, least
    return None


def _records(mode: Mode, track: Track, name: str, least: float, *, motion: Motion, free: Flags) -> list[Manoeuvre]:
    step = track.median_step_s
    place = np.clip(np.round((track.time_s - motion.time_s[0]) / motion.step_s), 0, len(motion.time_s) - 1)
    whole = _rate_or_self(track.columns[name].values, name, step)
    after_gap = np.flatnonzero(np.diff(track.time_s) > GAP_STEPS * step) + 1
    whole[after_gap], whole[after_gap - 1] = np.nan, np.nan
    fast = whole - smooth(whole, round(DRIFT_S / step))
    fast = np.where(free[place.astype(np.int64)], fast, np.nan)
    known = fast[np.isfinite(fast)]
    if len(known) < 10:
        return []
    noise = max(1.4826 * float(np.median(np.abs(known))), _resolution(track, name))
    counts = max(least, NOISE_FACTOR * noise)
    with np.errstate(invalid="ignore"):
        loud = np.abs(fast) > counts / 3
        peak = np.abs(fast) > counts
    found = []
    for first, stop in runs(close_short(loud, max(1, round(APART_S / step)))):
        if not peak[first:stop].any() or (stop - first) * step > mode.longest_s:
            continue
        if _is_burst(fast, int(first), int(stop), step):
            one = _record(mode, name, track.time_s, whole, (int(first), int(stop)), step=step)
            if one is not None:
                found.append(one)
    return found


def _resolution(track: Track, name: str) -> float:
    """Standard deviation that the recorder's own step alone makes in the fast part."""
    own = (track.columns[name].step or 0.0) / np.sqrt(12.0)
    return float(own * np.sqrt(2.0) / RATE_LINE_S if name in ANGLES else own)


def _rate_or_self(values: Floats, name: str, step: float) -> Floats:
    """The channel, of an angle its rate."""
    x = np.asarray(values, dtype=np.float64)
    return slope(unwrap(x), max(3, round(RATE_LINE_S / step)), step) if name in ANGLES else x.copy()


def _quiet_before(values: Floats, first: int, step: float) -> Floats:
    """The seconds before a burst, its very beginning left out."""
    return values[max(0, first - round((QUIET_S + 0.5) / step)) : max(0, first - round(0.5 / step))]


def _is_burst(fast: Floats, first: int, stop: int, step: float) -> bool:
    """To both sides, short, and out of quiet."""
    inside = fast[first:stop]
    before = _quiet_before(fast, first, step)
    if not len(before) or not np.isfinite(before).all():
        return False
    high, low = float(np.nanmax(inside)), float(-np.nanmin(inside))
    quiet = float(np.sqrt(np.mean(before * before))) < QUIET_SHARE * max(high, low)
    return quiet and min(high, low) > BOTH_SIDES * max(high, low)


def _is_sharp(burst: Floats, step: float) -> bool:
    return len(burst) * step < OVER_S and bool(
        abs(int(np.nanargmax(burst)) - int(np.nanargmin(burst))) * step < SHARP_S
    )


def _record(
    mode: Mode, name: str, time_s: Floats, whole: Floats, span: tuple[int, int], *, step: float
) -> Manoeuvre | None:
    first, stop = span
    before = _quiet_before(whole, first, step)
    noise, fast = float(np.nanstd(before)), whole - float(np.nanmean(before))
    largest = first + int(np.nanargmax(np.abs(fast[first:stop])))
    tail = fast[largest : largest + round(LONGEST_S / step)]
    end = int(np.argmin(np.isfinite(tail))) if not np.isfinite(tail).all() else len(tail)
    tail, times = tail[:end], time_s[largest : largest + end]
    size = abs(float(fast[largest]))
    peaks = _free_peaks(tail, times, max(PEAK_NOISE * noise, 0.05 * size))
    facts: dict[str, object] = {"peak": size, "peaks": len(peaks), "sample_s": step}
    measured = _measure(times, tail, peaks, noise, periods_s=mode.periods_s)
    if measured is None and not (mode.may_be_dead and _is_sharp(fast[first:stop], step)):
        return None
    facts |= measured or {"dead_beat": True, "settled_s": _settling(tail, max(SETTLED * size, 3 * noise), step)}
    begun = first + int(np.argmax(np.abs(fast[first : largest + 1]) >= BEGUN * size))
    start, last = float(time_s[begun]), float(times[peaks[-1]]) if len(peaks) else float(times[0])
    confidence = 0.5 if measured is None else 0.8
    return Manoeuvre(Segment(start, max(last, start + step)), mode.kind, (name,), confidence, DETECTOR, facts)


def _measure(
    times: Floats, tail: Floats, peaks: Indices, noise: float, *, periods_s: tuple[float, float]
) -> dict[str, object] | None:
    """Period and damping of a tail with peaks enough, None where there is no oscillation to measure."""
    if len(peaks) < NEEDED_PEAKS:
        return None
    by_peaks = decay_of_peaks(times[peaks], tail[peaks], noise)
    stop = min(len(tail), int(peaks[-1]) + max(1, (int(peaks[-1]) - int(peaks[-2])) // 2))
    fit = fit_damped_cosine(times[peaks[0] : stop], tail[peaks[0] : stop], by_peaks.period_s)
    if fit is None or fit.explained < EXPLAINED or not periods_s[0] < fit.decay.period_s < periods_s[1]:
        return None
    if fit.decay.damping_ratio_error > VAGUE:
        return None
    return {"dead_beat": False, "cycles": (len(peaks) - 1) / 2, **decay_facts(fit, by_peaks)}


def _settling(tail: Floats, level: float, step: float) -> float:
    """Seconds from the largest peak until the motion stays under a level for a second."""
    calm = runs(np.abs(tail) <= level)
    long = calm[(calm[:, 1] - calm[:, 0]) * step >= 1.0]
    return float((long[0, 0] if len(long) else len(tail)) * step)


def _free_peaks(tail: Floats, times: Floats, least: float) -> Indices:
    """Peaks after the largest one that alternate, fall and come evenly: the free oscillation."""
    peaks = turning_points(tail, least)
    kept: list[int] = []
    for k in peaks.tolist():
        if len(kept) >= 1 and abs(tail[k] - tail[kept[-1]]) < least:
            break
        if len(kept) >= 2:
            spacing, before = times[k] - times[kept[-1]], times[kept[-1]] - times[kept[-2]]
            falls = abs(tail[k] - tail[kept[-1]]) < 1.1 * abs(tail[kept[-1]] - tail[kept[-2]])
            if not falls or not 1 / EVEN < spacing / before < EVEN:
                break
        kept.append(k)
    return np.array(kept, dtype=np.int64)
