"""Samples for pictures: a window of a sortie, thinned to what can be seen, drop-outs as nulls.

The channels looked at last are held in memory, by the frame file they came from: zooming reads nothing.
"""

from __future__ import annotations

import json
import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ...shared.errors import ChannelError
from ...store.places import frame_file
from ..display import shown
from ..thinning import thin

if TYPE_CHECKING:
    from ...shared.settings import Settings
    from ...store.programme import Programme

Floats = NDArray[np.float64]
_SORTIES = 12
_MOST_BUCKETS = 4000


@dataclass(slots=True)
class Held:
    """A sortie's clock and the channels read so far, SI."""

    stamp: tuple[int, int]
    time_s: Floats
    gap_s: float
    channels: dict[str, Floats] = field(default_factory=dict)


class Histories:
    """The sorties looked at last."""

    def __init__(self) -> None:
        self._held: OrderedDict[str, Held] = OrderedDict()
        self._lock = threading.Lock()

    def hold(self, programme: Programme, sortie: str, channels: list[str]) -> Held:
        """The sortie with these channels in memory. Raises ChannelError, UnknownSortieError."""
        with self._lock:
            held = self._current(programme, sortie)
            missing = [name for name in channels if held is None or name not in held.channels]
            if held is None or missing:
                stamp = _stamp(programme, sortie)  # before reading: what changes meanwhile is read again next time
                samples = programme.samples(sortie, missing)
                numbers = {name: _numbers(samples[name], name) for name in missing}
                if held is None:
                    held = self._held[sortie] = Held(stamp, samples["t"].to_numpy(float), _gap_limit(samples))
                held.channels |= numbers
            self._held.move_to_end(sortie)
            while len(self._held) > _SORTIES:
                self._held.popitem(last=False)
            return held

    def _current(self, programme: Programme, sortie: str) -> Held | None:
        held = self._held.get(sortie)
        if held is not None and held.stamp != _stamp(programme, sortie):
            del self._held[sortie]
            return None
        return held


def window_of(
    held: Held, channels: list[str], settings: Settings, *, span: tuple[float, float], buckets: int
) -> dict[str, Any]:
    """{"t": seconds since the sortie's start, "channels": {name: values in display units}}, gaps and drop-outs None.

    One sample beyond each end of the span, so that lines run out of the picture.
    """
    when, values = _samples(held, channels, settings, span=span, buckets=buckets)
    return {"t": np.round(when, 3).tolist(), "channels": {name: _rounded(values[name]) for name in channels}}


def bytes_of_window(
    held: Held, channels: list[str], settings: Settings, *, span: tuple[float, float], buckets: int
) -> bytes:
    """The same samples as little-endian numbers without separators, for pictures that are zoomed: n times of 8 bytes,
    then n values of 4 bytes per channel in the order asked, NaN for a gap or drop-out."""
    when, values = _samples(held, channels, settings, span=span, buckets=buckets)
    return b"".join((when.astype("<f8").tobytes(), *(values[name].astype("<f4").tobytes() for name in channels)))


def _samples(
    held: Held, channels: list[str], settings: Settings, *, span: tuple[float, float], buckets: int
) -> tuple[Floats, dict[str, Floats]]:
    """Times and values in display units, thinned; a row of NaN in every gap."""
    first, last = np.searchsorted(held.time_s, span)
    rows = slice(max(0, int(first) - 1), int(last) + 1)
    time_s = held.time_s[rows]
    if not len(time_s):
        return time_s, dict.fromkeys(channels, time_s)
    most = max(10, min(buckets, _MOST_BUCKETS))
    when, thinned = thin(time_s, {name: held.channels[name][rows] for name in channels}, buckets=most, gap_s=held.gap_s)
    return when, {name: np.asarray(shown(thinned[name], name, settings)) for name in channels}  # type: ignore[arg-type]


def text_of(window: dict[str, Any]) -> str:
    """The window as JSON text: what json would write, NaN as null."""
    return json.dumps(window, separators=(",", ":")).replace("NaN", "null")


def _rounded(values: Floats) -> list[float]:
    """Six significant digits: more than any picture shows, less than half the text."""
    known = np.isfinite(values)
    size = np.zeros(len(values))
    with np.errstate(divide="ignore"):
        size[known] = np.floor(np.log10(np.maximum(np.abs(values[known]), 1e-9)))
    scale = 10.0 ** (5 - (float(size[known].max()) if known.any() else 0.0))
    return (np.where(known, np.round(values * scale) / scale, np.nan)).tolist()  # type: ignore[no-any-return]


def _numbers(column: Any, name: str) -> Floats:
    try:
        return np.asarray(column.to_numpy(float))
    except (TypeError, ValueError):
        raise ChannelError("the channel holds words, which have no curve", found=name) from None


def _stamp(programme: Programme, sortie: str) -> tuple[int, int]:
    try:
        status = frame_file(programme.folder, sortie).stat()
    except OSError:
        return (0, 0)
    return status.st_mtime_ns, status.st_size


def _gap_limit(samples: Any) -> float:
    """Every step the store calls a gap is longer than any step it does not."""
    gaps = np.flatnonzero(np.diff(samples["gap"].to_numpy()))
    steps = np.diff(samples["t"].to_numpy(float))
    return float(steps[gaps].min()) - 1e-6 if len(gaps) else float("inf")
