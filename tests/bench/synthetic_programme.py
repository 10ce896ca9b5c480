"""A programme of many made-up flights, written by the store's own writers: python -m tests.bench.synthetic_programme FOLDER 1000

Every flight is the hour of `flight`, 36,000 rows of 40 channels, begun at another moment of it (so that no two are alike),
higher or lower, with one data gap, and the states, events and points a detector would tell of it. Invented throughout; only the
frames and the catalog are written, which is all a question across flights reads. A programme that is there already grows.
"""

from __future__ import annotations

import argparse
import datetime as dt
import functools
import sys
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from trimshot.shared.findings import ConfigState, Detection, Event, Phase, Run, Segment, StabilisedPoint, Statistic
from trimshot.shared.frame import gap_limit_s
from trimshot.shared.recording import Clock, Column, Recording, Source, Track
from trimshot.shared.settings import Settings
from trimshot.shared.units import to_si
from trimshot.shared.vocabulary import STATES, unit_of_channel
from trimshot.store.commit import _insert, open_store
from trimshot.store.frame import build_frame, state_runs, write_frame
from trimshot.store.places import frame_file
from trimshot.store.programme import Programme, create_programme
from trimshot.store.rows import catalog_rows

from .flight import COLUMNS, sample_channels

Values = NDArray[np.float64]
Words = NDArray[np.object_]

ROWS, RATE_HZ = 36_000, 10
FIRST = dt.datetime(2025, 5, 8, 9, 0, tzinfo=dt.UTC)
_AT_ONCE = 25  # flights in one transaction
_GAP_S = 20.0
_NAMES = (
    "indicated_airspeed", "pressure_altitude", "baro_altitude", "altimeter_setting", "vertical_speed",
    "outside_air_temperature", "pitch", "bank", "heading_magnetic", "pitch_rate",
    "roll_rate", "yaw_rate", "normal_load_factor", "lateral_load_factor", "longitudinal_load_factor",
    "latitude", "longitude", "gnss_altitude", "ground_speed", "track_true",
    "engine_speed", "manifold_pressure", "fuel_flow", "fuel_quantity", "oil_temperature",
    "oil_pressure", "cylinder_head_temperature_1", "cylinder_head_temperature_2", "", "",
    "exhaust_gas_temperature_1", "exhaust_gas_temperature_2", "", "", "bus_voltage",
    "bus_current", "power_lever", "flap_angle", "gear_down_locked", "weight_on_wheels",
)  # fmt: skip
_UNITS = {"gal/h": "usgal/h", "gal": "usgal"}


def main() -> None:
    """Make or grow a programme and say how large it is."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.synthetic_programme", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("flights", type=int)
    asked = parser.parse_args()
    grow_programme(asked.folder, asked.flights)
    frames = sum(path.stat().st_size for path in asked.folder.glob("sorties/*/frame.parquet"))
    catalog = (asked.folder / "programme.duckdb").stat().st_size
    print(f"{asked.flights} flights: frames {frames / 1e6:.0f} MB, catalog {catalog / 1e6:.0f} MB")


def grow_programme(folder: Path, flights: int) -> Programme:
    """A programme with this many flights, F0000 on; those already there stay."""
    programme = Programme(folder.resolve()) if folder.exists() else create_programme(folder)
    there = len(programme.sorties())
    batches = [range(first, min(first + _AT_ONCE, flights)) for first in range(there, flights, _AT_ONCE)]
    with ProcessPoolExecutor(2) as pool:
        for number, tables in enumerate(pool.map(functools.partial(_write_batch, programme.folder), batches)):
            with open_store(programme.folder) as connection:
                _insert(connection, tables)
            print(f"\r{batches[number][-1] + 1} flights", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return programme


def _write_batch(folder: Path, numbers: range) -> dict[str, pa.Table]:
    tables = [write_flight(folder, number) for number in numbers]
    return {name: pa.concat_tables([one[name] for one in tables]) for name in tables[0]}


def write_flight(folder: Path, number: int) -> dict[str, pa.Table]:
    """Write one flight's frame; gives its rows for the catalog."""
    recording = make_recording(number)
    detection = make_detection(recording)
    frame = build_frame(recording, state_runs(detection), Settings())
    path = frame_file(folder, recording.sortie_id)
    path.parent.mkdir()
    write_frame(frame, path)
    name = recording.sortie_id
    return catalog_rows(recording, detection, Settings(), frame=frame, content_hash=name, addition=name)


@functools.cache
def _hour() -> dict[str, Values]:
    """The hour's channels, SI."""
    samples = sample_channels(np.arange(ROWS) / RATE_HZ)
    hour = {}
    for name, (header, decimals) in zip(_NAMES, COLUMNS, strict=True):
        if name:
            unit = header[header.index("[") + 1 : -1] if "[" in header else "1"
            values = np.round(samples[header], decimals) + 0.0
            hour[name] = values if unit_of_channel(name) == "deg" else to_si(values, _UNITS.get(unit, unit))
    rate = np.gradient(_smooth(hour["pressure_altitude"], 21)) * RATE_HZ
    return hour | {
        "calibrated_airspeed": hour["indicated_airspeed"] * 1.01,
        "true_airspeed": hour["indicated_airspeed"] * (1.01 + hour["pressure_altitude"] / 20_000),
        "pressure_altitude_rate": rate,
        "sink_rate": -rate,
    }


