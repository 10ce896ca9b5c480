"""Channels that stand still while others say they should move.

A run of equal samples is no fault by itself: recorders round, and an aeroplane parked or well
trimmed gives equal samples for minutes. It is stuck when a witness (a channel that goes with it)
moved enough to show, or when the run is many times longer than any other of this channel in flight. Of a channel
in coarse steps only a witness tells: an autopilot holds a height, a heading, a speed within one step for minutes. A
recording of this one quantity alone has nothing that tells it from an aircraft that stood.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...shared.findings import Finding
from ...shared.frame import sample_column
from ...shared.recording import Column, Floats, Track
from .places import channel_facts, channel_where, number_columns, step_of

LEAST_S = 10.0
LEAST_ROWS = 20
BLOCK_ROWS = LEAST_ROWS // 2
SPIKE_ROWS = 4
MOST_RUNS = 20
ALONE_S = 20.0  # without a witness a run must last this long
TIMES_LONGER = 5.0
USUAL_S = 4.0  # shorter usual runs count as this long
SHOWS_STEPS = 4.0  # the change expected must be this many steps of the recorder
SHOWS_DEVIATIONS = 5.0  # and this many standard deviations of the usual disagreement
LAPSE_K_PER_M = -0.0065  # standard atmosphere below 11 km, ICAO Doc 7488
FLYING_M_S = 20.0
FLOWN_SHARE = 0.9
DISAGREES = 1.5  # times what the two usually part by within so long: wind in a turn parts airspeed and ground speed
DISAGREES_PERCENT = 95.0
COARSE: Mapping[str, float] = {
    "length": 2.5,
    "speed": 0.25,
    "angle": 0.0085,
}  # m, m/s, rad: 10 ft, half a knot, half a degree
RATE_WIDTH_S = 2.0  # a rate is the change over this long before and after
TURNED = 0.35  # rad: in 15 m/s of wind it may change the ground speed by 5 m/s
_RATE_OF = "rate of "

# channel -> (witness, known slope or None where the recording itself shows the relation)
WITNESSES: Mapping[str, tuple[tuple[str, float | None], ...]] = {
    "outside_air_temperature": (("pressure_altitude", LAPSE_K_PER_M), ("gnss_altitude", LAPSE_K_PER_M)),
    "pressure_altitude": (("gnss_altitude", 1.0), ("gnss_unnamed_altitude", 1.0), ("baro_altitude", 1.0)),
    "baro_altitude": (("pressure_altitude", 1.0), ("gnss_altitude", 1.0)),
    "gnss_altitude": (("pressure_altitude", 1.0), ("baro_altitude", 1.0)),
    "gnss_unnamed_altitude": (("pressure_altitude", 1.0), ("baro_altitude", 1.0)),
    "vertical_speed": (("rate of pressure_altitude", 1.0), ("rate of gnss_altitude", 1.0)),
    "indicated_airspeed": (("recorded_true_airspeed", None), ("ground_speed", None)),
    "ground_speed": (("indicated_airspeed", None),),
    **dict.fromkeys(("heading_magnetic", "heading_true", "unnamed_heading"), (("track_true", 1.0),)),
    "track_true": (("heading_magnetic", 1.0), ("heading_true", 1.0), ("unnamed_heading", 1.0)),
}
# wind parts airspeed from ground speed, a probe's lag and an inversion the temperature from the standard lapse
LOOSE = frozenset({"indicated_airspeed", "ground_speed", "outside_air_temperature"})
CIRCULAR = frozenset({"heading_magnetic", "heading_true", "unnamed_heading", "track_true"})
# channels that never rest in flight; a long run needs no witness
RESTLESS: frozenset[str] = frozenset(
    {
        *("indicated_airspeed", "vertical_speed", "ground_speed", "pitch", "bank", "turn_rate"),
        *("normal_load_factor", "lateral_load_factor", "recorded_true_airspeed", "calibrated_airspeed"),
        *("pressure_altitude", "baro_altitude", "gnss_altitude", "gnss_unnamed_altitude", "latitude", "longitude"),
        *("heading_magnetic", "heading_true", "unnamed_heading", "track_true"),
        *("oil_temperature", "coolant_temperature", "cylinder_head_temperature", "exhaust_gas_temperature"),
    }
)


@dataclass(frozen=True, slots=True)
class _Run:
    """Samples first..last (inclusive) of one channel, all equal."""

    first: int
    last: int
    seconds: float


@dataclass(frozen=True, slots=True, eq=False)
class _Runs:
    """All runs of equal samples of one channel, (k,) each; see _Run."""

    first: NDArray[np.intp]
    last: NDArray[np.intp]
    seconds: Floats

    def long(self) -> list[_Run]:
        """Runs long enough to look at, the longest first, twenty at most."""
        enough = np.flatnonzero((self.seconds >= LEAST_S) & (self.last - self.first + 1 >= LEAST_ROWS))
        places = enough[np.argsort(-self.seconds[enough], kind="stable")][:MOST_RUNS]
        return [_Run(int(self.first[k]), int(self.last[k]), float(self.seconds[k])) for k in places]


def find_stuck(track: Track, tracks: tuple[Track, ...]) -> list[Finding]:
    """STUCK_CHANNEL for every run that should have moved, with the change expected where a witness tells."""
    flying = _flying(track, tracks)
    witnesses = _Witnesses(track, tracks)
    out = []
    near = np.diff(track.time_s) <= max(3 * track.median_step_s, 2.0)
    lonely = _number_channels(tracks) < 2
    for column, entry in number_columns(track):
        restless = entry.name in RESTLESS
        if entry.reduction == "last" or not (restless or entry.name in WITNESSES):
            continue
        runs = _runs(track, column, near)
        for run in runs.long():
            if entry.kind == "speed" and entry.name != "vertical_speed" and not flying[run.first : run.last + 1].any():
                continue  # speeds rest at their lowest reading on the ground
            if entry.name in CIRCULAR and not flying[run.first : run.last + 1].mean() > FLOWN_SHARE:
                continue  # at rest a track wanders and a heading does not
            expected, witness, asked = _expected(witnesses, column, run)
            if witness is None and _is_held(column, entry.kind, asked=asked):
                continue
            if witness is None and (lonely or not restless or not _much_longer(run, runs, flying)):
                continue
            out.append(_finding(track, column, run, (expected, witness)))
    return out


def _is_held(column: Column, kind: str, *, asked: bool) -> bool:
    """Whether rest means nothing: in coarse steps, and a witness could have told, or it is what an autopilot holds."""
    return step_of(column) >= COARSE.get(kind, np.inf) and (asked or kind in ("length", "angle"))


def _number_channels(tracks: tuple[Track, ...]) -> int:
    """Quantities recorded as numbers in the whole recording."""
    return sum(entry.reduction != "last" for track in tracks for _, entry in number_columns(track))


def _runs(track: Track, column: Column, near: NDArray[np.bool_]) -> _Runs:
    """Runs of equal samples at least two long; a missing sample or a gap ends a run.

    near: (n - 1,), steps of the time that are no gaps. No runs at all when none is LEAST_ROWS long.
    """
    values, time_s = column.values, track.time_s
    blocks = values[: len(values) // BLOCK_ROWS * BLOCK_ROWS].reshape(-1, BLOCK_ROWS)
    if not (blocks[:, 0] == blocks[:, -1]).any():
        return _Runs(np.empty(0, np.intp), np.empty(0, np.intp), time_s[:0])  # twenty rows hold a whole block
    same = np.zeros(len(values) + 1, dtype=bool)
    np.equal(values[1:], values[:-1], out=same[1:-1])
    same[1:-1] &= near
    edges = np.flatnonzero(same[1:] != same[:-1])
    starts, stops = edges[::2], edges[1::2]
    if not len(starts) or int((stops - starts).max()) < LEAST_ROWS - 1:
        return _Runs(starts[:0], stops[:0], time_s[:0])
    if len(starts) > 1:
        # a spike does not end a run: the same value again within a few samples goes on
        on = (starts[1:] - stops[:-1] <= SPIKE_ROWS) & (values[starts[1:]] == values[stops[:-1]])
        on &= stops[:-1] - starts[:-1] >= LEAST_ROWS
        starts, stops = starts[np.concatenate([[True], ~on])], stops[np.concatenate([~on, [True]])]
    return _Runs(starts, stops, time_s[stops] - time_s[starts])


def _flying(track: Track, tracks: tuple[Track, ...]) -> NDArray[np.bool_]:
    """Samples at which any recorder shows flying speed; all True when none records a speed."""
    for name in ("indicated_airspeed", "recorded_true_airspeed", "ground_speed"):
        for other in sorted(tracks, key=lambda t: t.name != track.name):
            if name in other.columns and other.columns[name].values.size:
                speed = sample_column(other, name, track.time_s).astype(np.float64)
                known = np.isfinite(speed)
                if known.any():
                    between = np.interp(track.time_s, track.time_s[known], speed[known], left=0.0, right=0.0)
                    return np.asarray(between > FLYING_M_S)
    return np.ones(len(track.time_s), dtype=bool)


def _much_longer(run: _Run, runs: _Runs, flying: NDArray[np.bool_]) -> bool:
    """True when the run is in flight and many times longer than this channel's others in flight."""
    if run.seconds < ALONE_S or not flying[run.first : run.last + 1].mean() > FLOWN_SHARE:
        return False
    others = runs.seconds[(runs.first != run.first) & flying[runs.first] & flying[runs.last]]
    # counted one by one, a second stuck stretch does not raise what is usual
    usual = float(np.quantile(others, 0.99)) if len(others) else 0.0
    return run.seconds > TIMES_LONGER * max(usual, USUAL_S)


