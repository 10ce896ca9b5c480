"""What the recorders' clocks leave in doubt of an event's time, beside what the samples do."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable

from ..shared.findings import Event
from ..shared.recording import Recording, Track


def with_clock_doubt(events: Iterable[Event], recording: Recording) -> tuple[Event, ...]:
    """The events, the time of each as uncertain as its recorder's clock against the sortie's makes it.

    An event told from a channel of the main recorder, or of none, keeps its uncertainty.
    """
    events = tuple(events)
    doubts = {channel: _doubt_of(channel, recording) for channel in {event.channel for event in events}}
    return tuple(_widened(event, doubts[event.channel]) for event in events)


def _widened(event: Event, doubt_s: float) -> Event:
    if not doubt_s:
        return event
    return dataclasses.replace(event, uncertainty_s=math.hypot(event.uncertainty_s, doubt_s))


def _doubt_of(channel: str, recording: Recording) -> float:
    """One standard deviation of the clock of the recorder that holds the channel, in seconds."""
    holders = recording.holders(channel)
    return 0.0 if not holders or holders[0].name == recording.main else _clock_doubt(holders[0])


def _clock_doubt(track: Track) -> float:
    told = [source.clock.offset_uncertainty_s for source in track.sources]
    return max((doubt for doubt in told if doubt is not None and math.isfinite(doubt)), default=0.0)
