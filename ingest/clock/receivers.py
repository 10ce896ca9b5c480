"""Satellite receivers: which tracks they are, and how late the data of one come after another's.

A receiver's clock is exact but its data come late, never early: of several, the one whose data
come first is nearest the truth, and the others' lag can be measured against it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ...shared.findings import Finding
from ...shared.recording import Track
from .compare import compare_shared
from .evidence import Reference
from .report import report_disagreement, report_lag

ALONE_S = 0.12  # receivers' positions lag by 0.1 to 0.2 s (common practice, no source)
COMPARED_S = 0.05
LAG_REPORTED_S = 0.05
LARGEST_LAG_S = 2.0


def is_receiver(track: Track) -> bool:
    """True for a satellite receiver: stamps in UTC or on the GPS scale, positions, and no airspeed."""
    return (
        all(s.clock.basis in ("utc", "gps") for s in track.sources)
        and {"latitude", "longitude"} <= set(track.columns)
        and "indicated_airspeed" not in track.columns
    )


def read_receivers(receivers: Sequence[Track]) -> tuple[list[Reference], list[Finding]]:
    """Receivers as references, quickest first, the others' lag taken out of the times compared."""
    if len(receivers) < 2:
        return [Reference(t, ALONE_S) for t in receivers], []
    findings: list[Finding] = []
    lags = {receivers[0].name: 0.0}
    for track in receivers[1:]:
        found = compare_shared(track, receivers[0])
        if found is None:
            continue
        if abs(found.line.offset_s) > LARGEST_LAG_S:
            findings.append(report_disagreement(track, receivers[0], found.line.offset_s))
        else:
            lags[track.name] = found.line.offset_s
    least = min(lags.values())
    uncertainty_s = COMPARED_S if len(lags) > 1 else ALONE_S
    references = []
    for track in receivers:
        if track.name not in lags:
            continue
        lag_s = lags[track.name] - least
        references.append(Reference(replace(track, time_s=track.time_s - lag_s), uncertainty_s))
        if lag_s > LAG_REPORTED_S:
            findings.append(report_lag(track, lag_s))
    return sorted(references, key=lambda r: lags[r.track.name]), findings
