"""The frame file: every canonical channel and state of a sortie on the main recorder's clock.

One wide Parquet file per sortie, missing samples as NULL (DuckDB takes NaN for larger than
everything). Columns before the channels: `sortie`, `i` (row number), `t` (seconds since the
sortie's start), `until` (start of the next row, or one usual step later before a gap), `gap`
(number of gaps before the row: rows with different numbers do not belong together).

Values are float64: what the recorder gave, bit for bit as the adapter converted it, so that a
condition at the very value still holds. Columns are dictionary coded, those in which hardly any
value repeats byte-stream split: about 1.1 to 1.3 times the size of a rounded float32 copy.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from ..shared.findings import Detection, Run
from ..shared.frame import frame_columns, gap_limit_s
from ..shared.parquet import has_many_values, holds_many_values, write_table
from ..shared.recording import Column, Recording, Track
from ..shared.settings import Settings
from ..shared.spill import note_use
from ..shared.vocabulary import STATES, unit_of_channel

Values = NDArray[Any]

_UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """The frame's table, and which channels were computed here: name -> what from."""

    table: pa.Table
    encodings: Mapping[str, str]
    derived: Mapping[str, tuple[str, ...]]


def build_frame(recording: Recording, runs: Sequence[Run], settings: Settings) -> Frame:
    """All canonical channels and states of a recording as one table. runs: what `state_runs` gives."""
    main = recording.track(recording.main)
    channels: dict[str, Values] = dict(frame_columns(recording))
    derived: dict[str, tuple[str, ...]] = {}
    if "flap_angle" not in channels:
        angle, origin = flap_angle(channels.get("flap_position"), label_rows(main.time_s, runs, "flap"), settings)
        if angle is not None:
            channels["flap_angle"] = angle
            derived["flap_angle"] = (origin,)
    arrays, fields = _clock_columns(recording.sortie_id, main)
    encodings = {"t": "BYTE_STREAM_SPLIT", "until": "BYTE_STREAM_SPLIT", "i": "DELTA_BINARY_PACKED"}
    for name in (*channels, *STATES):
        values = channels.get(name)
        array = _label_array(main.time_s, runs, name) if values is None else _column_array(values)
        note_use(array.nbytes)
        arrays.append(array)
        fields.append(pa.field(name, array.type, metadata=_unit_metadata(name)))
        if values is not None and pa.types.is_floating(array.type) and _has_many_values(main, name, values):
            encodings[name] = "BYTE_STREAM_SPLIT"
    return Frame(pa.Table.from_arrays(arrays, schema=pa.schema(fields)), encodings, derived)


def _has_many_values(main: Track, name: str, values: Values) -> bool:
    column = main.columns.get(name)
    own = column is not None and column.values is values
    return holds_many_values(main, name) if own else has_many_values(values)


def write_frame(frame: Frame, path: Path) -> None:
    """Write the frame file, whole or not at all."""
    write_table(frame.table, path, column_encoding=frame.encodings)


def label_rows(time_s: Values, runs: Sequence[Run], state: str) -> Values:
    """A state channel's word at each row, shape of time_s; 'unknown' where nothing was found."""
    numbers, words = _label_numbers(time_s, runs, state)
    return np.array(words, dtype=object)[numbers]


def _label_numbers(time_s: Values, runs: Sequence[Run], state: str) -> tuple[NDArray[np.int32], list[str]]:
    """The same as numbers of words, and the words."""
    numbers = np.zeros(len(time_s), dtype=np.int32)
    words = [_UNKNOWN]
    for run in runs:
        if run.channel == state:
            start, stop = np.searchsorted(time_s, (run.segment.start_s, run.segment.stop_s), side="left")
            if run.value not in words:
                words.append(run.value)
            numbers[start:stop] = words.index(run.value)
    return numbers, words


def _label_array(time_s: Values, runs: Sequence[Run], state: str) -> pa.Array:
    numbers, words = _label_numbers(time_s, runs, state)
    used = np.bincount(numbers, minlength=len(words)) > 0  # words covered by later runs are left out
    place = (np.cumsum(used) - 1).astype(np.int32)
    kept = [word for word, seen in zip(words, used.tolist(), strict=True) if seen]
    return pa.DictionaryArray.from_arrays(place[numbers], pa.array(kept, pa.string()))


def state_runs(detection: Detection) -> tuple[Run, ...]:
    """The detection's runs, phases of flight among them."""
    if any(run.channel == "phase" for run in detection.runs):
        return detection.runs
    return detection.runs + tuple(Run("phase", phase.kind, phase.segment) for phase in detection.phases)


def flap_angle(position: Values | None, setting: Values, settings: Settings) -> tuple[Values | None, str]:
    """Flap angle [rad] at each row from what settings.toml says of the flap settings, and its origin.

    From the recorded position by straight lines between the settings that have position and
    angle; else from the setting's name. NaN in transit and where it is not named; None when no
    setting has an angle. Nothing is assumed for settings that are not named.
    """
    named = {one.name: one.angle for one in settings.aircraft.flap_settings if one.angle is not None}
    points = sorted(
        (one.position, one.angle)
        for one in settings.aircraft.flap_settings
        if one.position is not None and one.angle is not None
    )
    if position is not None and len(points) >= 2:
        known, angles = np.array(points, dtype=np.float64).T
        # a share of travel a little beyond the last named setting is play, not another setting
        return np.interp(position, known, angles), "flap_position"
    if named and any(word in named for word in set(setting)):
        return np.array([named.get(word, np.nan) for word in setting], dtype=np.float64), "flap"
    return None, ""


def _clock_columns(sortie: str, main: Track) -> tuple[list[pa.Array], list[pa.Field]]:
    time_s, rows = main.time_s, len(main.time_s)
    usual = main.median_step_s if rows > 1 else 0.0
    step = np.diff(time_s, append=time_s[-1:] + usual)
    is_gap = step > gap_limit_s(main)
    gap = np.concatenate(([0], np.cumsum(is_gap)[:-1])).astype(np.int32)
    until = time_s + np.where(is_gap, usual, step)
    arrays = [
        pa.DictionaryArray.from_arrays(pa.array(np.zeros(rows, dtype=np.int32)), pa.array([sortie])),
        pa.array(np.arange(rows, dtype=np.int32)),
        pa.array(time_s),
        pa.array(until),
        pa.array(gap),
    ]
    names = ("sortie", "i", "t", "until", "gap")
    units = {"t": "s", "until": "s"}
    fields = [
        pa.field(name, array.type, metadata={"unit": units[name]} if name in units else None)
        for name, array in zip(names, arrays, strict=True)
    ]
    return arrays, fields


def _column_array(values: Values) -> pa.Array:
    if values.dtype == object:
        return pa.array(values, pa.string()).dictionary_encode()
    if np.isnan(values).any():
        return pa.array(values, pa.float64(), from_pandas=True)
    return pa.array(values, pa.float64())  # no copy: what is recorded is not changed


def _unit_metadata(name: str) -> dict[str, str] | None:
    unit = unit_of_channel(name)
    return {"unit": unit} if unit else None


def recorded_column(recording: Recording, name: str) -> Column | None:
    """The column a frame channel was taken from, None for states and what was computed here."""
    holders = recording.holders(name)
    return holders[0].columns[name] if holders else None
