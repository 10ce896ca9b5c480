"""Mean, scatter, trend and an honest standard error of channels over a stretch.

The standard error of the mean is not the deviation over the root of the count. Two kinds of channel:

- Rates, loads, attitudes, the engine: what gusts and the pilot make of them leaves the condition's own value in doubt.
  The number of independent samples is the count over the integrated autocorrelation time (autocorrelation.py).
- What the stretch was flown at (`FLOWN`: airspeeds, heights, the air, the rate of energy): its wandering was really flown, the mean is
  that of the stretch whatever the scatter; what the sink through still air differs by is air_motion.py's. In doubt is what the instrument adds: what changes within half a second, beyond the
  trend, counts as its noise, with one independent sample each half second.

The recorder's resolution adds step / sqrt(12), which no averaging of a steady value removes (JCGM
100:2008, F.2.2.1).
"""

from __future__ import annotations

from collections.abc import Container, Iterator, Sequence

import numpy as np

from ..shared.findings import Segment, Statistic
from ..shared.recording import Column, Floats, Recording, Track
from ..shared.spill import is_large, note_use, spill
from ..shared.vocabulary import meaning_of
from .autocorrelation import times_of_stretches
from .channels import SLOW_CHANNELS
from .signal import Flags, Indices, unwrap
from .spikes import spikeless

STEP_SHARE = float(1 / np.sqrt(12.0))
NAN = float("nan")
BATCH = 1 << 19  # samples looked at together: what is computed of them stays near the processor, and is little memory
AROUND = 4  # the system takes more of a column from disk than the stretch that is read
NOISE_S = 0.5
FLOWN = frozenset(
    {
        "indicated_airspeed", "calibrated_airspeed", "equivalent_airspeed", "true_airspeed", "recorded_true_airspeed",
        "pressure_altitude", "baro_altitude", "unnamed_altitude", "density_altitude", "gnss_altitude",
        "gnss_ellipsoid_altitude", "gnss_unnamed_altitude", "static_pressure", "impact_pressure",
        "outside_air_temperature", "static_air_temperature", "density_ratio", "energy_climb_rate", "sink_rate",
    }
)  # fmt: skip


def statistic(
    time_s: Floats, values: Floats, *, step: float | None = None, unit: str | None = None, circular: bool = False
) -> Statistic:
    """One channel's statistic; missing samples are left out.

    time_s, values: float64 (n,), seconds and the channel's unit. step: the recorder's resolution
    in that unit. circular: an angle (a turn is 2 pi, or 360 when the unit is "deg"), averaged the
    short way round; its mean is given within one turn, low and high unwrapped around it. All NaN
    for no samples.
    """
    known = np.isfinite(values)
    samples, turn = values[known], NAN
    if not len(samples):
        return Statistic(NAN, NAN, NAN, NAN, 0, unit)
    if circular:
        turn = 360.0 if unit == "deg" else 2 * np.pi
        samples = unwrap(samples, turn)
    return _of_one(time_s[known], samples, turn=turn, column=(step, unit), flown=np.array([False]))


def flown_statistic(time_s: Floats, values: Floats, *, step: float | None = None, unit: str | None = None) -> Statistic:
    """The same, of values without a missing sample that were really flown (`FLOWN`)."""
    return _of_one(time_s, values, turn=NAN, column=(step, unit), flown=np.array([True]))


def _of_one(
    time_s: Floats, samples: Floats, *, turn: float, column: tuple[float | None, str | None], flown: Flags
) -> Statistic:
    """Statistic of one stretch of one channel; column: its resolution and unit."""
    return _of_stretches(
        time_s, samples[None, :], np.array([0]), np.array([len(samples)]),
        turns=np.array([turn]), steps=[column[0]], units=[column[1]], flown=flown,
    )[0][0]  # fmt: skip


