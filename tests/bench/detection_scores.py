"""What one sortie of a programme scores against its truth: points, events, near misses, errors and bands."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from tests.near_misses import Candidate, judge_near_misses
from tests.scoring import (
    Count,
    Interval,
    Truth,
    false_points,
    is_steady,
    match_events,
    missed_in_longer,
    overlap,
    score_points,
)
from trimshot.store.programme import Programme

KNOT, FOOT_A_MINUTE, G = 0.514444, 0.00508, 9.80665
KINDS = ("gear_up", "gear_down", "flap_change", "power", "rpm_command", "liftoff", "touchdown", "stall_onset")
TOLD = {"gear_up": "gear", "gear_down": "gear", "flap_change": "flap"}
FAR_EDGE_S = 4.0
LITTLE_INHG, TOGETHER_S, SLOW_S = 0.9, 10.0, 8.0
STOP_SHARE, LEVER_MOVED = 0.985, 0.03  # of the speed commanded, of the lever's way
MEANS = ("indicated_airspeed", "true_airspeed", "sink_rate", "geometric_climb_rate")


@dataclass
class Scores:
    """Sums over sorties. errors: (kind of point, channel, against what, unit) -> (error, standard error) pairs;
    longer: missed points that lie in a longer one which is steady by the truth's relaxed criteria;
    told: (gear or flap, confidence) -> whether right; near: (why, answer) -> how often; unseen: missed power events by why; rpm: missed and false rpm commands by why; remarks: misses in words."""

    sorties: int = 0
    rough_sorties: int = 0
    points: Count = field(default_factory=Count)
    longer: int = 0
    rough: Count = field(default_factory=Count)
    starts: list[float] = field(default_factory=list)
    ends: list[float] = field(default_factory=list)
    errors: dict[tuple[str, str, str, str], list[tuple[float, float]]] = field(default_factory=dict)
    events: dict[str, Count] = field(default_factory=dict)
    told: dict[tuple[str, float], list[bool]] = field(default_factory=dict)
    near: dict[tuple[str, str], int] = field(default_factory=dict)
    unseen: dict[str, int] = field(default_factory=dict)
    rpm: dict[str, int] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)

    def __add__(self, other: Scores) -> Scores:
        return Scores(
            self.sorties + other.sorties,
            self.rough_sorties + other.rough_sorties,
            self.points + other.points,
            self.longer + other.longer,
            self.rough + other.rough,
            [*self.starts, *other.starts],
            [*self.ends, *other.ends],
            {k: [*self.errors.get(k, []), *other.errors.get(k, [])] for k in {**self.errors, **other.errors}},
            {k: self.events.get(k, Count()) + other.events.get(k, Count()) for k in {**self.events, **other.events}},
            {k: [*self.told.get(k, []), *other.told.get(k, [])] for k in {**self.told, **other.told}},
            {k: self.near.get(k, 0) + other.near.get(k, 0) for k in {**self.near, **other.near}},
            {k: self.unseen.get(k, 0) + other.unseen.get(k, 0) for k in {**self.unseen, **other.unseen}},
            {k: self.rpm.get(k, 0) + other.rpm.get(k, 0) for k in {**self.rpm, **other.rpm}},
            [*self.remarks, *other.remarks],
        )


def score_sortie(programme: Programme, sortie: str, truth: Truth) -> Scores:
    """Everything one sortie scores."""
    scores = Scores(sorties=1)
    points = programme.points(sortie)
    refused = programme.points(sortie, refused=True)
    refused = refused[~refused["accepted"]]
    candidates = [
        (span, frozenset(reason["criterion"] for reason in reasons))
        for span, reasons in zip(_spans(refused), refused["reasons"], strict=True)
    ]
    chosen = points[points["kind"].isin(["glide", "level"])]
    _score_points(scores, programme, chosen, truth)
    scores.remarks += _unmatched_points(truth, points, candidates)
    _score_events(scores, programme.events(sortie), truth)
    for near, answer in judge_near_misses(truth, _spans(points), candidates):
        if answer == "accepted" and _in_steady_point(truth, near, _spans(points)):
            answer = "in a point steady by relaxed criteria"
        key = (near["why"], answer)
        scores.near[key] = scores.near.get(key, 0) + 1
        if answer != "right":
            scores.remarks.append(f"{sortie} near miss {_when(truth, near)} {near['why']}: {answer}")
    return scores


def _score_points(scores: Scores, programme: Programme, points: pd.DataFrame, truth: Truth) -> None:
    spans = _spans(points)
    count, pairs = score_points(truth, spans)
    scores.points, scores.longer = count, len(missed_in_longer(truth, spans))
    if truth["kind"] == "cross_country":
        scores.rough, scores.rough_sorties = count, 1
    for segment, found in pairs:
        if segment["start_edge"]["sharp"]:
            scores.starts.append(abs(found[0] - segment["start"]))
        if segment["end_edge"]["sharp"]:
            scores.ends.append(abs(found[1] - segment["end"]))
    matched = {found: segment for segment, found in pairs}
    statistics = programme.statistics(truth["sortie"])
    statistics = statistics[statistics["accepted"] & statistics["channel"].isin(MEANS)]
    errors = defaultdict(list, scores.errors)
    for number, kind, span in zip(points["number"], points["kind"], spans, strict=True):
        rows = statistics[statistics["number"] == number].set_index("channel")
        for channel, against, unit, true in _true_means(truth, span, matched.get(span)):
            if channel in rows.index and math.isfinite(true):
                scale = KNOT if unit == "kt" else FOOT_A_MINUTE
                mean, sigma = (float(rows.loc[channel, c]) / scale for c in ("mean", "standard_error"))
                errors[(kind, channel, against, unit)].append((mean - true, sigma))
    scores.errors = dict(errors)


def _unmatched_points(truth: Truth, points: pd.DataFrame, refused: Sequence[Candidate]) -> Iterator[str]:
    """Every true point missed, with what was found or refused there, every false one, and ends far from a sharp edge."""
    judged = _spans(points[points["kind"].isin(["glide", "level"])])
    _, pairs = score_points(truth, judged)
    found = list(zip(_spans(points), points["kind"], strict=True))
    sortie, zero = truth["sortie"], truth["start"]

    def told(span: Interval) -> str:
        here = [f"{kind} {_seconds(truth, s)}" for s, kind in found if overlap(span, s) > 0]
        here += [
            f"refused {_seconds(truth, s)} {'+'.join(sorted(why))}" for s, why in refused if overlap(span, s) > 3.0
        ]
        return "; ".join(here) or "nothing there"

    for segment in truth["segments"]:
        if segment["kind"] in ("glide", "level") and not any(segment is s for s, _ in pairs):
            edges = "/".join(str(segment[f"{e}_edge"]["why"]) for e in ("start", "end"))
            yield f"{sortie} point missed {segment['kind']} {_when(truth, segment)} ({edges}): {told(_span(segment))}"
    for k in false_points(truth, judged):
        yield f"{sortie} point false {_seconds(truth, judged[k])}: {_true_there(truth, judged[k])}"
    for segment, span in pairs:
        for edge, at in (("start", span[0]), ("end", span[1])):
            if segment[f"{edge}_edge"]["sharp"] and abs(at - segment[edge]) > FAR_EDGE_S:
                why = segment[f"{edge}_edge"]["why"]
                yield (
                    f"{sortie} {segment['kind']} {edge} {at - segment[edge]:+.1f} s of {segment[edge] - zero:.0f} s "
                    f"({why}): {told((at - 6, at + 6))}"
                )


def _true_there(truth: Truth, span: Interval) -> str:
    kinds = ("segments", "near_misses", "manoeuvres", "arguable_points", "incidental_steady")
    here = [(kind, e) for kind in kinds for e in truth.get(kind, ()) if overlap(span, _span(e)) > 0]
    return "; ".join(f"{kind} {e.get('why', e.get('kind', ''))} {_when(truth, e)}" for kind, e in here) or "nothing"


def _seconds(truth: Truth, span: Interval) -> str:
    return f"{span[0] - truth['start']:.0f}-{span[1] - truth['start']:.0f} s"


def _span(e: Truth) -> Interval:
    return float(e["start"]), float(e["end"])


def _true_means(truth: Truth, span: Interval, segment: Truth | None) -> Iterator[tuple[str, str, str, float]]:
    """(channel, against what, unit, true mean): over the point's own time, and of the true segment it matches."""
    series = truth["series"]
    first = series["t0"] + series["t"][0]
    i = max(0, math.ceil(span[0] - first))
    j = min(len(series["t"]) - 1, math.floor(span[1] - first))
    if j - i >= 2:
        own = "own time"
        yield "indicated_airspeed", own, "kt", float(np.mean(series["kias"][i : j + 1]))
        yield "true_airspeed", own, "kt", float(np.mean(series["ktas"][i : j + 1]))
        climbed = (series["h_geom_ft"][j] - series["h_geom_ft"][i]) / (j - i) * 60
        speeds = [series["ktas"][k] * KNOT for k in (i, j)]
        energy = (speeds[1] ** 2 - speeds[0] ** 2) / (2 * G * (j - i)) / FOOT_A_MINUTE
        yield "geometric_climb_rate", own, "ft/min", climbed
        yield "sink_rate", own, "ft/min", -climbed - energy
    if segment is not None:
        true = segment["true"]
        yield "indicated_airspeed", "segment", "kt", true["kias_true_position_error_only"]
        yield "sink_rate", "segment, still air", "ft/min", true["sink_through_air_energy_corrected_fpm"]
        # the truth's own correction takes the airspeed's fitted slope; of energy only what it is at the ends counts
        yield "sink_rate", "segment, still air, energy at its ends", "ft/min", _still_air_sink(truth, segment)


