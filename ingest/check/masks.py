"""Findings as masks, for those who measure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from ...shared.findings import Finding
from ...shared.recording import Track
from ...shared.vocabulary import meaning_of
from .places import is_circular
from .spikes import spike_mask


def bad_samples(track: Track, findings: Iterable[Finding]) -> Mapping[str, NDArray[np.bool_]]:
    """Channel name -> True at samples not to be measured with: spikes, stuck runs, out of range; shape (n,).

    Channels without such a finding are absent.
    """
    masks: dict[str, NDArray[np.bool_]] = {}
    for finding in findings:
        name = str(finding.facts.get("channel"))
        if finding.facts.get("track") != track.name or name not in track.columns:
            continue
        mask = _mask(track, name, finding)
        if mask is not None:
            masks[name] = masks[name] | mask if name in masks else mask
    return masks


def _mask(track: Track, name: str, finding: Finding) -> NDArray[np.bool_] | None:
    column, entry = track.columns[name], meaning_of(name)
    if finding.code == "SPIKE" and entry is not None:
        return spike_mask(column, is_circular(entry))
    if finding.code == "STUCK_CHANNEL" and finding.start_s is not None and finding.stop_s is not None:
        return np.asarray((track.time_s >= finding.start_s) & (track.time_s <= finding.stop_s))
    if finding.code == "OUT_OF_RANGE":
        with np.errstate(invalid="ignore"):
            return np.asarray((column.values < finding.facts["low"]) | (column.values > finding.facts["high"]))
    return None
