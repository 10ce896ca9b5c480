"""Points as found, with what people said of them laid over: nothing found is altered, and every row says who said what.

Marks are replayed in the order they were made. A mark belongs to the point whose stretch (as found, or as
moved) shares most with the mark's, at least half of the longer one. A stretch a person called a point stays one
when detection no longer finds it; a rejection of what is no longer found has nothing to do. Statistics of
stretches that detection did not measure in full are measured anew, from the stored tracks.
"""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from ..detect.air_motion import TOLD_FROM, AirMotion
from ..detect.statistics import SegmentStatistics
from ..shared.errors import ConditionError
from ..shared.findings import Segment
from ..shared.late import pandas as pd
from ..shared.vocabulary import STATES
from .commit import check_sorties, open_store
from .marks import Mark, append_mark, make_mark, marks_in_force, marks_table, read_marks, taken_back
from .query import CONFIG_KEYS, POINT_CHANNELS, list_points, list_sorties, list_states, list_statistics
from .remote import writing
from .stored import read_recording

FIRST_ADDED = 10_001  # numbers of points a person added begin here, far above any that is found
DETECTOR = "person"
_SHARE = 0.5
_LEVEL_RATE = (
    0.508  # [m/s], 100 ft/min: climbing or sinking less than this a stretch is called level; common practice, no source
)
_NO_POWER = ("idle", "off", "windmilling", "stopped")
_EXTRA = ("found_accepted", "judgement", "judged_by", "judged_reason", "judged_utc", "moved_from_s")

Row = dict[str, Any]
Stretch = tuple[dt.datetime, dt.datetime]


@dataclass(slots=True)
class _Candidate:
    """A row of list_points while marks are laid over it. spans: stretches it goes by, UTC."""

    row: Row
    spans: list[Stretch]
    mark: Mark | None = None
    former: Row = field(default_factory=dict)


def keep_mark(programme: Path, mark: Mark) -> None:
    """Keep a mark in the programme's file and in its catalog. Raises UnknownSortieError."""
    with open_store(programme) as connection:
        check_sorties(connection, [mark.sortie])
        append_mark(programme, mark)
        connection.register("incoming", marks_table([mark]))
        connection.execute("INSERT INTO mark BY NAME SELECT * FROM incoming")
        connection.unregister("incoming")


def judge_point(
    programme: Path, sortie: str, action: str, *, number: int | None, stretch: Stretch | None, words: tuple[str, str]
) -> Mark:
    """Keep a judgement on a point by its number (as list_judged has it), or of a new stretch. words: reason and name.

    stretch: UTC, the new one of `add` and `move`. Raises ConditionError for a point there is not.
    """
    if (stretch is None) == (action in ("add", "move")):
        raise ConditionError("`add` and `move` need a stretch, no other judgement takes one", found=action)
    if stretch is not None:
        _check_within(programme, sortie, stretch)
    if action == "add":
        assert stretch is not None
        mark = make_mark(sortie, action, stretch, reason=words[0], by=words[1])
    else:
        judged = list_judged(programme, sortie, refused=True).to_dict("records")
        row = next((one for one in judged if one["number"] == number), None)
        if row is None:
            numbers = _runs_of(sorted(int(one["number"]) for one in judged))
            raise ConditionError("no such point", where=sortie, found=str(number), allowed=numbers or "none was found")
        mark = make_mark(sortie, action, _span(row), reason=words[0], by=words[1], moved_to=stretch)
    keep_mark(programme, mark)
    return mark


def _runs_of(numbers: list[int]) -> str:
    """'1 to 85, 90': rising whole numbers with those between two ends left out."""
    starts = [k for k, number in enumerate(numbers) if not k or number != numbers[k - 1] + 1]
    runs = [numbers[a:b] for a, b in itertools.pairwise((*starts, len(numbers)))]
    return ", ".join(str(run[0]) if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs)


def take_back(programme: Path, sortie: str, mark_id: str, words: tuple[str, str]) -> Mark:
    """Take back one judgement by its identity, another taking back included; it stays in the file. words: reason and name.

    Raises ConditionError for a mark there is not or that is taken back already.
    """
    with writing(programme):
        marks = read_marks(programme, sortie)
        open_ones = {mark.id: mark for mark in marks if mark.id not in taken_back(marks)}
        if mark_id not in open_ones:
            allowed = ", ".join(open_ones) or "nothing is said of this sortie"
            raise ConditionError(
                "no such judgement that could be taken back", where=sortie, found=mark_id, allowed=allowed
            )
        former = open_ones[mark_id]
        made = make_mark(sortie, "withdraw", (former.start_utc, former.stop_utc), reason=words[0], by=words[1])
        mark = replace(made, of=mark_id)
        keep_mark(programme, mark)
        return mark