def _still_air_sink(truth: Truth, segment: Truth) -> float:
    """Sink through the air over the segment less what the airspeeds at its two ends say of energy [ft/min]."""
    series = truth["series"]
    seconds = np.array(series["t"]) + series["t0"]
    first, last = np.interp([segment["start"], segment["end"]], seconds, np.array(series["ktas"]) * KNOT)
    rate = (last**2 - first**2) / (2 * G * (segment["end"] - segment["start"]))
    return float(segment["true"]["sink_through_air_fpm"] - rate / FOOT_A_MINUTE)


def _score_events(scores: Scores, events: pd.DataFrame, truth: Truth) -> None:
    recorded = "discretes" in truth["recorders"]
    for kind in KINDS:
        chosen = events[events["kind"].str.startswith("power_") if kind == "power" else events["kind"] == kind]
        times = [t.timestamp() for t in chosen["time_utc"]]
        matched, false, missed = match_events(truth, kind, times)
        name = TOLD.get(kind, kind)
        for event in missed if kind == "power" else ():
            why = _why_unseen(truth, event)
            scores.unseen[why] = scores.unseen.get(why, 0) + 1
        if kind == "rpm_command":
            for why in (*_why_rpm_missed(truth, missed, chosen), *_why_rpm_false(truth, missed, chosen.iloc[false])):
                scores.rpm[why] = scores.rpm.get(why, 0) + 1
        if kind in TOLD:
            pitch = "" if truth["aircraft"].startswith("s") or kind != "flap_change" else ", fixed pitch"
            name += ", recorded" if recorded else f", told{pitch}"
            if not recorded:
                for j, confidence in enumerate(chosen["confidence"]):
                    scores.told.setdefault((TOLD[kind], round(float(confidence), 1)), []).append(j not in false)
        scores.events[name] = scores.events.get(name, Count()) + Count(len(matched), len(false), len(missed))
        scores.remarks += [f"{truth['sortie']} {name}: missed {kind} {_when(truth, e)} {_facts(e)}" for e in missed]
        scores.remarks += [f"{truth['sortie']} {name}: false {kind} {times[j] - truth['start']:.0f} s" for j in false]