def _of_stretches(
    time_s: Floats, rows: Floats, starts: Indices, counts: Indices, *,
    turns: Floats, steps: list[float | None], units: list[str | None], flown: Flags,
) -> list[list[Statistic]]:  # fmt: skip
    """Statistics of every stretch (s) of complete channels, rows (c, n) that are the stretches end to end.

    turns: a whole turn of each channel that is an angle, else NaN; its mean is given within one turn.
    flown: (c,), channels of which only the instrument's noise leaves the mean in doubt; these come last.
    """
    mean = np.add.reduceat(rows, starts, axis=1) / counts
    centred = np.repeat(mean, counts, axis=1)
    np.subtract(rows, centred, out=centred)
    square = np.add.reduceat(centred * centred, starts, axis=1)
    place = time_s - np.repeat(np.add.reduceat(time_s, starts) / counts, counts)
    spread = np.add.reduceat(place * place, starts)
    low, high = (extreme.reduceat(rows, starts, axis=1) for extreme in (np.minimum, np.maximum))
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = np.where(spread > 0, np.add.reduceat(centred * place, starts, axis=1) / spread, NAN)
        number = np.count_nonzero(~flown)
        times = times_of_stretches(centred[:number], square[:number], starts, counts)
        scatter = np.where(counts > 1, square[:number] / (counts - 1) * times / counts, NAN)
        scatter = np.concatenate((scatter, _noise_of_means(time_s, rows[number:], starts, counts)))
    turned = np.nan_to_num(turns[:, None] * np.floor(mean / turns[:, None]))
    error = _standard_errors(scatter, steps)
    numbers = (mean - turned, np.sqrt(square / counts), slope, error, low - turned, high - turned)
    out = []
    for k, count in enumerate(counts.tolist()):
        table = zip(*(column[:, k].tolist() for column in numbers), units, strict=True)
        out.append(
            [
                Statistic(middle, deviation, trend, part, count, unit, least, most)
                for middle, deviation, trend, part, least, most, unit in table
            ]
        )
    return out


def _noise_of_means(time_s: Floats, rows: Floats, starts: Indices, counts: Indices) -> Floats:
    """Squared standard error (c, s) that the noise within NOISE_S leaves in the means; NaN for too few samples."""
    ends = starts + counts - 1
    step_s = float(np.median(np.diff(time_s))) if len(time_s) > 1 else NOISE_S
    lag = min(max(1, round(NOISE_S / step_s)) if step_s > 0 else 1, rows.shape[1])
    inside = np.arange(rows.shape[1]) + lag <= np.repeat(ends, counts)
    change = np.zeros_like(rows)
    change[:, : rows.shape[1] - lag] = rows[:, lag:] - rows[:, : rows.shape[1] - lag]
    change *= inside
    number = np.maximum(counts - lag, 1)
    mean = np.add.reduceat(change, starts, axis=1) / number
    variance = np.add.reduceat(change * change, starts, axis=1) / number - mean * mean
    return np.where(counts > lag + 1, np.maximum(variance, 0.0) / 2.0 * lag / counts, NAN)


def _standard_errors(scatter: Floats, steps: list[float | None]) -> Floats:
    """Standard errors of means (c, s): the recorder's resolution, where known, on top of the scatter's part."""
    known = np.array([step is not None for step in steps])
    resolution = np.array([(step or 0.0) * STEP_SHARE for step in steps]) ** 2
    part = np.where(known[:, None], np.nan_to_num(scatter), scatter)
    return np.asarray(np.sqrt(resolution[:, None] + part))


class SegmentStatistics:
    """Statistics of any segment of one recording, from each recorder's rows at its own rate.

    Of a channel that several recorders hold the main one's is taken. Isolated samples that a slow
    channel cannot have produced are left out, as everywhere in detection. A channel without any
    sample in the segment is left out.
    """

    def __init__(self, recording: Recording) -> None:
        by_track: dict[str, list[str]] = {}
        for name in recording.channels():
            holder = _holder(recording, name)
            if holder is not None and meaning_of(name) is not None and not holder.columns[name].is_text:
                by_track.setdefault(holder.name, []).append(name)
        self._blocks = [_Block(recording.track(track), names) for track, names in by_track.items()]

    def over(self, segment: Segment) -> dict[str, Statistic]:
        """Channel -> statistic over [start_s, stop_s), channels in alphabetical order."""
        return self.over_all([segment])[0]

    def over_all(
        self, segments: Sequence[Segment], channels: Container[str] | None = None
    ) -> list[dict[str, Statistic]]:
        """The same for many segments at once; of all channels, or of those asked for."""
        found: list[dict[str, Statistic]] = [{} for _ in segments]
        for block in self._blocks:
            for into, more in zip(found, block.over_all(segments, channels), strict=True):
                into.update(more)
        return [dict(sorted(one.items())) for one in found]


def _holder(recording: Recording, name: str) -> Track | None:
    """The track a channel is read from; the order of several costs a median each, so only then asked for."""
    having = [track for track in recording.tracks if name in track.columns]
    return recording.holders(name)[0] if len(having) > 1 else next(iter(having), None)


