"""The whole programme at a glance: answers that count over all sorties in the catalog, no row of a sortie read."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from ..shared.late import pandas as pd
from .connection import open_catalog

_COVERAGE = """
SELECT p.gear, p.flap, p.propulsion, p.kind, floor(t.mean / ?) * ? AS lower_edge, count(*) AS points,
    count(DISTINCT p.sortie) AS sorties
FROM point AS p LEFT JOIN statistic AS t
    ON t.sortie = p.sortie AND t.number = p.number AND t.channel = 'calibrated_airspeed'
WHERE p.accepted AND (? IS NULL OR p.sortie IN (SELECT sortie FROM sortie WHERE aircraft = ?)) GROUP BY ALL ORDER BY ALL
"""
_EXTREMES = r"""
SELECT regexp_replace(channel, '_\d+$', '') AS base, max(high) AS high, arg_max(sortie, high) AS high_sortie,
    min(low) AS low, arg_min(sortie, low) AS low_sortie, count(DISTINCT sortie) AS sorties
FROM channel WHERE track <> 'frame' AND valid > 0 AND list_contains(?, regexp_replace(channel, '_\d+$', ''))
GROUP BY base
"""
_RECORDED = """
SELECT channel, count(*) AS sorties FROM channel WHERE track = 'frame' AND valid > 0 GROUP BY channel ORDER BY channel
"""
_HOLDING = """
SELECT sortie, channel FROM channel WHERE track = 'frame' AND valid > 0 AND list_contains(?, sortie)
"""
_WORDS = "SELECT channel, value, count(*) AS runs FROM run GROUP BY ALL ORDER BY channel, runs DESC"
_FOUND = """
SELECT 'points' AS what, kind FROM point WHERE accepted UNION SELECT 'phase', kind FROM phase
UNION SELECT 'events', kind FROM event UNION SELECT 'manoeuvres', kind FROM manoeuvre ORDER BY ALL
"""
_TOLD = """
SELECT text, count(DISTINCT sortie) AS sorties FROM finding WHERE code = ? AND contains(text, ?)
GROUP BY text ORDER BY sorties DESC, text
"""


def list_coverage(programme: Path, step: float, aircraft: str | None = None) -> pd.DataFrame:
    """Accepted points as found, of one aircraft or (None) of all: gear, flap, propulsion, kind,
    lower_edge [m/s] of the class of width `step`, points, sorties."""
    frame = _ask(programme, _COVERAGE, [step, step, aircraft, aircraft])
    frame.attrs["units"] = {"lower_edge": "m/s"}
    return frame


def list_extremes(programme: Path, channels: Sequence[str]) -> pd.DataFrame:
    """Per channel (numbered ones together) the highest and lowest sample of any recorder at its own rate, SI, and whose
    they are: base, high, high_sortie, low, low_sortie, sorties."""
    return _ask(programme, _EXTREMES, [list(channels)])


def list_recorded(programme: Path) -> pd.DataFrame:
    """Channels with values on the common clock of any sortie: channel, sorties."""
    return _ask(programme, _RECORDED, [])


def list_holding(programme: Path, sorties: Sequence[str]) -> dict[str, set[str]]:
    """Sortie -> channels with values on its common clock."""
    held: dict[str, set[str]] = {}
    for sortie, channel in _ask(programme, _HOLDING, [list(sorties)]).itertuples(index=False):
        held.setdefault(str(sortie), set()).add(str(channel))
    return held


def list_words(programme: Path) -> dict[str, list[str]]:
    """State channel -> the words it ever has, the commonest first."""
    words: dict[str, list[str]] = {}
    for channel, value, _ in _ask(programme, _WORDS, []).itertuples(index=False):
        words.setdefault(str(channel), []).append(str(value))
    return words


def list_found(programme: Path) -> dict[str, list[str]]:
    """points (accepted, as found), phase, events, manoeuvres -> the kinds of each there are, as `find` narrows by them."""
    kinds: dict[str, list[str]] = {}
    for what, kind in _ask(programme, _FOUND, []).itertuples(index=False):
        kinds.setdefault(str(what), []).append(str(kind))
    return kinds


def count_findings(programme: Path, code: str, part: str) -> pd.DataFrame:
    """Findings of a code whose text contains a part, alike ones once: text, sorties."""
    return _ask(programme, _TOLD, [code, part])


def _ask(programme: Path, sql: str, values: list[object]) -> pd.DataFrame:
    with open_catalog(programme) as connection:
        frame: pd.DataFrame = connection.execute(sql, values).df()
    return frame