def _why_unseen(truth: Truth, event: Truth) -> str:
    """What is particular of a power event that was missed: how little the pressure moved, or that another is near."""
    if abs(event["map_after"] - event["map_before"]) < LITTLE_INHG:
        return f"manifold pressure changes by less than {LITTLE_INHG} inHg"
    power = [e for e in truth["events"] if e["type"].startswith("power_") and e is not event]
    if any(abs(e["start"] - event["start"]) < TOGETHER_S for e in power):
        return f"another within {TOGETHER_S:.0f} s"
    return "slower than 8 s" if event["end"] - event["start"] > SLOW_S else "other"


def _why_rpm_missed(truth: Truth, missed: Sequence[Truth], told: pd.DataFrame) -> Iterator[str]:
    """What is particular of every rpm command missed: told later, or what the propeller did when the lever moved."""
    for event in missed:
        held = [
            event[f"rpm_{at}"] > STOP_SHARE * event[f"{to}_rpm_cmd"] for at, to in (("before", "from"), ("after", "to"))
        ]
        if any(_within(event, row) for row in told.itertuples()):
            yield "missed: told at another time, within its stated uncertainty"
        elif not any(held):
            yield "missed: propeller on its fine stop before and after"
        elif not held[1]:
            yield "missed: propeller left for its fine stop"
        else:
            yield "missed: other"


def _why_rpm_false(truth: Truth, missed: Sequence[Truth], false: pd.DataFrame) -> Iterator[str]:
    """What is particular of every false rpm command: a missed one at another time, a small move of the lever, or nothing."""
    series = truth["series"]
    seconds, lever = np.array(series["t"]) + series["t0"], np.array(series["rpm_lever"], dtype=float)
    for row in false.itertuples():
        at = row.time_utc.timestamp()
        near = lever[np.abs(seconds - at) <= 5.0]
        if any(_within(event, row) for event in missed):
            yield "false: a missed one, within its stated uncertainty"
        elif len(near) and np.ptp(near) > LEVER_MOVED:
            yield "false: the lever moved by less than the truth counts"
        else:
            yield "false: other"


def _in_steady_point(truth: Truth, near: Truth, points: Sequence[Interval]) -> bool:
    """Whether the points that cover half of a near miss meet the truth's relaxed criteria from end to end themselves."""
    half = 0.5 * (near["end"] - near["start"])
    return all(is_steady(truth, point) for point in points if overlap(_span(near), point) > half)


def _within(event: Truth, row: Any) -> bool:
    """Whether a true event lies within 4 s of the time told and what is stated as its uncertainty."""
    at, doubt = row.time_utc.timestamp(), float(row.uncertainty_s) + 4.0
    return bool(event["start"] - doubt <= at <= event["end"] + doubt)


def _facts(event: Truth) -> str:
    return ", ".join(f"{k} {v}" for k, v in event.items() if k not in ("start", "end", "start_iso", "end_iso", "type"))


def _when(truth: Truth, span: Truth) -> str:
    return f"{span['start'] - truth['start']:.0f}-{span['end'] - truth['start']:.0f} s"


def _spans(points: pd.DataFrame) -> Sequence[Interval]:
    return [(a.timestamp(), b.timestamp()) for a, b in zip(points["start_utc"], points["stop_utc"], strict=True)]