def make_recording(number: int) -> Recording:
    """Flight `number` as a recording of one track."""
    random = np.random.default_rng(number)
    begin, higher = int(random.integers(ROWS)), float(random.integers(-300, 1500))
    hour = {name: np.roll(values, -begin) for name, values in _hour().items()}
    for name in ("pressure_altitude", "baro_altitude", "gnss_altitude"):
        hour[name] = hour[name] + higher
    hour["bank"] = hour["bank"] * random.choice([-1.0, 1.0])
    time_s = np.arange(ROWS) / RATE_HZ
    time_s[int(random.integers(ROWS)) :] += _GAP_S
    source = Source("log.csv", f"{number:064x}", 8_000_000, "made up", 1, "layout", Clock("utc"))
    columns = {name: Column(name, values, unit_of_channel(name), name) for name, values in hour.items()}
    track = Track("display", time_s, columns, (source,), np.arange(ROWS), np.zeros(ROWS, dtype=np.int16))
    return Recording(f"F{number:04d}", FIRST + dt.timedelta(hours=6 * number), (track,), "display", sources=(source,))


def make_detection(recording: Recording) -> Detection:
    """States by thresholds, an event at every change of gear and flap, a point in every longer stretch of one state."""
    track = recording.track("display")
    samples = {name: column.values for name, column in track.columns.items()}
    words = _states(samples)
    runs = tuple(run for state in STATES for run in _runs(state, words[state], track))
    phases = tuple(Phase(run.segment, run.value) for run in runs if run.channel == "phase")
    events = tuple(
        Event(f"{run.channel}_{run.value}", run.segment.start_s, run.segment.start_s + 4, 0.1, run.channel, 0.0, 1.0, 1.0, "made up/1")
        for run in runs
        if run.channel in ("gear", "flap") and run.segment.start_s > 0
    )  # fmt: skip
    long = [run.segment for run in runs if run.channel == "phase" and run.segment.stop_s - run.segment.start_s > 100]
    points = tuple(_point(samples, track.time_s, segment) for segment in long)
    return Detection(points, (), events, runs, (), phases, (), "0" * 16)


def _states(samples: Mapping[str, Values]) -> dict[str, Words]:
    flap, speed = np.degrees(samples["flap_angle"]), samples["indicated_airspeed"]
    climb, boost = _smooth(samples["vertical_speed"], 101), samples["manifold_pressure"]
    return {
        "gear": np.where(samples["gear_down_locked"] > 0.5, "down", "up").astype(object),
        "flap": np.select([flap < 0.5, abs(flap - 10) < 0.5, flap > 19.5], ["up", "half", "full"], "transit").astype(object),
        "power": np.select([boost < 45e3, boost > 88e3], ["idle", "full"], "part").astype(object),
        "propulsion": np.where(boost < 45e3, "idle", "power").astype(object),
        "phase": np.select([speed < 15, climb > 1.5, climb < -1.2], ["ground", "climb", "descent"], "cruise").astype(object),
    }  # fmt: skip


def _runs(state: str, words: Words, track: Track) -> list[Run]:
    """Run-length form; a run ends at the start of the next row, or before a gap."""
    ends = np.append(track.time_s[1:], track.time_s[-1] + 1 / RATE_HZ)
    is_gap = ends - track.time_s > gap_limit_s(track)
    ends[is_gap] = track.time_s[is_gap] + 1 / RATE_HZ
    breaks = np.flatnonzero((words[1:] != words[:-1]) | is_gap[:-1]) + 1
    first, last = np.append(0, breaks), np.append(breaks, len(words)) - 1
    return [
        Run(state, str(words[a]), Segment(float(track.time_s[a]), float(ends[b])))
        for a, b in zip(first, last, strict=True)
    ]


def _point(samples: Mapping[str, Values], time_s: Values, segment: Segment) -> StabilisedPoint:
    rows = (time_s >= segment.start_s + 20) & (time_s < segment.start_s + 60)
    statistics = {}
    for name, values in samples.items():
        some = values[rows]
        spread = float(some.std())
        statistics[name] = Statistic(
            float(some.mean()), spread, 0.0, spread / 20, len(some), unit_of_channel(name) or "1", float(some.min()), float(some.max())
        )  # fmt: skip
    inner = Segment(segment.start_s + 20, segment.start_s + 60)
    return StabilisedPoint(inner, "glide", ConfigState(inner, "up", "up", "idle", "idle"), statistics, 0.5, "made up/1")


def _smooth(values: Values, rows: int) -> Values:
    padded = np.pad(values, rows // 2, mode="edge")
    return np.convolve(padded, np.ones(rows) / rows, mode="valid")


if __name__ == "__main__":
    main()
