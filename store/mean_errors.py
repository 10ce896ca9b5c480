"""Standard errors of the means over stretches that a condition found, from the samples of the common clock.

As of points (detect/statistics.py): scatter with its autocorrelation, or the instrument's noise alone for what was
really flown, and the recorder's resolution. Samples are read only of as many stretches as the reader can wait for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import duckdb
import numpy as np
from numpy.typing import NDArray

from ..detect.statistics import FLOWN, flown_statistic, statistic
from ..shared.vocabulary import unit_of_channel
from .columns import Columns, arrow_table, fetch_columns, row_count, take_rows
from .condition import is_word_channel
from .connection import connect_memory, open_catalog
from .guarded import check_files, shut_in
from .islands import is_circular
from .places import frame_file
from .quoting import quote_name

FEWEST = 4  # of fewer samples nothing is known of how they scatter

Floats = NDArray[np.float64]


def mean_errors(
    programme: Path, stretches: Columns, channels: Sequence[str], *, most_values: float
) -> dict[str, Floats]:
    """Channel -> standard error [SI] of its mean over each stretch; NaN where none is known.

    stretches: columns sortie, start_s, stop_s, rows. Of joined stretches the rows between take part, too. The first
    stretches with up to `most_values` samples of all channels together are looked at.
    """
    numbers = [name for name in channels if not is_word_channel(name)]
    errors = {name: np.full(row_count(stretches), np.nan) for name in numbers}
    wanted = np.flatnonzero(np.cumsum(stretches["rows"]) * len(numbers) <= most_values)
    if not numbers or not len(wanted):
        return errors
    some = take_rows({name: stretches[name] for name in ("sortie", "start_s", "stop_s")}, wanted)
    steps, known = _read_steps(programme, some, numbers)
    samples = _read_samples(programme, {**some, "number": wanted}, known)
    bounds = np.flatnonzero(np.diff(samples["number"], prepend=-1, append=-1)) if row_count(samples) else np.array([0])
    for begin, end in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
        number = int(samples["number"][begin])
        for name in known:
            step = steps.get((str(stretches["sortie"][number]), name))
            values = np.asarray(samples[name][begin:end], dtype=np.float64)
            errors[name][number] = _error(name, samples["t"][begin:end], values, step)
    return errors


def _error(channel: str, time_s: Floats, values: Floats, step: float | None) -> float:
    seen = np.isfinite(values)
    if np.count_nonzero(seen) < FEWEST:
        return float("nan")
    if channel in FLOWN:
        return flown_statistic(time_s[seen], values[seen], step=step).standard_error
    unit = unit_of_channel(channel)
    return statistic(time_s, values, step=step, unit=unit, circular=is_circular(channel)).standard_error


def _read_steps(
    programme: Path, stretches: Columns, channels: Sequence[str]
) -> tuple[Mapping[tuple[str, str], float | None], list[str]]:
    """(sortie, channel) -> the recorder's resolution, and those of the channels that any of these sorties has."""
    with open_catalog(programme) as connection:
        rows = connection.execute(
            "SELECT sortie, channel, step FROM channel "
            "WHERE track = 'frame' AND list_contains(?, channel) AND list_contains(?, sortie)",
            [list(channels), list(dict.fromkeys(stretches["sortie"].tolist()))],
        ).fetchall()
    held = {str(channel) for _, channel, _ in rows}
    return {(str(sortie), str(channel)): step for sortie, channel, step in rows}, [n for n in channels if n in held]


def _read_samples(programme: Path, stretches: Columns, channels: Sequence[str]) -> Columns:
    """Rows of the stretches, end to end: number, t, channels."""
    files = [frame_file(programme, name) for name in dict.fromkeys(stretches["sortie"].tolist())]
    values = "".join(f", f.{quote_name(name)}" for name in channels)
    sql = f"""
    SELECT s.number, f.t{values} FROM read_parquet(?, union_by_name = true) AS f
    JOIN stretch AS s ON f.sortie = s.sortie AND f.t >= s.start_s AND f.t < s.stop_s ORDER BY s.number, f.i
    """
    connection: duckdb.DuckDBPyConnection = connect_memory()
    try:
        connection.register("stretch", arrow_table(stretches))
        check_files(files)
        shut_in(connection, files)
        return fetch_columns(connection, sql, [[str(file) for file in files]])
    finally:
        connection.close()
