"""All recorders of a sortie on one time axis.

A satellite receiver's UTC is the truth; the main recorder is compared with it, the others with
both. Without a receiver the main recorder's clock is the reference, and that is said. Nothing is
moved without evidence: a clock that cannot be compared keeps its stamps and is reported.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...shared.findings import Finding
from ...shared.recording import Clock, Track
from .air import read_airframe
from .drivers import QUICK
from .even import even_rows
from .evidence import Known, Reference
from .periods import centre_periods
from .pieces import take_rows
from .receivers import is_receiver, read_receivers
from .report import report_assumed, report_piece, report_reference, report_step
from .settle import Settled, settle_track


@dataclass(frozen=True, slots=True)
class Alignment:
    """clocks: per track name one Clock per source, in the order of Track.sources.

    tracks: as given, times corrected and rows in time order, sources carrying their clocks.
    """

    clocks: Mapping[str, tuple[Clock, ...]]
    tracks: tuple[Track, ...]
    findings: tuple[Finding, ...]


def align(tracks: Sequence[Track], main: str) -> Alignment:
    """Every track on one clock; `main` names the recorder that holds the airspeed.

    Times must already be UTC by the recorders' own stamps, within about five minutes.
    """
    tracks, evened = _even_out(tracks, main)
    tracks, centred = centre_periods(tracks)
    receivers = [t for t in tracks if is_receiver(t) and t.name != main]
    references, findings = read_receivers(receivers)
    findings = [*evened, *centred, *findings]
    known = Known(references)
    done: dict[str, Track] = {t.name: _stamp_sources(t, _receiver_clocks(t)) for t in receivers}
    for track in sorted((t for t in tracks if t.name not in done), key=lambda t: _turn(t, main)):
        settled: list[Settled] = []
        if known.references:
            settled = settle_track(track, known)
            done[track.name] = _correct(track, settled)
            findings.extend(_findings(track, settled))
        else:
            done[track.name] = _stamp_sources(track, _own_clocks(track))
            if len(tracks) > 1:
                findings.append(report_reference(track.name))
        _learn(known, done[track.name], settled, is_main=track.name == main)
    corrected = tuple(done[t.name] for t in tracks)
    clocks = {t.name: tuple(s.clock for s in t.sources) for t in corrected}
    return Alignment(clocks, corrected, tuple(findings))


def _even_out(tracks: Sequence[Track], main: str) -> tuple[list[Track], list[Finding]]:
    """Rows of recorders with whole-second stamps, spaced evenly; a receiver's stamps are exact already."""
    out, findings = [], []
    for track in tracks:
        even, finding = (track, None) if is_receiver(track) and track.name != main else even_rows(track)
        out.append(even)
        if finding is not None:
            findings.append(finding)
    return out, findings


def _turn(track: Track, main: str) -> tuple[bool, bool]:
    """The main recorder first, then those that know the power: they explain the response to others."""
    return track.name != main, not QUICK & set(track.columns)


def _learn(known: Known, track: Track, settled: Sequence[Settled], *, is_main: bool) -> None:
    """Let a settled track serve the comparison of the next ones."""
    resolved = all(s.estimate is not None for s in settled)
    uncertainty_s = max((s.estimate.uncertainty_s for s in settled if s.estimate), default=0.0) if resolved else 0.0
    reference = Reference(track, uncertainty_s)
    if is_main:
        known.main, known.airframe = reference, read_airframe(track)
    if is_main or not known.references:
        known.references.append(reference)
    if resolved:
        known.settled[track.name] = track


def _correct(track: Track, settled: Sequence[Settled]) -> Track:
    """Times corrected, rows in time order, clocks in the sources."""
    time_s = track.time_s.copy()
    for one in settled:
        comparable = track.time_s[one.piece.index] - one.piece.set_s
        time_s[one.piece.index] = comparable - (one.estimate.line.error_at(comparable) if one.estimate else 0.0)
    order = np.argsort(time_s, kind="stable")
    return _stamp_sources(take_rows(track, order, time_s[order]), _clocks(track, settled))


def _clocks(track: Track, settled: Sequence[Settled]) -> tuple[Clock, ...]:
    """The clock of every source: that of its first stretch; later settings are findings."""
    clocks = []
    for number, source in enumerate(track.sources):
        mine = [s.estimate for s in settled if s.piece.source == number]
        found = mine[0] if mine else None
        if found is None:
            clocks.append(replace(source.clock, offset_uncertainty_s=None, evidence="no other recorder tells"))
            continue
        clocks.append(
            replace(
                source.clock,
                offset_s=found.line.offset_s,
                offset_uncertainty_s=found.uncertainty_s,
                drift_ppm=found.line.drift_ppm,
                drift_uncertainty_ppm=found.line.drift_uncertainty_ppm,
                reference=found.reference,
                channel=found.channel,
                evidence=found.evidence,
            )
        )
    return tuple(clocks)


def _receiver_clocks(track: Track) -> tuple[Clock, ...]:
    said = "satellite time is the reference"
    return tuple(replace(s.clock, reference=track.name, evidence=said) for s in track.sources)


def _own_clocks(track: Track) -> tuple[Clock, ...]:
    said = "no satellite receiver: this recorder is the reference"
    return tuple(replace(s.clock, evidence=said) for s in track.sources)


def _stamp_sources(track: Track, clocks: Sequence[Clock]) -> Track:
    return replace(track, sources=tuple(replace(s, clock=c) for s, c in zip(track.sources, clocks, strict=True)))


def _findings(track: Track, settled: Sequence[Settled]) -> list[Finding]:
    out: list[Finding] = []
    before: Settled | None = None
    for one in settled:
        same_source = before is not None and before.piece.source == one.piece.source
        if before is None or not same_source or before.estimate is not one.estimate:
            out.extend(report_piece(track, one.piece, one.estimate))
        if same_source and before is not None:
            out.extend(report_step(track, (before.piece, before.estimate), (one.piece, one.estimate)))
        if one.assumed and one.estimate is not None:
            out.append(report_assumed(track, one.piece))
        before = one
    return out
