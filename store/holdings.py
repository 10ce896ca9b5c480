"""What the catalog knows of the frames before any is opened: which sortie can be asked, and which cannot match."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import duckdb

from ..shared.settings import load_settings
from ..shared.vocabulary import STATES
from .commit import check_sorties
from .condition import CLOCK_NAMES, Condition
from .places import SETTINGS

Extent = tuple[int, float | None, float | None]  # rows with a value, smallest, largest; None: not known


@dataclass(frozen=True, slots=True)
class Holdings:
    """starts: sortie -> start, microseconds since 1970, in time order; channels: sortie -> channel of its
    frame -> extent; words: state -> every word of it; cut: sorties whose pieces are kept."""

    starts: Mapping[str, int]
    channels: Mapping[str, Mapping[str, Extent]]
    words: Mapping[str, frozenset[str]]
    cut: frozenset[str] = field(default=frozenset())


def read_holdings(connection: duckdb.DuckDBPyConnection, sorties: Sequence[str], channels: Sequence[str]) -> Holdings:
    """Of these sorties (all when none is named). Raises UnknownSortieError."""
    wanted = list(sorties) or None
    if wanted:
        check_sorties(connection, wanted)
    starts = connection.execute(
        "SELECT sortie, epoch_us(start_utc) FROM sortie WHERE (? IS NULL OR list_contains(?, sortie)) "
        "ORDER BY start_utc, sortie",
        [wanted, wanted],
    ).fetchall()
    held = connection.execute(
        "SELECT sortie, channel, valid, low, high FROM channel "
        "WHERE track = 'frame' AND list_contains(?, channel) AND (? IS NULL OR list_contains(?, sortie))",
        [list(channels), wanted, wanted],
    ).fetchall()
    words = connection.execute("SELECT DISTINCT channel, value FROM run").fetchall()
    cut = connection.execute("SELECT DISTINCT sortie FROM piece").fetchall()
    extents: dict[str, dict[str, Extent]] = {str(name): {} for name, _ in starts}
    for name, channel, valid, low, high in held:
        extents[name][channel] = (valid, low, high)
    return Holdings(
        starts={str(name): int(start) for name, start in starts},
        channels=extents,
        words={state: frozenset(value for channel, value in words if channel == state) for state in STATES},
        cut=frozenset(str(row[0]) for row in cut),
    )


def leave_out(programme: Path, asked: Condition, holdings: Holdings) -> dict[str, str]:
    """Sortie -> why the condition cannot be asked of it."""
    left_out = {}
    flap = _no_flap_angle(programme) if "flap_angle" in asked.channels else ""
    named = [channel for channel in asked.channels if channel not in CLOCK_NAMES]
    for sortie in holdings.starts:
        held = holdings.channels[sortie]
        reasons = [_reason(channel, held, asked, flap) for channel in named if not held.get(channel, (0,))[0]]
        reasons = [reason for reason in reasons if reason]
        if reasons:
            left_out[sortie] = "; ".join(reasons)
    return left_out


def can_match(asked: Condition, held: Mapping[str, Extent]) -> bool:
    """Whether the extents of a sortie's channels leave the condition a chance to hold anywhere."""
    for bound in asked.bounds:
        _, low, high = held.get(bound.channel, (0, None, None))
        if low is not None and high is not None and (high < bound.low or low > bound.high):
            return False
    return True


def _no_flap_angle(programme: Path) -> str:
    if any(one.angle is not None for one in load_settings(programme / SETTINGS).aircraft.flap_settings):
        return "the flap angle is not known (no flap was recorded, or the angles were named after the add: rebuild)"
    return "flap angles are not named in settings.toml (name them under flap_settings, then rebuild)"


def _reason(channel: str, held: Mapping[str, Extent], asked: Condition, flap: str) -> str:
    if channel == "flap_angle":
        return flap
    if channel in STATES:
        return "" if "unknown" in asked.words.get(channel, ()) else f"{channel} is unknown throughout"
    return f"{channel} has no value" if channel in held else f"{channel} is not recorded"
