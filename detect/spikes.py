"""Samples a slow channel cannot have measured: single ones far off the median of their neighbours."""

from __future__ import annotations

import numpy as np

from ..shared.recording import Floats, Track

_BLOCK = 1 << 14


# what the resolution of a display or a gust may do to one sample, SI: no fault; common practice, no source
LEAST_AIRSPEED, LEAST_ALTITUDE, LEAST_TEMPERATURE = 1.1, 8.0, 1.5


def despike(values: Floats, width: int = 5, factor: float = 8.0, *, least: float = 0.0) -> Floats:
    """The samples, with those far off the median of their neighbours made missing.

    width: 3 or 5 samples. Far off: more than `factor` robust standard deviations of all such distances, and more than
    `least`: where a display writes whole knots, one knot to and fro is far off all others and no spike. A step is not
    one either: its samples agree with half of their neighbours.
    """
    if len(values) < width:
        return values.copy()
    distance = _median_of_neighbours(values, width)
    np.abs(np.subtract(values, distance, out=distance), out=distance)
    moved = distance[np.isfinite(distance) & (distance > 0)]
    scale = 1.4826 * float(np.median(moved, overwrite_input=True)) if len(moved) else 0.0
    del moved
    out = values.copy()
    with np.errstate(invalid="ignore"):
        out[distance > max(factor * scale, least, 1e-12)] = np.nan
    return out


def spikeless(track: Track, name: str) -> Floats:
    """A numeric column of a track at its own rate, samples it cannot have measured made missing."""
    values = track.columns[name].values
    if ("spikes", name) not in track.found:
        # a recorder of 1 Hz may well show a real two-second blip, so only single samples go there
        clean = despike(values, 5 if track.median_step_s < 0.4 else 3, least=least_spike(name))
        track.found["spikes", name] = np.flatnonzero(np.isnan(clean) & ~np.isnan(values))
        return clean
    out = np.array(values, dtype=np.float64)
    out[track.found["spikes", name]] = np.nan
    return out


def least_spike(channel: str) -> float:
    """What one sample of a channel must at least be off to be a spike, SI; 0 where nothing is known."""
    ends = {"airspeed": LEAST_AIRSPEED, "altitude": LEAST_ALTITUDE, "temperature": LEAST_TEMPERATURE}
    return next((least for end, least in ends.items() if channel.endswith(end)), 0.0)


def _median_of_neighbours(values: Floats, width: int) -> Floats:
    """Running median of 3 or 5 by minima and maxima: several times faster than sorting each window.

    A missing neighbour counts as the one it is compared with.
    """
    padded = np.pad(values, width // 2, mode="edge")
    out = np.empty(len(values))
    for first in range(0, len(values), _BLOCK):  # in pieces that stay in the processor's cache
        stop = min(first + _BLOCK, len(values))
        out[first:stop] = _medians(padded[first : stop + width - 1], width)
    return out


def _medians(padded: Floats, width: int) -> Floats:
    low, high = np.fmin, np.fmax
    part = [padded[k : len(padded) - width + 1 + k] for k in range(width)]
    if width == 3:
        a, b, c = part
    else:
        b = high(low(part[0], part[1]), low(part[3], part[4]))
        c = low(high(part[0], part[1]), high(part[3], part[4]))
        a = part[2]
    return np.asarray(high(low(a, b), low(high(a, b), c)))