def _check_within(programme: Path, sortie: str, stretch: Stretch) -> None:
    listed = list_sorties(programme, "").set_index("sortie")
    if sortie not in listed.index:
        return  # the writer says so, listing what there is
    start, stop = listed.loc[sortie, "start_utc"], listed.loc[sortie, "stop_utc"]
    if not start <= stretch[0] < stretch[1] <= stop + pd.Timedelta(seconds=1):
        found = f"{stretch[0].isoformat()} to {stretch[1].isoformat()}"
        allowed = f"{start.isoformat()} to {stop.isoformat()}, the start before the end"
        raise ConditionError("the stretch does not lie within the sortie", where=sortie, found=found, allowed=allowed)


def list_judged(
    programme: Path, sortie: str | None, config: Mapping[str, str] | None = None, *, refused: bool = False
) -> pd.DataFrame:
    """As query.list_points, with judgements: accepted as people have it, the stretch as moved, added points.

    Further columns: found_accepted (None for a point a person added), judgement (the last action on it, else
    None), judged_by, judged_reason, judged_utc, moved_from_s (start as found, of a moved one).
    """
    for key in config or {}:
        if key not in CONFIG_KEYS:
            raise ConditionError("unknown part of a configuration", found=repr(key), allowed=", ".join(CONFIG_KEYS))
    frame = list_points(programme, sortie, None, refused=True, kind=None)
    candidates, _ = _judge(programme, sortie, frame)
    columns = [*frame.columns, *_EXTRA]
    untouched = frame[~frame["sortie"].isin(list(candidates))]
    plain = untouched.assign(found_accepted=untouched["accepted"], **dict.fromkeys(_EXTRA[1:]))
    laid = pd.DataFrame([_told(one) for some in candidates.values() for one in some], columns=columns)
    judged = pd.concat([plain.astype(object), laid.astype(object)]).infer_objects() if len(laid) else plain
    judged["accepted"] = judged["accepted"].astype(bool)
    if not refused:
        judged = judged[judged["accepted"]]
    for key, word in (config or {}).items():
        judged = judged[judged[key] == word]
    judged = judged.sort_values(["start_utc", "sortie", "number"], kind="stable", ignore_index=True)
    judged.attrs["units"] = frame.attrs["units"]
    return judged


def list_judged_statistics(programme: Path, sortie: str | None) -> pd.DataFrame:
    """As query.list_statistics for the judged points: those a person accepted, moved or added are measured in full."""
    found = list_statistics(programme, sortie, None)
    if not read_marks(programme, sortie):
        return found
    candidates, measured = _judge(programme, sortie, list_points(programme, sortie, None, refused=True, kind=None))
    accepted = {(name, one.row["number"]): one.row["accepted"] for name, some in candidates.items() for one in some}
    keys = zip(found["sortie"], found["number"], strict=True)
    kept = found[pd.Series([key not in measured for key in keys], index=found.index, dtype=bool)].copy()
    kept["accepted"] = [
        accepted.get((name, number), was)
        for name, number, was in zip(kept["sortie"], kept["number"], kept["accepted"], strict=True)
    ]
    extra = [
        {"sortie": key[0], "number": key[1], "accepted": accepted[key], "channel": name, "unit": one.unit,
         "mean": one.mean, "deviation": one.deviation, "slope_per_s": one.slope_per_s,
         "standard_error": one.standard_error, "samples": one.count, "low": one.low, "high": one.high}
        for key, statistics in measured.items()
        for name, one in statistics.items()
    ]  # fmt: skip
    parts = [part for part in (kept, pd.DataFrame(extra, columns=found.columns)) if len(part)]
    whole = pd.concat(parts, ignore_index=True) if parts else kept
    return whole.sort_values(["sortie", "number", "channel"], kind="stable", ignore_index=True)


def list_unattached(programme: Path, sortie: str | None) -> list[Mark]:
    """Marks that belong to no stretch as things stand now: what they rejected is not found any more, or the sortie of
    that name is another one."""
    marks = marks_in_force(read_marks(programme, sortie))
    spans = _spans(programme, {mark.sortie for mark in marks})
    found = _candidates(list_points(programme, sortie, None, refused=True, kind=None), set(spans)) if marks else {}
    return [mark for mark in marks if not (_is_within(mark, spans) and _lay(mark, found[mark.sortie]))]


