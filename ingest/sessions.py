"""Files of one recorder, put together: a display split in two by a power cycle is one track.

Same layout (fingerprint), same kind, one after the other. Every row keeps the line of its file, and
every session its own clock.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..shared.recording import Column, Floats, Source, Track
from ..shared.spill import keep_large

_COMMON_SHARE = 0.1  # sessions whose clock was set between them may overlap a little
_LONGEST_BREAK_S = 2 * 3600.0  # a longer one is another flight, whatever the folder says


@keep_large("time_s")
@keep_large("row")
@dataclass(frozen=True, eq=False)
class Session:
    """One table of one file on the UTC axis. time_s: shape (n,), in the order of the file's rows."""

    kind: str
    time_s: Floats
    columns: Mapping[str, Column]
    row: NDArray[np.int64]
    source: Source


def join_sessions(sessions: Sequence[Session]) -> tuple[Track, ...]:
    """One track per recorder, names unique, rows in time order."""
    groups: list[list[Session]] = []
    for session in sorted(sessions, key=lambda s: (float(s.time_s.min()), s.source.file)):
        home = next((group for group in groups if _follows(group, session)), None)
        if home is None:
            groups.append([session])
        else:
            home.append(session)
    names = _unique_names([group[0].kind for group in groups])
    return tuple(_join(name, group) for name, group in zip(names, groups, strict=True))


def _follows(group: Sequence[Session], session: Session) -> bool:
    """Same recorder, and the new session begins where the group ends."""
    first, last = group[0], group[-1]
    if first.kind != session.kind or not session.source.instrument:
        return False
    if first.source.instrument != session.source.instrument:
        return False
    common = float(last.time_s.max() - session.time_s.min())
    shorter = min(float(np.ptp(last.time_s)), float(np.ptp(session.time_s)))
    return -_LONGEST_BREAK_S <= common <= _COMMON_SHARE * shorter


def _unique_names(kinds: Sequence[str]) -> list[str]:
    seen: dict[str, int] = {}
    out = []
    for kind in kinds:
        seen[kind] = seen.get(kind, 0) + 1
        out.append(kind if seen[kind] == 1 else f"{kind}_{seen[kind]}")
    return out


def _join(name: str, group: Sequence[Session]) -> Track:
    time_s = np.concatenate([s.time_s for s in group])
    row = np.concatenate([s.row for s in group])
    index = np.concatenate([np.full(len(s.row), i, dtype=np.int16) for i, s in enumerate(group)])
    columns = {c: _join_column(c, group) for c in dict.fromkeys(c for s in group for c in s.columns)}
    sources = tuple(s.source for s in group)
    track = Track(name, time_s, columns, sources, row, index)
    if bool(np.all(np.diff(time_s) >= 0)):
        return track
    return take_rows(track, np.argsort(time_s, kind="stable"))


def take_rows(track: Track, order: NDArray[np.intp] | NDArray[np.bool_]) -> Track:
    """The track's rows in another order, or a part of them."""
    columns = {n: dataclasses.replace(c, values=c.values[order]) for n, c in track.columns.items()}
    return dataclasses.replace(
        track,
        time_s=track.time_s[order],
        columns=columns,
        row=track.row[order],
        source_index=track.source_index[order],
    )


def _join_column(name: str, group: Sequence[Session]) -> Column:
    """One channel over all sessions, missing where a session lacks it."""
    held = [s.columns[name] for s in group if name in s.columns]
    as_text = any(column.is_text for column in held)
    parts = [_part(s.columns.get(name), len(s.row), as_text=as_text) for s in group]
    if len(parts) == 1:
        return held[0]
    steps = [column.step for column in held if column.step is not None]
    return dataclasses.replace(held[0], values=np.concatenate(parts), step=max(steps, default=None))


def _part(column: Column | None, count: int, *, as_text: bool) -> NDArray[Any]:
    if column is None:
        return np.full(count, None if as_text else np.nan, dtype=object if as_text else np.float64)
    if as_text and not column.is_text:  # a session in which the words were numbers, or nothing at all
        return np.array([None if np.isnan(v) else f"{v:g}" for v in column.values], dtype=object)
    return column.values