def _expected(witnesses: _Witnesses, column: Column, run: _Run) -> tuple[float, str | None, bool]:
    """Change the witness says the channel should have made over the run, and its name; whether anybody could have told."""
    asked = False
    for witness, slope in WITNESSES.get(column.name, ()):
        part = witnesses.inside(witness, run)
        if part is None or not np.isfinite(part).sum() > 0.5 * (run.last - run.first):
            continue
        if "ground_speed" in (witness, column.name) and _turned(witnesses, run):
            asked = True
            continue  # wind moves the ground speed there, whatever the airspeed does
        part = np.unwrap(part[np.isfinite(part)]) if column.name in CIRCULAR else part
        least = max(SHOWS_STEPS * step_of(column), _least(column.name))
        reach = float(np.fmax.reduce(part) - np.fmin.reduce(part))
        if reach == 0 or (slope is not None and not abs(slope) * reach > least):
            asked |= reach > 0
            continue  # its quantiles lie no further apart
        low, high = np.nanquantile(part, [0.005, 0.995])
        change, able = _change(witnesses, column, run, witness=witness, slope=slope, span=float(high - low))
        asked |= able
        if change > least:
            return change, witness, asked
    return 0.0, None, asked


def _turned(witnesses: _Witnesses, run: _Run) -> bool:
    """Whether a track or a heading turned over the run by enough for wind to show in the ground speed."""
    parts = (witnesses.inside(name, run) for name in sorted(CIRCULAR))
    known = [np.unwrap(part[np.isfinite(part)]) for part in parts if part is not None and np.isfinite(part).any()]
    return any(float(np.ptp(part)) > TURNED for part in known)


