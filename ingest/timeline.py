"""What can be wrong with a time axis whatever the format: midnight, wraps, restarts, set clocks, order, equal stamps, gaps.

Pure functions on arrays: seconds, shape (n,), as the recorder wrote them, and row, shape (n,), the
line or record each came from. They return new arrays and the findings; nothing is dropped here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..shared.findings import Finding
from ..shared.frame import GAP_FACTOR, GAP_FLOOR_S
from ..shared.on_change import writes_changes
from .even import even_whole_seconds, whole_seconds
from .raw import RawColumn, RawTrack

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]

DAY_S = 86400.0
HALF_DAY_S = 43200.0
COUNTER_BITS = (8, 10, 12, 14, 15, 16, 20, 24, 31, 32)
LISTED = 50
MOST_STEPS = 100
ROUNDING_ROWS = 10


def rows_text(rows: Iterable[int], word: str = "line") -> str:
    """'line 5', 'lines 5-6' or 'lines 5, 9, 12 and 40 more'."""
    numbers = sorted(int(r) for r in rows)
    if len(numbers) == 1:
        return f"{word} {numbers[0]}"
    if len(numbers) > 1 and numbers[-1] - numbers[0] == len(numbers) - 1:
        return f"{word}s {numbers[0]}-{numbers[-1]}"
    shown = ", ".join(str(n) for n in numbers[:8])
    return f"{word}s {shown} and {len(numbers) - 8} more" if len(numbers) > 8 else f"{word}s {shown}"


def usual_step(seconds: Floats) -> float:
    """Median of the rising steps, in seconds; 0 when there is none."""
    steps = np.diff(seconds)
    steps = steps[steps > 0]
    return float(np.median(steps)) if len(steps) else 0.0


def row_step(seconds: Floats) -> float:
    """Mean time from row to row, in seconds: gaps and stamps that stood still for three rows or more left out.

    The mean, because stamps rounded to 0.1 s at 8 rows a second step by 0.1 or 0.2 s, never 0.125 s.
    """
    usual = usual_step(seconds)
    steps = np.diff(seconds)
    still = steps == 0
    long_still = still & (np.concatenate(([False], still[:-1])) | np.concatenate((still[1:], [False])))
    inner = steps[(steps >= 0) & (steps <= GAP_FACTOR * usual) & ~long_still]
    return float(inner.mean()) if len(inner) else usual


def unroll_midnight(seconds: Floats, row: Integers) -> tuple[Floats, list[Finding]]:
    """Times of day made to rise past midnight: a day is added after every fall of more than half a day.

    A rise of more than half a day afterwards (a late row from before midnight) takes it off again.
    """
    steps = np.diff(seconds)
    falls, rises = steps < -HALF_DAY_S, steps > HALF_DAY_S
    if not falls.any():
        return seconds, []
    days = np.cumsum(falls.astype(np.int64) - rises.astype(np.int64))
    days = np.maximum(days, 0)
    out = seconds.copy()
    out[1:] += days * DAY_S
    first = np.flatnonzero(np.diff(np.concatenate(([0], np.maximum.accumulate(days)))) > 0) + 1
    if not len(first):
        return seconds, []  # an early row out of place: it rose first and fell back
    text = f"the time of day passed midnight {len(first)} time(s); a day was added"
    finding = Finding("MIDNIGHT_ROLLOVER", text, where=rows_text(row[first]), count=len(first))
    return out, [finding]


def mend_late_dates(seconds: Floats, row: Integers) -> tuple[Floats, list[Finding]]:
    """Dates that change a few rows before or after midnight put right: a fall and a rise of a day within 20 rows."""
    steps = np.diff(seconds)
    turns = np.flatnonzero(np.abs(np.abs(steps) - DAY_S) < HALF_DAY_S / 2) + 1
    out = seconds.copy()
    mended: list[int] = []
    for a, b in pairwise(turns):
        if b - a <= 20 and steps[a - 1] * steps[b - 1] < 0:
            out[a:b] += DAY_S if steps[a - 1] < 0 else -DAY_S
            mended.append(int(row[a]))
    if not mended:
        return seconds, []
    text = "the date changed some rows away from midnight; it was bound to the time of day"
    return out, [Finding("MIDNIGHT_ROLLOVER", text, where=rows_text(mended), count=len(mended))]


def unwrap_counter(counts: Floats, row: Integers) -> tuple[Floats, list[Finding]]:
    """A counter that passed its largest value (a power of two) made to go on rising."""
    steps = np.diff(counts)
    usual = usual_step(counts)
    falls = np.flatnonzero(steps < 0)
    loose = 1.0 + 2 * float(np.percentile(np.abs(steps[steps > 0] - usual), 90)) if usual else 1.0
    wraps: list[int] = []
    size = 0.0
    for k in falls:
        for bits in COUNTER_BITS:
            whole = 2.0**bits
            top = (
                counts[k] < whole and counts[k] > 0.98 * whole - 3 * usual and counts[k + 1] < 0.02 * whole + 3 * usual
            )
            # a small counter has many falls that look like a wrap: there only an even step counts
            low, high = (0.0, 5 * max(usual, 1.0)) if bits >= 24 else (usual - loose, usual + loose)
            if top and low < steps[k] + whole <= high and size in (0.0, whole):
                wraps.append(int(k) + 1)
                size = whole
                break
    if not wraps:
        return counts, []
    out = counts.copy()
    for at in wraps:
        out[at:] += size
    text = f"the counter passed {size - 1:.0f} and went on from zero {len(wraps)} time(s)"
    return out, [Finding("COUNTER_WRAP", text, where=rows_text(row[wraps]), count=len(wraps), facts={"modulus": size})]


def find_restarts(seconds: Floats) -> list[int]:
    """Indices at which an elapsed count starts again near its first value."""
    usual = usual_step(seconds)
    starts: list[int] = []
    begin = 0
    falls = np.flatnonzero(np.diff(seconds) < -3 * usual) + 1
    for k in falls if len(falls) <= MOST_STEPS else ():
        fallen = seconds[k - 1] - seconds[k]
        span = seconds[k - 1] - seconds[begin]
        near = seconds[k] <= seconds[begin] + max(5 * usual, 0.02 * span)
        if near and fallen > 3 * usual and k - begin >= 3 and _goes_on(seconds, int(k), usual):
            starts.append(int(k))
            begin = int(k)
    return starts


def _goes_on(seconds: Floats, k: int, usual: float) -> bool:
    """True when the rows from k on pass the time before k without leaving a hole for the rows before k."""
    earlier = int((seconds[:k] >= seconds[k]).sum())
    later = seconds[k:]
    reach = np.flatnonzero(later > seconds[k - 1])
    stop = int(reach[0]) + 1 if len(reach) else len(later)
    steps = np.diff(later[:stop])
    widest = float(steps.max()) if len(steps) else 0.0
    return earlier >= 2 and widest < (earlier + 0.5) * usual


def join_clock_steps(seconds: Floats, row: Integers) -> tuple[Floats, list[Finding]]:
    """A clock set back during the recording: the rows before are moved onto the clock after, so that time rises.

    Told from rows out of order by the stamps after the step running through those before it once more.
    """
    usual = usual_step(seconds)
    falls = np.flatnonzero(np.diff(seconds) < -1.5 * usual) + 1
    out = seconds.copy()
    findings = []
    for k in falls if len(falls) <= MOST_STEPS else ():  # more than that is disorder, not a clock being set
        if not _goes_on(out, int(k), usual):
            continue
        size = float(out[k - 1] + usual - out[k])
        out[:k] -= size
        hour = abs(size - 3600.0) <= 3 * usual
        code = "DST_FOLD" if hour else "CLOCK_STEP"
        text = (
            f"the recorder's clock went back by {size:.3f} s at {rows_text([row[k]])} while rows went on; "
            f"the rows before it were moved onto the clock after it"
        )
        facts = {"seconds": -size, "row": int(row[k]), "uncertainty_s": usual}
        findings.append(Finding(code, text, "doubt", rows_text([row[k]]), facts=facts))
    return out, findings


def sort_track(track: RawTrack) -> tuple[RawTrack, list[Finding]]:
    """The track with its rows in time order (stable), and TIME_REVERSAL for rows that came late."""
    seconds = track.time.seconds
    late = np.concatenate(([False], seconds[1:] < np.maximum.accumulate(seconds)[:-1])) if len(seconds) else seconds > 0
    if not late.any():
        return track, []
    behind = np.maximum.accumulate(seconds)[late] - seconds[late]
    text = f"{int(late.sum())} rows came out of time order, by up to {behind.max():g} s; they were sorted"
    where = rows_text(track.row[late])
    facts = {"seconds": float(behind.max()), "rows": [int(r) for r in track.row[late][:LISTED]]}
    finding = Finding("TIME_REVERSAL", text, "doubt", where, int(late.sum()), facts=facts)
    return take_rows(track, np.argsort(seconds, kind="stable")), [finding]


def take_rows(track: RawTrack, index: Integers | Flags | slice) -> RawTrack:
    """The track with only these rows, in this order."""
    columns = tuple(replace(c, values=c.values[index]) for c in track.columns)
    time = replace(track.time, seconds=track.time.seconds[index])
    return replace(track, time=time, columns=columns, row=track.row[index])


def spread_equal_stamps(seconds: Floats, row: Integers, resolution_s: float) -> tuple[Floats, float, list[Finding]]:
    """Rows that share a stamp spread evenly where their counts are regular; (seconds, resolution, findings).

    Two patterns: stamps coarser than the rows (several rows under every stamp), and single stamps
    that stood still or were rounded together while rows went on. Others keep their stamps.
    """
    edges = np.flatnonzero(np.diff(seconds) != 0) + 1
    if len(edges) == len(seconds) - 1 or len(seconds) < 3:
        return seconds, resolution_s, []
    start = np.concatenate(([0], edges))
    count = np.diff(np.concatenate((start, [len(seconds)])))
    stamp = seconds[start]
    if len(stamp) >= 3 and np.median(count[1:-1]) >= 2:
        return _spread_coarse(seconds, row, stamp, count, resolution_s)
    out = _spread_stalled(seconds, start, count)
    if resolution_s >= 0.5 * row_step(seconds) and not whole_seconds(seconds):  # those are evened as a whole
        out = _smooth_rounding(out)
    out = np.maximum.accumulate(out)
    moved = np.flatnonzero(out != seconds)
    if not len(moved):
        return seconds, resolution_s, []
    text = f"{len(moved)} rows shared or skipped a stamp although time went on evenly; they were spread evenly"
    finding = Finding("COARSE_TIMESTAMP", text, "note", rows_text(row[moved]), len(moved))
    return out, resolution_s, [finding]


def _spread_coarse(
    seconds: Floats, row: Integers, stamp: Floats, count: Integers, resolution_s: float
) -> tuple[Floats, float, list[Finding]]:
    steps = np.diff(stamp)
    step = float(np.median(steps))
    inner = count[1:-1]
    usual = int(np.median(inner))
    whole = inner[steps[1:] <= 1.5 * step]
    mean = float(whole.mean()) if len(whole) else float(usual)
    regular = float((np.abs(whole - mean) <= 1.0 + 0.1 * mean).mean()) if len(whole) else 0.0
    facts: dict[str, Any] = {"step_s": step, "rows_per_stamp": round(mean, 3), "regular": round(regular, 3)}
    if regular < 0.9:
        text = f"several rows share each stamp (step {step:g} s) in irregular numbers; the stamps were kept as written"
        return seconds, max(step, resolution_s), [Finding("COARSE_TIMESTAMP", text, "doubt", facts=facts)]
    width = np.append(np.where(steps <= 1.5 * step, steps, step), step)
    number = np.arange(len(seconds)) - np.repeat(np.concatenate(([0], np.cumsum(count)[:-1])), count)
    share = count.astype(np.float64)
    share[-1] = max(mean, count[-1])
    ahead = np.append(np.where(steps <= 1.5 * step, count[:-1], np.maximum(mean, count[:-1])), share[-1])
    out = np.repeat(stamp, count) + number * np.repeat(width / ahead, count)
    if count[0] < mean:  # recording began inside the first stamp: its rows stand at its end
        first = int(count[0])
        out[:first] = stamp[0] + width[0] - (first - np.arange(first)) * width[0] / mean
    _spread_stood_still(out, stamp, count, step=step, mean=mean)
    text = f"{mean:.3g} rows share each stamp (step {step:g} s); rows were spread evenly inside each stamp"
    return np.maximum.accumulate(out), max(step, resolution_s), [Finding("COARSE_TIMESTAMP", text, facts=facts)]


def _spread_stood_still(out: Floats, stamp: Floats, count: Integers, *, step: float, mean: float) -> None:
    """Coarse stamps that stood still for several of their own steps: their rows spread, in place, up to where the
    count of rows has caught up with the stamps (at most three stamps on)."""
    start = np.concatenate(([0], np.cumsum(count)))
    for k in np.flatnonzero(count[:-1] > 1.5 * mean + 1):
        for m in range(int(k) + 1, min(int(k) + 4, len(stamp))):
            rows = int(start[m] - start[k])
            if abs(rows - mean * (stamp[m] - stamp[k]) / step) <= 1.0:
                span = stamp[m] - stamp[k]
                out[start[k] : start[m]] = stamp[k] + np.arange(rows) * span / rows
                break


def _spread_stalled(seconds: Floats, start: Integers, count: Integers) -> Floats:
    """Runs of one stamp whose rows just fill the time to the next stamp, spread over that time."""
    step = row_step(seconds)
    out = seconds.copy()
    several = count > 1
    for at, length in zip(start[several], count[several], strict=True):
        after = int(at + length)
        if after >= len(seconds):
            break
        span = seconds[after] - seconds[at]
        if abs(span - length * step) <= (0.35 + 0.02 * length) * step:
            out[at:after] = seconds[at] + np.arange(length) * span / length
    return out


def _smooth_rounding(seconds: Floats) -> Floats:
    """Stamps rounded about as coarsely as the rows follow each other, freed of the jitter of rounding.

    Such a recorder repeats one stamp and skips another, about as often; only then every row is put
    where the 21 rows around it say on average that an even count of rows has got to. Stretches
    between gaps are treated alone. Rows that are really there twice have no skipped stamp and stay.
    """
    step = row_step(seconds)
    steps = np.diff(seconds)
    repeated = int((steps == 0).sum())
    skipped = int((np.abs(steps - 2 * step) < 0.25 * step).sum())
    if repeated == 0 or skipped < 0.5 * repeated:
        return seconds
    edges = np.flatnonzero(steps > GAP_FACTOR * step) + 1
    return np.concatenate([_smooth_stretch(part, step) for part in np.split(seconds, edges)])


def _smooth_stretch(seconds: Floats, step: float) -> Floats:
    if (np.diff(seconds) > 0).all():
        return seconds
    count = np.arange(len(seconds)) * step
    ahead = np.pad(seconds - count, ROUNDING_ROWS, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(ahead, 2 * ROUNDING_ROWS + 1)
    return np.asarray(windows.mean(axis=1) + count)


def settle_track(track: RawTrack, leap: Flags | None = None) -> tuple[RawTrack, list[Finding]]:
    """A track whose time never falls: set-back clocks joined, rows sorted, equal stamps spread; the rest reported.

    leap: shape (n,), rows stamped with second 60, whose stamp the next second repeats.
    """
    seconds, leaps = track.time.seconds, np.empty(0, np.int64)
    if leap is not None and leap.any():
        leaps = track.row[leap]
        seconds = np.where(leap, np.floor(seconds), seconds)  # second 60.5 stays before 00:00:00 of the next day
    seconds, stepped = join_clock_steps(seconds, track.row)
    track, late = sort_track(replace(track, time=replace(track.time, seconds=seconds)))
    spread: list[Finding] = []
    if not len(leaps):
        time = track.time
        seconds, resolution, spread = spread_equal_stamps(time.seconds, track.row, time.resolution_s)
        even = even_whole_seconds(seconds, exact=time.basis in ("utc", "gps"))
        seconds, spread = (seconds, spread) if even is None else (even[0], [even[1]])
        track = replace(track, time=replace(time, seconds=seconds, resolution_s=resolution))
    irregular = any(finding.level == "doubt" for finding in spread)
    doubles = [] if irregular else find_duplicates(track, np.isin(track.row, leaps))
    return track, [*stepped, *late, *spread, *doubles, *find_gaps(track)]


def find_duplicates(track: RawTrack, exempt: Flags | None = None) -> list[Finding]:
    """Rows that repeat the row before (DUPLICATE_ROW), and stamps with several values (DUPLICATE_TIME_CONFLICT)."""
    seconds = track.time.seconds
    again = np.flatnonzero(np.diff(seconds) == 0) + 1
    if exempt is not None:
        again = again[~(exempt[again] | exempt[again - 1])]
    if not len(again):
        return []
    same = np.ones(len(again), np.bool_)
    for column in track.columns:
        same &= _equal(column, again)
    findings = []
    for code, rows, level, text in (
        ("DUPLICATE_ROW", again[same], "note", "rows repeat the one before"),
        ("DUPLICATE_TIME_CONFLICT", again[~same], "doubt", "rows carry the stamp of the one before and other values"),
    ):
        if len(rows):
            facts: dict[str, Any] = {"rows": [int(r) for r in track.row[rows][:LISTED]]}
            if code == "DUPLICATE_TIME_CONFLICT":
                facts["values"] = _conflict(track.columns, int(rows[0]))
            level_word: Any = level
            findings.append(
                Finding(code, f"{len(rows)} {text}", level_word, rows_text(track.row[rows]), len(rows), facts=facts)
            )
    return findings


def _equal(column: RawColumn, again: Integers) -> Flags:
    now, before = column.values[again], column.values[again - 1]
    if column.values.dtype == object:
        return np.array([a == b for a, b in zip(now, before, strict=True)], dtype=np.bool_)
    return np.asarray((now == before) | (np.isnan(now) & np.isnan(before)))


def _conflict(columns: Sequence[RawColumn], at: int) -> list[Any]:
    for column in columns:
        pair = [column.values[at - 1], column.values[at]]
        if not _equal(column, np.array([at])).all():
            return [v if v is None or isinstance(v, str) else None if np.isnan(v) else float(v) for v in pair]
    return []


def find_gaps(track: RawTrack) -> list[Finding]:
    """One GAP finding for all steps longer than the gap limit (see shared.frame.gap_limit_s)."""
    seconds = track.time.seconds
    steps = np.diff(seconds)
    usual = usual_step(seconds)
    if writes_changes(seconds, (column.values for column in track.columns)):
        return []
    gaps = np.flatnonzero(steps > max(GAP_FLOOR_S, GAP_FACTOR * usual)) if len(steps) else np.empty(0, np.int64)
    if not len(gaps) or usual == 0:
        return []
    lines = [(int(track.row[k]), int(track.row[k + 1])) for k in gaps[:LISTED]]
    where = f"between lines {lines[0][0]} and {lines[0][1]}" + (f" and {len(gaps) - 1} more" if len(gaps) > 1 else "")
    with np.errstate(over="ignore"):  # stamps may be anything
        missing = np.maximum(np.rint(np.minimum(steps[gaps] / usual, 1e15)).astype(np.int64) - 1, 0)
    text = f"{len(gaps)} gap(s), the longest {steps[gaps].max():g} s; nothing is measured across a gap"
    facts = {
        "missing_rows": int(missing.sum()),
        "gaps": [
            {"after_row": a, "before_row": b, "length_s": float(steps[k]), "missing_rows": int(m)}
            for (a, b), k, m in zip(lines, gaps, missing, strict=False)
        ],
    }
    return [Finding("GAP", text, "note", where, len(gaps), facts=facts)]
