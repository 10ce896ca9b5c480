"""What ingest and detect have to say: findings, segments, points, events, states, phases, manoeuvres.

Times are seconds since Recording.start_utc; intervals are half-open [start_s, stop_s).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

Level = Literal["note", "doubt", "fault"]


@dataclass(frozen=True, slots=True)
class Finding:
    """Something a careful reader would want to know. `code` is one of codes.CODES."""

    code: str
    text: str
    level: Level = "note"
    where: str | None = None  # file and line, or channel
    count: int = 1
    start_s: float | None = None
    stop_s: float | None = None
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of time, [start_s, stop_s)."""

    start_s: float
    stop_s: float

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.stop_s - self.start_s


@dataclass(frozen=True, slots=True)
class Statistic:
    """One channel over one segment, in the channel's SI unit.

    standard_error is that of the mean; it allows for the recorder's resolution (step / sqrt(12)) and
    for autocorrelation of the samples, or, of airspeeds, heights and the air, which were really flown
    as they wandered, for the instrument's noise alone. slope_per_s is the least-squares trend.
    """

    mean: float
    deviation: float
    slope_per_s: float
    standard_error: float
    count: int
    unit: str | None = None
    low: float = float("nan")
    high: float = float("nan")


@dataclass(frozen=True, slots=True)
class ConfigState:
    """The aircraft's configuration over a segment; words as in the vocabulary's state channels."""

    segment: Segment
    gear: str = "unknown"
    flap: str = "unknown"
    power: str = "unknown"
    propulsion: str = "unknown"


@dataclass(frozen=True, slots=True)
class Run:
    """One value of one state channel over a segment: the run-length form of a state."""

    channel: str
    value: str
    segment: Segment


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened. time_s is its start, stop_s the end of the movement (or time_s)."""

    kind: str
    time_s: float
    stop_s: float
    uncertainty_s: float
    channel: str
    before: str | float | None
    after: str | float | None
    confidence: float  # 0..1; 1 only where a switch or position channel recorded it
    detector: str
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Phase:
    """A phase of flight: ground, taxi, take_off, climb, cruise, descent, approach, a leg of the pattern, ..."""

    segment: Segment
    kind: str


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a candidate was refused: the criterion, what was measured, what was allowed (SI)."""

    criterion: str
    measured: float | None
    limit: float | None
    unit: str | None
    text: str


@dataclass(frozen=True, slots=True)
class StabilisedPoint:
    """A steady stretch. `kind`: glide | level | climb | descent | turn.

    score: 0..1, one minus the root mean square of the shares of the allowances that were used up.
    reasons: empty for an accepted point; one entry per criterion broken for a refused candidate.
    """

    segment: Segment
    kind: str
    state: ConfigState
    statistics: Mapping[str, Statistic]
    score: float
    detector: str
    reasons: tuple[Reason, ...] = ()


@dataclass(frozen=True, slots=True)
class Manoeuvre:
    """A stretch flown for a purpose: turn, deceleration, oscillation, approach to the stall, pattern, ...

    facts: what was measured, SI, plain JSON values; None where it cannot be told.
    """

    segment: Segment
    kind: str
    channels: tuple[str, ...]  # what it was found in, the first one leading
    confidence: float  # 0..1
    detector: str
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Detection:
    """Everything detect found in one Recording with one set of settings."""

    points: tuple[StabilisedPoint, ...]
    refused: tuple[StabilisedPoint, ...]
    events: tuple[Event, ...]
    runs: tuple[Run, ...]
    states: tuple[ConfigState, ...]
    phases: tuple[Phase, ...]
    findings: tuple[Finding, ...]
    settings_hash: str
    manoeuvres: tuple[Manoeuvre, ...] = ()
