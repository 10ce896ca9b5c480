"""Units told from the data themselves, where a column states none: with evidence or not at all."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..shared.units import UNITS, factors, find_unit, to_si
from ..shared.vocabulary import ChannelMeaning
from .words import split_words

Floats = NDArray[np.float64]

# (symbol, evidence): an empty evidence means the header itself states the unit
Inferred = tuple[str, str]


def infer_unit(meaning: ChannelMeaning, header: str, values: Floats, kinds: tuple[str, ...]) -> Inferred | None:
    """The unit of a column that states none, with the evidence; None when the data do not decide.

    values: as written, shape (n,). kinds: kinds of unit the channel may be written in.
    """
    if meaning.kind == "count":
        return "1", ""
    for word in split_words(header):
        unit = find_unit(word)
        if unit is not None and unit.kind in kinds and len(word) > (0 if word == "g" else 1):
            return unit.symbol, ""
    known = values[np.isfinite(values)]
    if not len(known):
        return None
    if meaning.kind == "ratio":
        return _ratio(known)
    if meaning.kind in ("angle", "coordinate"):
        return _angle(known, meaning)
    if meaning.kind == "load_factor":
        return _load_factor(known)
    return _only_plausible(known, meaning, kinds)


def _ratio(known: Floats) -> Inferred | None:
    low, high = float(known.min()), float(known.max())
    if low == high == 0:
        return "1", "zero throughout, the same in every unit"
    for symbol, full in (("1", 1.0), ("%", 100.0)):
        plateau = np.abs(known - full) <= 0.02 * full
        if -0.05 * full <= low and high <= 1.05 * full and plateau.sum() >= max(3, 0.002 * len(known)):
            return symbol, f"values run from {low:g} to {high:g} and rest at {full:g} for {int(plateau.sum())} rows"
    return None


def _angle(known: Floats, meaning: ChannelMeaning) -> Inferred | None:
    reach = float(np.abs(known).max())
    limit = max(abs(meaning.low), abs(meaning.high)) if meaning.kind == "angle" else np.pi
    if limit * 1.02 < reach <= 360.5:
        return "deg", f"values reach {reach:g}, too much for radians"
    return None


def _load_factor(known: Floats) -> Inferred | None:
    middle = float(np.median(known))
    if 0.8 <= middle <= 1.2:
        return "g", f"the median is {middle:.3g}: level flight in g"
    if 9.3 <= middle <= 10.3:
        return "m/s2", f"the median is {middle:.3g}: level flight in m/s2"
    return None


def _only_plausible(known: Floats, meaning: ChannelMeaning, kinds: tuple[str, ...]) -> Inferred | None:
    """The one unit of the kind that puts the values inside the channel's plausible range."""
    moving = known[known != 0]
    if not len(moving):
        return None
    fitting: dict[tuple[float, float], str] = {}  # by factor: hPa and mbar are one answer
    for unit in UNITS.values():
        if unit.kind not in kinds:
            continue
        si = to_si(moving, unit.symbol)
        if float(np.mean((si >= meaning.low) & (si <= meaning.high))) > 0.99 and _is_sizeable(si, meaning):
            fitting.setdefault(factors(unit.symbol), unit.symbol)
    if len(fitting) != 1:
        return None
    (symbol,) = fitting.values()
    return symbol, f"of all units only {symbol} puts the values into the plausible range"


def _is_sizeable(si: Floats, meaning: ChannelMeaning) -> bool:
    """A range that starts at zero does not refuse a unit that makes every value vanishingly small."""
    return meaning.low != 0 or float(np.max(np.abs(si))) > 0.02 * meaning.high
