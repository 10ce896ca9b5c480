"""The best statement about one recorder's clock that one other recorder allows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...shared.recording import Track
from .line import ClockLine
from .series import POSITION, Signal, channel_signal, position_signal
from .shared_channel import Comparison, coarse_shift, fine_shift


# Quantities two recorders may both hold, the surest first. floor_s allows for what two instruments
# of this kind lag differently: receivers 0.1 s, static and pitot lines some tenths, vertical-speed
# indicators 6-9 s, temperature probes many seconds (common practice, no source but TRD-8's lag).
@dataclass(frozen=True, slots=True)
class Shared:
    """One quantity: the channels that show it, in order of preference, and how it is compared."""

    channels: tuple[str, ...]
    how: Comparison


def _shared(*channels: str, floor_s: float, bias: bool = True, wander: float = 0.1) -> Shared:
    return Shared(channels, Comparison(bias=bias, floor_s=floor_s, wander=wander))


SHARED: tuple[Shared, ...] = (
    _shared(POSITION, floor_s=0.08, bias=False),
    _shared("ground_speed", floor_s=0.1, bias=False),
    _shared("track_true", floor_s=0.1, bias=False),
    _shared("normal_load_factor", floor_s=0.05),
    _shared("pitch", floor_s=0.05),
    _shared("bank", floor_s=0.05),
    _shared("engine_speed", floor_s=0.15),
    _shared("propeller_speed", floor_s=0.15),
    _shared("manifold_pressure", floor_s=0.15),
    _shared("power_lever", floor_s=0.15),
    _shared("indicated_airspeed", "calibrated_airspeed", floor_s=0.2),
    _shared("recorded_true_airspeed", "true_airspeed", floor_s=0.3),
    _shared("gnss_altitude", "gnss_unnamed_altitude", "gnss_ellipsoid_altitude", floor_s=0.15),
    _shared("pressure_altitude", "baro_altitude", "unnamed_altitude", floor_s=0.2),
    _shared("static_pressure", floor_s=0.2),
    _shared("impact_pressure", floor_s=0.2),
    _shared("heading_magnetic", "heading_true", "unnamed_heading", floor_s=0.2),
    _shared("turn_rate", floor_s=0.2),
    _shared("flap_position", "flap_angle", floor_s=0.2),
    _shared("gear_position", floor_s=0.2),
    _shared("gear_lever", floor_s=0.1, bias=False),
    _shared("gear_down_locked", floor_s=0.1, bias=False),
    _shared("gear_up_locked", floor_s=0.1, bias=False),
    _shared("weight_on_wheels", floor_s=0.1, bias=False),
    _shared("stall_warning", floor_s=0.1, bias=False),
    _shared("flap_detent", floor_s=0.1, bias=False),
    _shared("fuel_flow", floor_s=1.0, wander=0.5),
    _shared("vertical_speed", floor_s=3.0, wander=0.5),
    _shared("outside_air_temperature", floor_s=6.0, wander=0.5),
)


@dataclass(frozen=True, slots=True)
class Estimate:
    """One statement about a clock. line: relative to the reference track. floor_s: see Comparison.

    from_shared: a quantity both recorders hold was compared, not the airframe's response.
    """

    line: ClockLine
    floor_s: float
    reference: str
    channel: str
    evidence: str
    from_shared: bool = False

    @property
    def uncertainty_s(self) -> float:
        """One standard deviation of the offset, lags allowed for."""
        return float(np.hypot(self.line.uncertainty_s, self.floor_s))

    def widened(self, more_s: float) -> Estimate:
        """The same with this much more uncertainty (one standard deviation)."""
        return replace(self, floor_s=float(np.hypot(self.floor_s, more_s)))


def compare_shared(own: Track, reference: Track, starts: Sequence[float] = ()) -> Estimate | None:
    """Clock of `own` against `reference` from the quantities both hold; None when none decides.

    starts: shifts to try before the whole range is searched.
    """
    pairs = shared_signals(own, reference)
    start_s = _start(pairs, starts) if starts else None
    if start_s is None:
        start_s = _start(pairs, ())
    if start_s is None:
        return None
    found: list[Estimate] = []
    for pair in pairs:
        fine = fine_shift(pair.own, pair.reference, pair.how, start_s)
        if fine is not None:
            evidence = f"{pair.name.replace('_', ' ')} in {fine[0].windows} windows"
            found.append(Estimate(fine[0], pair.how.floor_s, reference.name, pair.name, evidence, from_shared=True))
    return _settle(found)


def _start(pairs: Sequence[Pair], starts: Sequence[float]) -> float | None:
    for pair in pairs:
        start_s = coarse_shift(pair.own, pair.reference, pair.how, starts)
        if start_s is not None:
            return start_s
    return None


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """One quantity in two tracks, and how it is compared."""

    name: str
    own: Signal
    reference: Signal
    how: Comparison


def shared_signals(own: Track, reference: Track) -> list[Pair]:
    """Every quantity both tracks hold, the surest first."""
    pairs: list[Pair] = []
    origin = _origin(reference)
    for shared in SHARED:
        if shared.channels == (POSITION,):
            first = position_signal(own, origin) if origin else None
            second = position_signal(reference, origin) if origin else None
            name = POSITION
        else:
            mine = [n for n in shared.channels if n in own.columns]
            theirs = [n for n in shared.channels if n in reference.columns]
            if not mine or not theirs:
                continue
            name = next((n for n in mine if n in theirs), mine[0])
            first = channel_signal(own, name)
            second = channel_signal(reference, name if name in theirs else theirs[0])
        if first is not None and second is not None:
            pairs.append(Pair(name, first, second, shared.how))
    return pairs


def _origin(track: Track) -> tuple[float, float] | None:
    if not {"latitude", "longitude"} <= set(track.columns):
        return None
    latitude, longitude = track.columns["latitude"].values, track.columns["longitude"].values
    good = np.isfinite(latitude) & np.isfinite(longitude)
    return (float(np.median(latitude[good])), float(longitude[good][0])) if good.any() else None


def _settle(found: Sequence[Estimate]) -> Estimate | None:
    """The surest estimate; what the others say is told, and widens it where they disagree."""
    if not found:
        return None
    best = min(found, key=lambda e: e.uncertainty_s)
    others = [e for e in found if e is not best]
    widest = 0.0
    words = []
    for other in others:
        gap = _gap_s(best, other)
        if abs(gap) > 3 * np.hypot(best.uncertainty_s, other.uncertainty_s):
            words.append(f"{other.channel.replace('_', ' ')} says {gap:+.2f} s more")
            widest = max(widest, min(abs(gap) / 2, 2.0)) if other.floor_s < 1.0 else widest
    agree = len(others) - len(words)
    evidence = best.evidence + (f", {agree} more agree" if agree else "") + ("; " + "; ".join(words) if words else "")
    return replace(best, floor_s=float(np.hypot(best.floor_s, widest)), evidence=evidence)


def _gap_s(best: Estimate, other: Estimate) -> float:
    """How much more offset `other` states than `best`, where the other is best known."""
    at = np.array([other.line.middle_s])
    return float((other.line.error_at(at) - best.line.error_at(at))[0])
