"""Every sensor and timeline check of a sortie, in one call."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from ...shared.findings import Finding
from ...shared.recording import Track
from .bounces import find_bounces
from .gaps import find_gaps
from .heat_soak import find_heat_soak
from .lags import find_lags
from .misread_units import find_misread_units
from .ranges import find_coarse_steps, find_out_of_range
from .speeds import find_speed_units
from .spikes import find_spikes
from .stuck import find_stuck
from .unit_changes import find_unit_changes


def check(tracks: Sequence[Track], told: Collection[Finding] = ()) -> tuple[Finding, ...]:
    """Findings about tracks that stand on one clock. Samples are never altered.

    told: findings the readers have made already; a gap they told is not told again.
    """
    everything = tuple(tracks)
    out: list[Finding] = []
    for track in everything:
        if len(track.time_s) < 2:
            continue
        out += find_gaps(track, told)
        out += find_out_of_range(track)
        out += find_misread_units(track)
        out += find_spikes(track)
        out += find_stuck(track, everything)
        out += find_coarse_steps(track)
        out += find_bounces(track)
        out += find_lags(track)
        out += find_heat_soak(track, everything)
    out += find_speed_units(everything)
    out += find_unit_changes(everything)
    return tuple(out)
