"""A 16-bit counter that passed its largest value and went on from its smallest, put back."""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import NDArray

from ..shared.findings import Finding
from .raw import RawTrack

Floats = NDArray[np.float64]

_TURN = 65536.0
_SIGNED, _UNSIGNED = (-32768.0, 32767.0), (0.0, 65535.0)
_NEAR = 0.1  # the step may differ from a whole turn by this share: the channel moved meanwhile


def unwrap_counters(track: RawTrack, where: str) -> tuple[RawTrack, tuple[Finding, ...]]:
    """The track with wrapped 16-bit columns unwrapped, one INT16_WRAP finding for each of them."""
    columns, findings = [], []
    for column in track.columns:
        wraps = find_wraps(column.values)
        if not len(wraps):
            columns.append(column)
            continue
        turns = np.zeros(len(column.values))
        for place, step in wraps:
            turns[place:] -= np.sign(step) * _TURN
        columns.append(dataclasses.replace(column, values=column.values + turns))
        first, step = wraps[0]
        line = int(track.row[first])
        text = f"{where}: {column.header} jumps by {step:g} at line {line}: a 16-bit counter wrapped; unwrapped"
        facts = {"header": column.header, "step": float(np.sign(step) * _TURN), "line": line}
        findings.append(Finding("INT16_WRAP", text, "doubt", f"{where} line {line}", len(wraps), facts=facts))
    if not findings:
        return track, ()
    return dataclasses.replace(track, columns=tuple(columns)), tuple(findings)


def find_wraps(values: NDArray[np.generic]) -> list[tuple[int, float]]:
    """(place, step) of every wrap: whole numbers of 16 bits that step by nearly 65536 and are smooth otherwise."""
    if values.dtype == object or len(values) < 4:
        return []
    numbers: Floats = np.asarray(values, dtype=np.float64)
    low, high = float(np.fmin.reduce(numbers)), float(np.fmax.reduce(numbers))
    if high - low <= (1 - _NEAR) * _TURN:
        return []  # nothing in it is far enough apart: most columns end here
    known = np.flatnonzero(np.isfinite(numbers))
    samples = numbers[known]
    if len(samples) < 4 or not _is_16_bit(samples):
        return []
    steps = np.diff(samples)
    jumps = np.flatnonzero(np.abs(steps) > (1 - _NEAR) * _TURN)
    if not len(jumps) or len(jumps) > 0.1 * len(samples) + 1:
        return []
    rest = np.abs(np.delete(steps, jumps))
    if float(rest.max(initial=0.0)) > 0.05 * _TURN:
        return []  # it jumps elsewhere too: not a counter
    return [(int(known[j + 1]), float(steps[j])) for j in jumps]


def _is_16_bit(samples: Floats) -> bool:
    low, high = float(samples.min()), float(samples.max())
    inside = any(bottom <= low and high <= top for bottom, top in (_SIGNED, _UNSIGNED))
    return inside and bool(np.all(samples == np.round(samples)))