def _change(
    witnesses: _Witnesses, column: Column, run: _Run, *, witness: str, slope: float | None, span: float
) -> tuple[float, bool]:
    """What a witness that moved by `span` asks of the channel, 0 within what the two part by; whether they go together."""
    moves = witnesses.find(witness)
    assert moves is not None
    known_slope, noise = (slope, 0.0) if slope is not None else (0.0, 0.0)
    outside = np.isfinite(moves) & np.isfinite(column.values)
    outside[run.first : run.last + 1] = False
    if outside.sum() > 60:
        known_slope, noise = _relation(moves[outside], column.values[outside], slope)
    doubt = SHOWS_DEVIATIONS * noise
    if column.name in LOOSE and known_slope and outside.sum() > 60:
        left = column.values[outside] - known_slope * moves[outside]
        doubt = max(doubt, DISAGREES * _parting(left, run.last - run.first + 1))
    change = abs(known_slope) * span
    return (change if change > doubt else 0.0), known_slope != 0


def _parting(left: Floats, count: int) -> float:
    """How far the disagreement of two channels usually goes within so many samples in a row."""
    blocks = left[: len(left) // count * count].reshape(-1, count)
    if not len(blocks):
        return 0.0
    return float(np.percentile(np.max(blocks, axis=1) - np.min(blocks, axis=1), DISAGREES_PERCENT))


def _least(name: str) -> float:
    """Smallest change worth believing, SI (common practice, no source)."""
    return {"outside_air_temperature": 1.5, "vertical_speed": 1.5}.get(name, 0.35 if name in CIRCULAR else 5.0)


def _relation(moves: Floats, values: Floats, slope: float | None) -> tuple[float, float]:
    """Slope of the channel against its witness and the scatter about it; slope 0 when they do not go together."""
    if slope is None:
        spread = float(np.std(moves))
        if spread == 0 or np.std(values) == 0:
            return 0.0, 0.0
        related = float(np.corrcoef(moves, values)[0, 1])
        if related < 0.8:
            return 0.0, 0.0
        slope = related * float(np.std(values)) / spread
    left = values - slope * moves
    return slope, 1.4826 * float(np.median(np.abs(np.diff(left)))) if len(left) > 1 else 0.0


class _Witnesses:
    """Witnesses' samples at one track's times, each brought over once; NaN where there are none."""

    def __init__(self, track: Track, tracks: tuple[Track, ...]) -> None:
        self.track = track
        self.tracks = sorted(tracks, key=lambda t: t.name != track.name)
        self.found: dict[str, Floats | None] = {}

    def find(self, name: str) -> Floats | None:
        """The witness at all of the track's times, None when nobody records it."""
        if name not in self.found:
            brought = (_bring(other, name, self.track.time_s) for other in self._holders(name))
            self.found[name] = next((moves for moves in brought if np.isfinite(moves).any()), None)
        return self.found[name]

    def inside(self, name: str, run: _Run) -> Floats | None:
        """The witness over a run: of a single holder only the samples there are brought over."""
        rows, holders = slice(run.first, run.last + 1), self._holders(name)
        if len(holders) == 1 and name not in self.found:
            return _bring(holders[0], name, self.track.time_s[rows])
        moves = self.find(name)
        return None if moves is None else moves[rows]

    def _holders(self, name: str) -> list[Track]:
        channel = name.removeprefix(_RATE_OF)
        return [t for t in self.tracks if channel in t.columns and not t.columns[channel].derived_from]


def _bring(other: Track, name: str, time_s: Floats) -> Floats:
    """A channel of another track, or its rate, at these times."""
    channel = name.removeprefix(_RATE_OF)
    if channel == name:
        return sample_column(other, channel, time_s).astype(np.float64)
    later = sample_column(other, channel, time_s + RATE_WIDTH_S).astype(np.float64)
    sooner = sample_column(other, channel, time_s - RATE_WIDTH_S).astype(np.float64)
    return np.asarray((later - sooner) / (2 * RATE_WIDTH_S))


def _finding(track: Track, column: Column, run: _Run, told: tuple[float, str | None]) -> Finding:
    expected, witness = told
    value = f"{column.values[run.first]:.4g} {column.unit or ''}".strip()
    why = (
        f"{witness.replace('_', ' ')} says it should have moved by {expected:.3g} {column.unit}"
        if witness
        else "it never rests so long otherwise"
    )
    text = f"{track.name}: {column.source_name} stands at {value} for {run.seconds:.0f} s; {why}"
    facts = channel_facts(track, column, seconds=run.seconds, value=float(column.values[run.first]))
    if witness:
        facts |= {"expected_change": round(expected, 2), "witness": witness}
    start, stop = float(track.time_s[run.first]), float(track.time_s[run.last])
    where = channel_where(track, column, int(track.row[run.first]))
    return Finding("STUCK_CHANNEL", text, "doubt", where, 1, start, stop, facts)
