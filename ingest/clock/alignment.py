"""All recorders of a sortie on one time axis.

A satellite receiver's UTC is the truth; the main recorder is compared with it, the others with
both. Without a receiver the main recorder's clock is the reference, and that is said. Nothing is
moved without evidence: a clock that cannot be compared keeps its stamps and is reported. Tracks of
one file are one recorder and move together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...shared.findings import Finding
from ...shared.recording import Clock, Track
from .air import read_airframe
from .drivers import QUICK
from .evidence import Known, Reference
from .periods import centre_periods
from .pieces import take_rows
from .receivers import is_receiver, read_receivers
from .recorders import group_recorders, lend_clock, worst_uncertainty_s
from .report import report_assumed, report_open_jump, report_piece, report_reference, report_step
from .settle import Settled, settle_track

SURE_S = 0.15  # a recorder's other tables are not asked once one of them is as sure as this


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
    tracks, centred = centre_periods(tracks)
    groups = group_recorders(tracks)
    receivers = _receivers(groups, main)
    references, findings = read_receivers(receivers)
    findings = [*centred, *findings]
    known = Known(references)
    others = [g for g in groups if not any(r in g for r in receivers)]
    done = {t.name: _stamp_sources(t, _receiver_clocks(t)) for g in groups if g not in others for t in g}
    if main in done:
        _learn(known, done[main], (), is_main=True)
    others.sort(key=lambda group: _turn(group, main))
    for group in others:
        settled: list[list[Settled]] = [[] for _ in group]
        if known.references:
            settled, told = _settle_group(group, known)
            findings.extend(told)
            done.update((t.name, _correct(t, s)) for t, s in zip(group, settled, strict=True))
        else:
            done.update((t.name, _stamp_sources(t, _own_clocks(t))) for t in group)
            if len(groups) > 1:
                findings.append(report_reference(", ".join(t.name for t in group)))
        if group is not others[-1]:
            for track, one in zip(group, settled, strict=True):
                _learn(known, done[track.name], one, is_main=track.name == main)
    corrected = tuple(done[t.name] for t in tracks)
    clocks = {t.name: tuple(s.clock for s in t.sources) for t in corrected}
    return Alignment(clocks, corrected, tuple(findings))


def _receivers(groups: Sequence[Sequence[Track]], main: str) -> list[Track]:
    """Satellite receivers that can serve as reference: recorders of their own first, else a table of the main one's."""
    apart = [t for g in groups if main not in {m.name for m in g} for t in g if is_receiver(t)]
    return apart or [t for g in groups for t in g if is_receiver(t) and t.name != main]


def _settle_group(group: Sequence[Track], known: Known) -> tuple[list[list[Settled]], list[Finding]]:
    """The tracks of one recorder, all on the clock its surest track shows, and what is said of it once."""
    each: dict[str, list[Settled]] = {}
    for track in sorted(group, key=lambda t: "latitude" not in t.columns):
        each[track.name] = settle_track(track, known)
        if worst_uncertainty_s(each[track.name]) < SURE_S:
            break
    best = min((t for t in group if t.name in each), key=lambda t: worst_uncertainty_s(each[t.name]))
    settled = [each[best.name] if t is best else lend_clock(best, each[best.name], t) for t in group]
    return settled, _findings(replace(best, name=", ".join(t.name for t in group)), each[best.name])


def _turn(group: Sequence[Track], main: str) -> tuple[bool, bool]:
    """The main recorder first, then those that know the power: they explain the response to others."""
    return main not in {t.name for t in group}, not any(QUICK & set(t.columns) for t in group)


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
    """The clock of every source: that of its first stretch, as unsure as the least sure; settings are findings."""
    clocks = []
    for number, source in enumerate(track.sources):
        mine = [s.estimate for s in settled if s.piece.source == number]
        found = mine[0] if mine else None
        if found is None:
            clocks.append(replace(source.clock, offset_uncertainty_s=None, evidence="no other recorder tells"))
            continue
        unsure_s = [e.uncertainty_s for e in mine if e is not None]
        clocks.append(
            replace(
                source.clock,
                offset_s=found.line.offset_s,
                offset_uncertainty_s=max(unsure_s) if len(unsure_s) == len(mine) else None,
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
        if one.doubtful:
            out.append(report_open_jump(track, one.piece))
        before = one
    return out