def _judge(
    programme: Path, sortie: str | None, frame: pd.DataFrame
) -> tuple[dict[str, list[_Candidate]], dict[tuple[str, int], Mapping[str, Any]]]:
    """Candidates of the sorties that have marks, the marks laid over, and the statistics that had to be measured anew."""
    marks = marks_in_force(read_marks(programme, sortie))
    spans = _spans(programme, {mark.sortie for mark in marks})
    candidates = _candidates(frame, set(spans))
    measured: dict[tuple[str, int], Mapping[str, Any]] = {}
    for mark in marks:
        if _is_within(mark, spans):
            _lay(mark, candidates[mark.sortie])
    for name, some in candidates.items():
        anew = [one for one in some if one.mark is not None and one.row["accepted"]]
        if anew:
            measured |= _measure(programme, name, anew, [one for one in some if one.row["accepted"]])
    return candidates, measured


def _candidates(frame: pd.DataFrame, sorties: set[str]) -> dict[str, list[_Candidate]]:
    """Per sortie asked for what was found in it."""
    out: dict[str, list[_Candidate]] = {name: [] for name in sorted(sorties)}
    for row in frame[frame["sortie"].isin(sorties)].to_dict("records"):
        plain = {str(key): value for key, value in row.items()}
        plain["found_accepted"] = bool(plain["accepted"])
        out[plain["sortie"]].append(_Candidate(plain, [_span(plain)]))
    return out


def _spans(programme: Path, sorties: set[str]) -> dict[str, Stretch]:
    """First and last moment of those of the sorties that are in the programme: marks outlive a sortie that was taken out."""
    if not sorties:
        return {}
    listed = list_sorties(programme, "").to_dict("records")
    return {
        str(row["sortie"]): _span({str(k): v for k, v in row.items()}) for row in listed if row["sortie"] in sorties
    }


def _is_within(mark: Mark, spans: Mapping[str, Stretch]) -> bool:
    """Whether the mark's stretch lies in the sortie of its name: another flight may have taken the name since."""
    span = spans.get(mark.sortie)
    start, stop = _target(mark)
    return span is not None and start < span[1] and stop > span[0]


def _span(row: Row) -> Stretch:
    return row["start_utc"].to_pydatetime(), row["stop_utc"].to_pydatetime()


def _lay(mark: Mark, some: list[_Candidate]) -> bool:
    """Lay one mark over the candidates of its sortie; gives whether it belonged to one, or made one."""
    stretch = (mark.start_utc, mark.stop_utc)
    best = max(some, key=lambda one: max(_shared(span, stretch) for span in one.spans), default=None)
    fits = best is not None and max(_shared(span, stretch) for span in best.spans) >= _SHARE
    if not fits or best is None:
        if mark.action in ("reject", "withdraw"):
            return False
        some.append(_added(mark, _target(mark), some))
        return True
    if mark.action == "withdraw":
        _withdraw(best, some)
        return True
    best.former = best.former or dict(best.row)
    best.mark = mark
    best.row["accepted"] = mark.action != "reject"
    if mark.action in ("move", "add"):  # what was added and is found now as well is one point, where the person put it
        target = _target(mark)
        _put(best.row, *target)
        best.spans.append(target)
    return True


def _target(mark: Mark) -> Stretch:
    """Where the mark wants the point."""
    if mark.new_start_utc and mark.new_stop_utc:
        return mark.new_start_utc, mark.new_stop_utc
    return mark.start_utc, mark.stop_utc


def _withdraw(candidate: _Candidate, some: list[_Candidate]) -> None:
    """As it was found; a point that only a person had seen is gone."""
    if candidate.row["detector"] == DETECTOR:
        some.remove(candidate)
        return
    candidate.row = candidate.former or candidate.row
    candidate.spans, candidate.mark, candidate.former = candidate.spans[:1], None, {}