class _Block:
    """The numeric channels of one track; angles without jumps, each channel made ready when first asked for."""

    def __init__(self, track: Track, names: list[str]) -> None:
        self.track = track
        self.names = sorted(names, key=FLOWN.__contains__)
        self.time_s = track.time_s
        self.columns: list[Column] = [track.columns[n] for n in self.names]
        self.turns = np.array([_turn(column) for column in self.columns])
        self.flown = np.array([name in FLOWN for name in self.names])
        self.ready: dict[int, Floats] = {}

    def over_all(self, segments: Sequence[Segment], channels: Container[str] | None) -> list[dict[str, Statistic]]:
        which = np.array(
            [k for k, name in enumerate(self.names) if channels is None or name in channels], dtype=np.int64
        )
        out: list[dict[str, Statistic]] = [{} for _ in segments]
        bounds = np.array([(s.start_s, s.stop_s) for s in segments]).reshape(-1, 2)
        first, stop = np.searchsorted(self.time_s, bounds[:, 0]), np.searchsorted(self.time_s, bounds[:, 1])
        held = np.flatnonzero(stop > first)
        for some in _batches(held, stop - first, len(which)):
            for k, found in zip(some, self._measure(first[some], stop[some], which), strict=True):
                out[k] = found
        return out

    def _measure(self, first: Indices, stop: Indices, which: Indices) -> list[dict[str, Statistic]]:
        """Statistics of the rows [first, stop) of each stretch; channels with a hole somewhere one by one."""
        counts = stop - first
        starts = np.cumsum(counts) - counts
        spans = list(zip(first.tolist(), stop.tolist(), strict=True))
        times = np.concatenate([self.time_s[a:b] for a, b in spans])
        rows = np.empty((len(which), len(times)))
        for into, row in zip(rows, map(self._row, which.tolist()), strict=True):
            np.concatenate([row[a:b] for a, b in spans], out=into)
        if is_large(self.time_s):
            note_use(AROUND * rows.nbytes)
        known = np.isfinite(rows)
        full = known.all(axis=1)
        out: list[dict[str, Statistic]] = [{} for _ in counts]
        if full.any():
            complete = rows if full.all() else rows[full]
            out = self._stretches(times, complete, starts, counts, which[full])
        for row, seen, k in zip(rows[~full], known[~full], which[~full], strict=True):
            here = np.add.reduceat(seen.astype(np.int64), starts)
            some = np.flatnonzero(here)
            if len(some):
                begins = np.cumsum(here[some]) - here[some]
                pieces = self._stretches(times[seen], row[seen][None, :], begins, here[some], np.array([k]))
                for at, one in zip(some, pieces, strict=True):
                    out[at].update(one)
        return out

    def _stretches(
        self, times: Floats, rows: Floats, starts: Indices, counts: Indices, which: Indices
    ) -> list[dict[str, Statistic]]:
        columns = [self.columns[k] for k in which]
        found = _of_stretches(
            times, rows, starts, counts, turns=self.turns[which], steps=[c.step for c in columns],
            units=[c.unit for c in columns], flown=self.flown[which],
        )  # fmt: skip
        names = [self.names[k] for k in which]
        return [dict(zip(names, one, strict=True)) for one in found]

    def _row(self, k: int) -> Floats:
        if k not in self.ready:
            self.ready[k] = spill(_row(self.track, self.names[k], self.turns[k]))
        return self.ready[k]


def _batches(held: Indices, counts: Indices, channels: int) -> Iterator[Indices]:
    """The stretches in portions of at most BATCH samples of all channels together, one at least; none of no channel."""
    begin, total = 0, 0
    for n, k in enumerate(held if channels else ()):
        if total and (total + counts[k]) * channels > BATCH:
            yield held[begin:n]
            begin, total = n, 0
        total += int(counts[k])
    if total:
        yield held[begin:]


def _turn(column: Column) -> float:
    """A whole turn in the column's unit; NaN for a channel that is no angle going round."""
    entry = meaning_of(column.name)
    if entry is None or entry.reduction != "circular":
        return NAN
    return 360.0 if column.unit == "deg" else 2 * np.pi


def _row(track: Track, name: str, turn: float) -> Floats:
    if name in SLOW_CHANNELS:
        return spikeless(track, name)
    values = np.asarray(track.columns[name].values, dtype=np.float64)
    return unwrap(values, turn) if np.isfinite(turn) else values
