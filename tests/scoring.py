"""Scores found points and events against a simulated sortie's truth (tests/data/truth/*.json.gz).

A found interval matches a true segment when intersection over union is at least 0.5, or when it
covers half of the segment and 90 % of it lies in the zone where relaxed criteria hold. Unmatched
ones are false unless they lie on another kind of segment, on a steady stretch nobody meant, in a
display gap, or meet the relaxed criteria themselves. Events match within a few seconds of the
true interval. Times are epoch seconds UTC.
"""

from __future__ import annotations

import gzip
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

Truth = Mapping[str, Any]
Interval = tuple[float, float]

EVENT_TOLERANCE_S = {"liftoff": 3.0, "touchdown": 3.0}
_POWER = ("power_change", "power_to_idle", "power_from_idle")
_SPEED_COLUMNS = ("IndSpeed", "v_ind", "Airspeed Ind")


@dataclass(frozen=True, slots=True)
class Count:
    """True positives, false positives, false negatives."""

    true: int = 0
    false: int = 0
    missed: int = 0

    def __add__(self, other: Count) -> Count:
        return Count(self.true + other.true, self.false + other.false, self.missed + other.missed)

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall; 1 when there was nothing to find and nothing found."""
        total = 2 * self.true + self.false + self.missed
        return 2 * self.true / total if total else 1.0


def load_truth(path: Path) -> Truth:
    """A truth file, plain or gzipped."""
    text = gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()
    truth: Truth = json.loads(text)
    return truth


def overlap(a: Interval, b: Interval) -> float:
    """Seconds two intervals share."""
    return max(0.0, min(a[1], b[1]) - max(a[0], b[0]))


def score_points(truth: Truth, found: Sequence[Interval]) -> tuple[Count, list[tuple[Mapping[str, Any], Interval]]]:
    """Counts over glide and level segments, and the matched pairs (true segment, found interval)."""
    seen, _ = _wanted(truth)
    by_segment = _matched(seen, found)
    pairs = [(seen[i], found[j]) for i, j in sorted(by_segment.items())]
    return Count(len(pairs), len(false_points(truth, found)), len(seen) - len(pairs)), pairs


def false_points(truth: Truth, found: Sequence[Interval]) -> list[int]:
    """Places in `found` of those that match no segment and have no excuse."""
    seen, unseen = _wanted(truth)
    matched = set(_matched(seen, found).values())
    return [j for j, f in enumerate(found) if j not in matched and not _excused(truth, f, seen, unseen)]


def missed_in_longer(truth: Truth, found: Sequence[Interval]) -> list[Truth]:
    """Missed segments nine tenths of which lie in a found interval that itself meets the truth's relaxed criteria.

    The truth extends what the pilot meant by a minute at most: where the stretch stays steady it is cut there, and a
    point that goes on matches it no longer by half.
    """
    seen, _ = _wanted(truth)
    matched = _matched(seen, found)
    steady = [f for f in found if is_steady(truth, f)]
    return [
        s
        for i, s in enumerate(seen)
        if i not in matched and any(overlap(_span(s), f) >= 0.9 * (s["end"] - s["start"]) for f in steady)
    ]


def _wanted(truth: Truth) -> tuple[list[Truth], list[Truth]]:
    """Glide and level segments that the display shows, and those that lie in its gaps."""
    gaps = _display_gaps(truth)
    wanted = [s for s in truth["segments"] if s["kind"] in ("glide", "level")]
    unseen = [s for s in wanted if _share(_span(s), gaps) > 0.3]
    return [s for s in wanted if s not in unseen], unseen


def _matched(seen: Sequence[Truth], found: Sequence[Interval]) -> dict[int, int]:
    """Place of each matched segment to that of its interval, those that overlap best first."""
    ranked = sorted(
        ((_union_share(_span(s), f), i, j) for i, s in enumerate(seen) for j, f in enumerate(found)), reverse=True
    )
    out: dict[int, int] = {}
    for value, i, j in ranked:
        if value > 0 and i not in out and j not in out.values() and _matches(seen[i], found[j], value):
            out[i] = j
    return out


def score_events(truth: Truth, kind: str, found: Sequence[float]) -> Count:
    """Counts of one kind of event in flight; ground events count on neither side."""
    matched, false, missed = match_events(truth, kind, found)
    return Count(len(matched), len(false), len(missed))


def match_events(
    truth: Truth, kind: str, found: Sequence[float]
) -> tuple[list[int], list[int], list[Mapping[str, Any]]]:
    """Of one kind: places in `found` of those that match, of those that are false, and the true events missed."""
    tolerance = EVENT_TOLERANCE_S.get(kind, 4.0)
    gaps = _display_gaps(truth)
    true = [e for e in truth["events"] if (e["type"] in _POWER if kind == "power" else e["type"] == kind)]
    air = [e for e in true if not e.get("on_ground")]
    seen = [e for e in air if _share((e["start"] - 0.5, e["end"] + 0.5), gaps) < 0.5]
    ranked = sorted(
        (abs(t - e["start"]), i, j)
        for i, e in enumerate(seen)
        for j, t in enumerate(found)
        if e["start"] - tolerance <= t <= e["end"] + tolerance
    )
    pairs: dict[int, int] = {}
    for _, i, j in ranked:
        if i not in pairs and j not in pairs.values():
            pairs[i] = j
    forgiven = [e for e in true if e not in seen] + (air if kind in ("power", "rpm_command") else [])
    false = [
        j
        for j, t in enumerate(found)
        if j not in pairs.values() and not any(e["start"] - tolerance <= t <= e["end"] + tolerance for e in forgiven)
    ]
    return sorted(pairs.values()), false, [e for i, e in enumerate(seen) if i not in pairs]


def _span(segment: Mapping[str, Any]) -> Interval:
    return float(segment["start"]), float(segment["end"])


def _union_share(a: Interval, b: Interval) -> float:
    return overlap(a, b) / (max(a[1], b[1]) - min(a[0], b[0]))


def _share(span: Interval, others: Sequence[Interval]) -> float:
    return sum(overlap(span, o) for o in others) / max(span[1] - span[0], 1e-9)


def _matches(segment: Mapping[str, Any], found: Interval, union_share: float) -> bool:
    zone = (segment["outer_start"], segment["outer_end"])
    inside = overlap(zone, found) / (found[1] - found[0]) >= 0.9
    covers = overlap(_span(segment), found) / (segment["end"] - segment["start"]) >= 0.5
    return union_share >= 0.5 or (inside and covers)


def _display_gaps(truth: Truth) -> list[Interval]:
    kinds = ("dropout", "power_cycle", "late_start")
    return [
        (f["start"], f["end"])
        for f in truth["faults"]
        if f["recorder"] == "display"
        and (f["kind"] in kinds or (f["kind"] == "stuck" and f["column"] in _SPEED_COLUMNS))
    ]


def _excused(truth: Truth, found: Interval, seen: Sequence[Truth], unseen: Sequence[Truth]) -> bool:
    length = found[1] - found[0]
    if any(overlap(found, _span(s)) / length >= 0.5 for s in seen):
        return False
    other = [s for s in truth["segments"] if s["kind"] not in ("glide", "level")]
    return (
        any(overlap(found, _span(s)) / length >= 0.3 for s in unseen)
        or any(overlap(found, _span(s)) / length >= 0.5 for s in other)
        or sum(overlap(found, _span(s)) for s in truth["incidental_steady"]) / length >= 0.5
        or is_steady(truth, found)
    )


def is_steady(truth: Truth, found: Interval) -> bool:
    """Whether the interval meets the relaxed criteria itself: then it is no error to report it."""
    series, limits = truth["series"], truth["criteria_relaxed"]
    first = series["t0"] + series["t"][0]
    a = max(0, math.ceil(found[0] - first))
    b = min(len(series["t"]), math.floor(found[1] - first) + 1)
    if b - a < 12:
        return False
    window = {k: np.array(v[a:b], dtype=float) for k, v in series.items() if k not in ("t", "t0")}
    if window["moving"].any() or not window["airborne"].all():
        return False
    for name, limit in (("gear", 0.01), ("flap", 0.01), ("throttle", limits["lever"]), ("rpm_lever", limits["lever"])):
        if np.ptp(window[name]) > limit:
            return False
    speed = window["kcas_3s"]
    trend = abs(float(np.polyfit(np.arange(b - a), speed, 1)[0]))
    climb = window["vs_fpm_5s"]
    return bool(
        np.abs(speed - speed.mean()).max() <= limits["cas_band_kt"]
        and trend <= limits["cas_trend_kt_s"]
        and trend * (b - a) <= limits["cas_drift_kt"]
        and np.abs(window["bank_3s"]).max() <= limits["bank_deg"]
        and np.ptp(window["heading_unwrapped"]) <= limits["heading_deg"]
        and climb.std() <= max(limits["vs_std_fpm"], limits["vs_rel"] * abs(climb.mean()))
    )
