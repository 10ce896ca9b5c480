"""Mean, scatter, trend and an honest standard error of channels over a stretch.

Samples of a recorder are not independent: gusts and filters tie neighbours together, so the
standard error of the mean is not the deviation over the root of the count. The number of
independent samples is the count over the integrated autocorrelation time, summed by the initial
monotone positive sequence (C. J. Geyer, Practical Markov Chain Monte Carlo, Statistical
Science 7(4), 1992, section 3.3). The recorder's resolution adds step / sqrt(12), which no
averaging of a steady value removes (JCGM 100:2008, F.2.2.1).
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from ..shared.findings import Segment, Statistic
from ..shared.recording import Column, Floats, Recording, Track
from ..shared.vocabulary import meaning_of
from .signal import SLOW_CHANNELS, Indices, spikeless, unwrap

STEP_SHARE = float(1 / np.sqrt(12.0))
NAN = float("nan")


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
    samples = values[known]
    if not len(samples):
        return Statistic(NAN, NAN, NAN, NAN, 0, unit)
    turn = 360.0 if unit == "deg" else 2 * np.pi
    if circular:
        samples = unwrap(samples, turn)
        samples = samples - turn * np.floor(samples.mean() / turn)
    return _statistics(time_s[known], samples[None, :], [step], [unit])[0]


def _statistics(
    time_s: Floats, rows: Floats, steps: list[float | None], units: list[str | None]
) -> tuple[Statistic, ...]:
    """Statistics of complete channels: rows (c, n) without missing samples, n > 0."""
    count = rows.shape[1]
    mean = rows.mean(axis=1)
    centred = rows - mean[:, None]
    square = np.einsum("ij,ij->i", centred, centred)
    place = time_s - time_s.mean()
    spread = float(place @ place)
    slope = centred @ place / spread if spread > 0 else np.full(len(rows), NAN)
    scatter = square / (count - 1) * correlation_times(centred) / count if count > 1 else np.full(len(rows), NAN)
    numbers = (mean, np.sqrt(square / count), slope, scatter, rows.min(axis=1), rows.max(axis=1))
    table = zip(*(column.tolist() for column in numbers), steps, units, strict=True)
    return tuple(
        Statistic(middle, deviation, trend, _standard_error(part, step), count, unit, low, high)
        for middle, deviation, trend, part, low, high, step, unit in table
    )


def _standard_error(scatter: float, step: float | None) -> float:
    if step is None:
        return float(np.sqrt(scatter))
    resolution = (step * STEP_SHARE) ** 2
    return float(np.sqrt(resolution + (scatter if np.isfinite(scatter) else 0.0)))


def correlation_times(rows: Floats) -> Floats:
    """Integrated autocorrelation time in samples of each row (c, n): at least 1, at most n.

    1 + 2 x the sum of the autocorrelations, summed in adjacent pairs while the pairs stay positive
    and not rising, by one Fourier transform. 1 for a row that does not vary.
    """
    channels, n = rows.shape
    centred = rows - rows.mean(axis=1, keepdims=True)
    power = np.einsum("ij,ij->i", centred, centred)
    varies = power > 1e-24 * np.maximum(np.einsum("ij,ij->i", rows, rows), 1e-300)
    if n < 4 or not varies.any():
        return np.ones(channels)
    size = _transform_size(2 * n - 1)
    spectrum = np.fft.rfft(centred, size, axis=1)
    covariance = np.fft.irfft(spectrum.real**2 + spectrum.imag**2, size, axis=1)[:, :n]
    correlation = covariance / np.where(varies, power, 1.0)[:, None]
    pairs = correlation[:, 0 : n - 1 : 2] + correlation[:, 1:n:2]
    positive = np.cumprod(pairs > 0, axis=1)
    total = (np.minimum.accumulate(pairs, axis=1) * positive).sum(axis=1)
    return np.where(varies, np.clip(2 * total - 1, 1.0, n), 1.0)


def _transform_size(least: int) -> int:
    """The smallest 2^a or 3 x 2^a at or above `least`: both are fast, and half as much is wasted."""
    power = 1 << (least - 1).bit_length()
    return 3 * power // 4 if 3 * power // 4 >= least else power


class SegmentStatistics:
    """Statistics of any segment of one recording, from each recorder's rows at its own rate.

    Of a channel that several recorders hold the main one's is taken. Isolated samples that a slow
    channel cannot have produced are left out, as everywhere in detection. A channel without any
    sample in the segment is left out.
    """

    def __init__(self, recording: Recording, channels: Iterable[str] | None = None) -> None:
        wanted = recording.channels() if channels is None else tuple(channels)
        by_track: dict[str, list[str]] = {}
        for name in wanted:
            holder = _holder(recording, name)
            if holder is not None and meaning_of(name) is not None and not holder.columns[name].is_text:
                by_track.setdefault(holder.name, []).append(name)
        self._blocks = [_Block(recording.track(track), names) for track, names in by_track.items()]

    def over(self, segment: Segment) -> dict[str, Statistic]:
        """Channel -> statistic over [start_s, stop_s), channels in alphabetical order."""
        found: dict[str, Statistic] = {}
        for block in self._blocks:
            found |= block.over(segment)
        return dict(sorted(found.items()))


def _holder(recording: Recording, name: str) -> Track | None:
    """The track a channel is read from; the order of several costs a median each, so only then asked for."""
    having = [track for track in recording.tracks if name in track.columns]
    return recording.holders(name)[0] if len(having) > 1 else next(iter(having), None)


class _Block:
    """The numeric channels of one track, as rows; angles without jumps."""

    def __init__(self, track: Track, names: list[str]) -> None:
        self.names = names
        self.time_s = track.time_s
        self.columns: list[Column] = [track.columns[n] for n in names]
        self.turns = np.array([_turn(column) for column in self.columns])
        self.rows: Floats = np.stack([_row(track, n, turn) for n, turn in zip(names, self.turns, strict=True)])
        self.known = np.isfinite(self.rows)

    def over(self, segment: Segment) -> dict[str, Statistic]:
        first, stop = np.searchsorted(self.time_s, (segment.start_s, segment.stop_s))
        if stop <= first:
            return {}
        times, rows, known = self.time_s[first:stop], self.rows[:, first:stop], self.known[:, first:stop]
        full = known.all(axis=1)
        whole = np.flatnonzero(full)
        out = self._measure(times, rows[whole], whole) if len(whole) else {}
        for k in np.flatnonzero(~full & known.any(axis=1)):
            out |= self._measure(times[known[k]], rows[k, known[k]][None, :], np.array([k]))
        return out

    def _measure(self, times: Floats, rows: Floats, which: Indices) -> dict[str, Statistic]:
        turns = self.turns[which]
        angular = np.isfinite(turns)
        if angular.any():  # the mean within one turn
            rows = rows.copy()
            rows[angular] -= (turns[angular] * np.floor(rows[angular].mean(axis=1) / turns[angular]))[:, None]
        columns = [self.columns[k] for k in which]
        found = _statistics(times, rows, [c.step for c in columns], [c.unit for c in columns])
        return {self.names[k]: one for k, one in zip(which, found, strict=True)}


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