def _put(row: Row, start: dt.datetime, stop: dt.datetime) -> None:
    """Another stretch in a row, its seconds with it (those of an added one follow when it is measured)."""
    if "start_s" not in row:
        row["start_utc"], row["stop_utc"] = pd.Timestamp(start), pd.Timestamp(stop)
        return
    zero = row["start_utc"] - pd.to_timedelta(row["start_s"], unit="s")
    row["moved_from_s"] = row.get("moved_from_s", row["start_s"])
    row["start_utc"], row["stop_utc"] = pd.Timestamp(start), pd.Timestamp(stop)
    row["start_s"] = (row["start_utc"] - zero).total_seconds()
    row["stop_s"] = (row["stop_utc"] - zero).total_seconds()
    row["duration_s"] = row["stop_s"] - row["start_s"]


def _added(mark: Mark, target: Stretch, some: Sequence[_Candidate]) -> _Candidate:
    number = FIRST_ADDED + sum(one.row["detector"] == DETECTOR for one in some)
    while any(one.row["number"] == number for one in some):
        number += 1
    row: Row = {
        "sortie": mark.sortie, "number": number, "start_utc": pd.Timestamp(target[0]), "stop_utc": pd.Timestamp(target[1]),
        "kind": "", "score": float("nan"), "accepted": True, "reasons": [], "detector": DETECTOR, "found_accepted": None,
    }  # fmt: skip
    return _Candidate(row, [target, (mark.start_utc, mark.stop_utc)], mark)


def _measure(
    programme: Path, sortie: str, candidates: Sequence[_Candidate], points: Sequence[_Candidate]
) -> dict[tuple[str, int], Mapping[str, Any]]:
    """Fill in what a person's stretch holds: seconds, configuration, kind, means; gives all statistics.

    points: all of the sortie that count, candidates among them: they tell how much the air moved.
    """
    recording, _ = read_recording(programme, sortie)
    states = list_states(programme, sortie, None)
    for one in candidates:
        if "start_s" not in one.row:
            for end in ("start", "stop"):
                one.row[f"{end}_s"] = (one.row[f"{end}_utc"] - pd.Timestamp(recording.start_utc)).total_seconds()
            one.row["duration_s"] = one.row["stop_s"] - one.row["start_s"]
        if one.row["detector"] == DETECTOR or "moved_from_s" in one.row:
            one.row.update({name: _commonest(states, name, one.row) for name in STATES if name != "phase"})
    segments, told = ([Segment(one.row["start_s"], one.row["stop_s"]) for one in some] for some in (candidates, points))
    measure = SegmentStatistics(recording)
    air = AirMotion(recording, told, measure.over_all(told, TOLD_FROM))
    statistics = air.laid_over(segments, measure.over_all(segments))
    for one, found in zip(candidates, statistics, strict=True):
        one.row["kind"] = one.row["kind"] or _kind(one.row, found)
        for name in POINT_CHANNELS:
            one.row[name] = found[name].mean if name in found else float("nan")
            one.row[f"{name}_error"] = found[name].standard_error if name in found else float("nan")
    pairs = zip(candidates, statistics, strict=True)
    return {(sortie, int(one.row["number"])): found for one, found in pairs}


def _commonest(states: pd.DataFrame, channel: str, row: Row) -> str:
    """The word that fills most of a stretch."""
    some = states[states["channel"] == channel]
    shared = some["stop_s"].clip(upper=row["stop_s"]) - some["start_s"].clip(lower=row["start_s"])
    share = shared.clip(lower=0).groupby(some["value"]).sum()
    return str(share.idxmax()) if len(share) and share.max() > 0 else "unknown"


def _kind(row: Row, found: Mapping[str, Any]) -> str:
    rate = found["geometric_climb_rate"].mean if "geometric_climb_rate" in found else float("nan")
    if abs(rate) < _LEVEL_RATE:
        return "level"
    if rate > 0:
        return "climb"
    return "glide" if row["power"] in _NO_POWER or row["propulsion"] in _NO_POWER else "descent"


def _told(candidate: _Candidate) -> Row:
    """The row with who said what."""
    mark = candidate.mark
    said = (
        {"judgement": mark.action, "judged_by": mark.person, "judged_reason": mark.reason, "judged_utc": mark.made_utc}
        if mark is not None
        else {"judgement": None, "judged_by": None, "judged_reason": None, "judged_utc": None}
    )
    return {"moved_from_s": None, **candidate.row, **said}


def _shared(one: Stretch, other: Stretch) -> float:
    """Share of the longer stretch that both have."""
    both = (min(one[1], other[1]) - max(one[0], other[0])).total_seconds()
    longer = max((stretch[1] - stretch[0]).total_seconds() for stretch in (one, other))
    return both / longer if longer > 0 else 0.0
