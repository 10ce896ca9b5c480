"""Signals as the clock comparison needs them: gap-aware, unwrapped, in comparable units.

A `Signal` is one channel (or the position, as two) of one track. Values between samples are by a
straight line, never across a gap; NaN stands where the recorder says nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ...shared.circle import unwrap
from ...shared.frame import gap_limit_s
from ...shared.on_change import is_on_change, stamp_step_s
from ...shared.recording import Floats, Track
from ...shared.vocabulary import meaning_of

METRES_PER_DEGREE = 111_195.0  # mean Earth radius 6371 km; only differences between near points matter
MOVING_M_S = 5.0  # a receiver's course below this speed is noise (common practice, no source)

POSITION = "position"


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Where times lie between the samples of a signal: the same for all signals on one time axis.

    inside: (n,) bool, between two samples no further apart than a gap. left: (k,) index of the sample at or
    before each time inside. share: (k, 1), how far it lies on the way to the next sample.
    """

    inside: NDArray[np.bool_]
    left: NDArray[np.intp]
    share: Floats


@dataclass(frozen=True, eq=False)
class Signal:
    """Samples of one quantity. time_s: (n,) strictly rising. values: (n, d), all finite.

    limit_s: longest step that is still not a gap. turn: period of an angle, 0 for other numbers.
    held: True for switches and words-as-numbers, which step instead of sloping.
    """

    time_s: Floats
    values: Floats
    limit_s: float
    turn: float = 0.0
    held: bool = False

    @cached_property
    def step_s(self) -> float:
        """Median time between samples, seconds."""
        return float(np.median(np.diff(self.time_s))) if len(self.time_s) > 1 else float("inf")

    @property
    def span_s(self) -> float:
        """Time from first to last sample, seconds."""
        return float(self.time_s[-1] - self.time_s[0]) if len(self.time_s) else 0.0

    def at(self, time_s: Floats) -> Floats:
        """Values at other times, shape (len(time_s), d); NaN outside and inside gaps."""
        return self.read(self.places(time_s))

    def places(self, time_s: Floats) -> Places:
        """Where other times lie between the samples."""
        left, inside = _brackets(self, time_s)
        if not inside.all():
            left, time_s = left[inside], time_s[inside]
        t0 = self.time_s[left]
        return Places(inside, left, ((time_s - t0) / (self.time_s[left + 1] - t0))[:, None])

    def read(self, places: Places) -> Floats:
        """Values at places of this time axis, shape (n, d); NaN outside and inside gaps."""
        left, share = places.left, places.share
        held = self.held
        found = self.values[left] if held else self.values[left] * (1 - share) + self.values[left + 1] * share
        if len(left) == len(places.inside):
            return found
        out = np.full((len(places.inside), self.values.shape[1]), np.nan)
        out[places.inside] = found
        return out

    def slopes(self) -> Signal:
        """Time derivative by central differences over at least two seconds, as a Signal."""
        width = max(1, round(1.0 / self.step_s)) if np.isfinite(self.step_s) else 1
        span = np.maximum(_across(self.time_s, width), 1e-9)[:, None]
        values = _across(self.values, width) / span
        values[span[:, 0] > 2 * width * self.limit_s] = 0.0
        slopes = Signal(self.time_s, values, self.limit_s)
        slopes.__dict__["step_s"] = self.step_s
        return slopes


def _across(values: Floats, width: int) -> Floats:
    """Every sample's value `width` samples later less that as many sooner, or as many as there are."""
    width = max(0, min(width, len(values) - 1))
    first, last = values[:1].repeat(width, axis=0), values[-1:].repeat(width, axis=0)
    return np.asarray(np.concatenate([values[width:], last]) - np.concatenate([first, values[: len(values) - width]]))


def all_finite(values: Floats) -> NDArray[np.bool_]:
    """Whether all numbers of a row are, (n, d) to (n,)."""
    finite = np.isfinite(values)
    return finite[:, 0] if values.shape[1] == 1 else np.asarray(finite.all(axis=1))


def _brackets(signal: Signal, time_s: Floats) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Index of the sample at or before each time, and whether it and the next enclose it."""
    known = signal.time_s
    left = np.searchsorted(known, time_s, side="right") - 1
    left = np.where((left == len(known) - 1) & (time_s == known[-1] if len(known) else False), left - 1, left)
    inside = (left >= 0) & (left < len(known) - 1)
    safe = np.where(inside, left, 0)
    if len(known) > 1:
        inside &= known[safe + 1] - known[safe] <= signal.limit_s
    else:
        inside &= False
    return safe, inside


def position_signal(track: Track, origin: tuple[float, float]) -> Signal | None:
    """Position in metres east and north of an origin (latitude, longitude in degrees)."""
    if not {"latitude", "longitude"} <= set(track.columns):
        return None
    latitude, longitude = track.columns["latitude"].values, track.columns["longitude"].values
    east = (longitude - origin[1] + 180.0) % 360.0 - 180.0
    scale = METRES_PER_DEGREE * np.cos(np.radians(origin[0]))
    return _clean(track, np.column_stack([east * scale, (latitude - origin[0]) * METRES_PER_DEGREE]))


def channel_signal(track: Track, name: str) -> Signal | None:
    """One numeric channel of a track as a Signal, None when absent, constant or made of words."""
    column = track.columns.get(name)
    if column is None or column.is_text:
        return None
    entry = meaning_of(name)
    values = column.values.astype(np.float64)[:, None]
    if name == "track_true" and "ground_speed" in track.columns:
        slow = ~(track.columns["ground_speed"].values > MOVING_M_S)
        values = np.where(slow[:, None], np.nan, values)
    circular = entry is not None and entry.reduction == "circular"
    held = entry is not None and entry.reduction == "last"
    signal = _clean(track, values, turn=2 * np.pi if circular else 0.0, held=held)
    if signal is not None and is_on_change(track):
        signal = _stepping(signal, stamp_step_s(track))
    if signal is None or np.ptp(signal.values) == 0.0:
        return None
    return signal


def _stepping(signal: Signal, step_s: float) -> Signal:
    """Rows on change with the old value carried to just before every row: it changed there, not half-way."""
    before = np.concatenate([signal.time_s[1:] - 2 * step_s, signal.time_s[1:] - step_s])
    held = np.concatenate([signal.values[:-1], signal.values[:-1]])
    first = np.searchsorted(signal.time_s, before, side="right") > 0
    owner = np.tile(signal.time_s[:-1], 2)
    keep = first & (before > owner)
    time_s = np.concatenate([signal.time_s, before[keep]])
    order = np.argsort(time_s, kind="stable")
    values = np.concatenate([signal.values, held[keep]])[order]
    return Signal(time_s[order], values, signal.limit_s, held=True)


def _clean(track: Track, values: Floats, *, turn: float = 0.0, held: bool = False) -> Signal | None:
    good = all_finite(values) & np.isfinite(track.time_s)
    time_s, kept = (track.time_s, values) if good.all() else (track.time_s[good], values[good])
    if len(time_s) < 4:
        return None
    rises = np.diff(time_s) > 0
    if not rises.all():
        first = np.concatenate([[True], rises])  # one sample a stamp: the first
        time_s, kept = time_s[first], kept[first]
    if len(time_s) < 4:
        return None
    if turn:
        kept = np.column_stack([unwrap(column, turn) for column in kept.T])
    return Signal(time_s, kept, gap_limit_s(track), turn, held)
