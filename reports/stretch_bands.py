"""Bands (k = 2) of the means over stretches: the samples' part and the calibration's, as those of points."""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot, isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..shared.settings import Settings
from ..shared.vocabulary import meaning_of
from ..store.mean_errors import mean_errors
from .display import clean, shown_difference, with_band
from .point_bands import type_b_of

if TYPE_CHECKING:
    from ..store.find import FindResult

Record = dict[str, Any]

AT_A_GLANCE = 2e5  # samples of all channels together, read within some tenths of a second
IN_FULL = 1e8
NOTE = (
    "± is k = 2: the samples' scatter, correlation and resolution, of airspeeds, heights and the air the instrument's noise "
    "alone, and the calibration as [uncertainty] of settings.toml states it; low, high, first and last are single samples, without a band"
)


def channels_told(found: FindResult) -> tuple[str, ...]:
    """The columns of an answer that are means of numbers."""
    known = ((name, meaning_of(name)) for name in found.columns)
    return tuple(name for name, entry in known if entry is not None and not entry.is_text)


def add_bands(
    records: list[Record], programme: Path, found: FindResult, settings: Settings, *, most_values: float = AT_A_GLANCE
) -> int:
    """Put `<channel>_band`, half the band in the unit of the mean, into the records of the first stretches found; how
    many of them were not looked at, as it would have taken too long: they have none."""
    channels = channels_told(found)
    first = {name: column[: len(records)] for name, column in found.columns.items()}
    errors = mean_errors(programme, first, channels, most_values=most_values)
    for k, record in enumerate(records):
        means = {name: float(first[name][k]) for name in channels if isfinite(first[name][k])}
        type_b = type_b_of(means, settings)
        for name in channels:
            band = 2 * hypot(float(errors[name][k]), type_b.get(name, 0.0)) if name in means else float("nan")
            record[f"{name}_band"] = clean(float(shown_difference(band, name, settings)))
    return _passed_over(records, channels)


def _passed_over(records: Sequence[Record], channels: Sequence[str]) -> int:
    having = [any(record[f"{name}_band"] is not None for name in channels) for record in records]
    return len(having) - max((k + 1 for k, has in enumerate(having) if has), default=0)


def mean_text(record: Record, channel: str, unit: str | None) -> str:
    """A mean with its band; without one where none is known."""
    return with_band(record[channel], record.get(f"{channel}_band"), unit)
