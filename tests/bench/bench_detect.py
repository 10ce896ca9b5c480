"""What detection costs: the whole of it, its parts, how it grows, and two usual change-point searches beside it.

    python -m tests.bench.bench_detect            # 5 rounds, about two minutes
    python -m tests.bench.bench_detect --rounds 3 --quick
    python -m tests.bench.bench_detect --pelt     # only our search beside exact line PELT, at three penalties
    python -m tests.bench.bench_detect --sorties tests/data/sorties    # only what real-looking sorties take an hour

The recordings are made up on the spot (see `flight`): 40 recorded channels and those derived from
them, one hour at 10 Hz (the base of all ratios), ten hours at 10 Hz, one hour at 100 Hz. Beside
the base, in the same rounds: our two-line search, and `ruptures.KernelCPD(kernel="linear")` with a penalty,
both over six signals of the hour at full rate. Exact line PELT, whole and at full rate, is run once at each penalty,
and the changes of both are compared with the times at which the made-up flight's set-points begin or end to move.
"""

from __future__ import annotations

import argparse
import datetime as dt
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import ruptures
from numpy.typing import NDArray

from trimshot.detect.changepoints import noise_scale
from trimshot.detect.cost import LineCost
from trimshot.detect.events import find_events
from trimshot.detect.points import find_points
from trimshot.detect.run import detect
from trimshot.detect.search import two_line_search
from trimshot.detect.signal import make_grid
from trimshot.detect.states import find_states
from trimshot.ingest.derive import derive
from trimshot.ingest.sortie import read_sortie
from trimshot.shared.recording import Clock, Column, Recording, Source, Track
from trimshot.shared.settings import Settings
from trimshot.shared.units import to_si
from trimshot.shared.vocabulary import unit_of_channel

from .flight import sample_channels, true_changes
from .rounds import as_table, compare

Floats = NDArray[np.float64]

BASE = "detect, 1 h at 10 Hz"
SIGNALS = ("indicated_airspeed", "pressure_altitude", "pitch", "bank", "engine_speed", "manifold_pressure")
PENALTY_PER_CHANNEL = 20.0
PENALTIES = (5.0, 10.0, 20.0)
WIDTHS = (20, 60)  # samples: 2 s and 6 s
MINIMUM = 10

# header of `flight`, our channel, its unit there
_CHANNELS = (
    ("IndSpeed [kt]", "indicated_airspeed", "kt"), ("PressAlt [ft]", "pressure_altitude", "ft"),
    ("BaroAlt [ft]", "baro_altitude", "ft"), ("VertSpeed [ft/min]", "vertical_speed", "fpm"),
    ("OAT [degC]", "outside_air_temperature", "degC"), ("PitchAtt [deg]", "pitch", "deg"),
    ("RollAtt [deg]", "bank", "deg"), ("MagHead [deg]", "heading_magnetic", "deg"),
    ("PitchRate [deg/s]", "pitch_rate", "deg/s"), ("RollRate [deg/s]", "roll_rate", "deg/s"),
    ("YawRate [deg/s]", "yaw_rate", "deg/s"), ("NormAcc [g]", "normal_load_factor", "g"),
    ("LatAcc [g]", "lateral_load_factor", "g"), ("LongAcc [g]", "longitudinal_load_factor", "g"),
    ("Latitude [deg]", "latitude", "deg"), ("Longitude [deg]", "longitude", "deg"),
    ("GPS Alt MSL [ft]", "gnss_altitude", "ft"), ("GndSpd [kt]", "ground_speed", "kt"),
    ("Track [deg]", "track_true", "deg"), ("RPM [rpm]", "engine_speed", "rpm"),
    ("MAP [inHg]", "manifold_pressure", "inHg"), ("FuelFlow [gal/h]", "fuel_flow", "usgal/h"),
    ("OilTemp [degF]", "oil_temperature", "degF"), ("OilPress [psi]", "oil_pressure", "psi"),
    ("Gear Down Locked", "gear_down_locked", None), ("Squat Switch", "weight_on_wheels", None),
    ("Flap Angle [deg]", "flap_angle", "deg"),
    *((f"CHT{k} [degF]", f"cylinder_head_temperature_{k}", "degF") for k in range(1, 5)),
    *((f"EGT{k} [degF]", f"exhaust_gas_temperature_{k}", "degF") for k in range(1, 5)),
)  # fmt: skip


def main() -> None:
    """Run what the command line asks for and print Markdown."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.bench_detect", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--quick", action="store_true", help="without the long recordings and the other searches")
    parser.add_argument("--pelt", action="store_true", help="only our search beside exact line PELT")
    parser.add_argument("--sorties", type=Path, help="only the sorties of this folder, a zip or folder each")
    asked = parser.parse_args()
    if asked.sorties:
        print(per_flight_hour(asked.sorties, asked.rounds))
        return
    hour = make_recording(hours=1, rate_hz=10)
    if asked.pelt:
        print(beside_pelt(scaled_signals(hour)))
        return
    print(f"\nStages of the hour at 10 Hz, {asked.rounds} rounds\n")
    print(as_table(compare(stages(hour), BASE, rounds=asked.rounds)))
    if asked.quick:
        return
    print(f"\nGrowth, {asked.rounds} rounds\n")
    print(as_table(compare(growth(hour), BASE, rounds=asked.rounds)))
    print(f"\nChange-point searches of the hour at 10 Hz, six signals, {asked.rounds} rounds\n")
    print(as_table(compare(searches(hour), BASE, rounds=asked.rounds)))
    print(f"\n{', '.join(f'{name}: {len(work())} changes' for name, work in searches(hour).items() if name != BASE)}")
    print("\nOur search beside exact line PELT, the whole hour at full rate\n")
    print(beside_pelt(scaled_signals(hour)))


def per_flight_hour(folder: Path, rounds: int) -> str:
    """Processor time of detect over the sorties of a folder: the sum of their medians over their hours."""
    spent, hours = 0.0, 0.0
    for place in sorted(folder.iterdir()):
        if place.is_dir() or place.suffix == ".zip":
            recording = read_sortie(place, Settings())
            time_s = recording.track(recording.main).time_s
            hours += float(time_s[-1] - time_s[0]) / 3600.0
            spent += compare({place.name: partial(detect, recording, Settings())}, place.name, rounds=rounds)[
                place.name
            ].cpu_s
    return f"{hours:.1f} flight hours: {spent / hours * 1e3:.0f} ms processor time each"


def make_recording(*, hours: int, rate_hz: int) -> Recording:
    """The made-up hour, repeated, as a recording with its derived channels."""
    count = 3600 * rate_hz
    samples = sample_channels(np.arange(count) / rate_hz)
    columns = {}
    for header, name, unit in _CHANNELS:
        values = samples[header]
        if unit is not None:
            values = np.asarray(to_si(values, unit), dtype=np.float64)
        columns[name] = Column(name, np.tile(values, hours), unit_of_channel(name), header, unit)
    time_s = np.arange(hours * count) / rate_hz
    source = Source("made.csv", "0" * 64, 0, "made", 1, "main", Clock("utc"))
    track = Track("main", time_s, columns, (source,), np.arange(len(time_s)), np.zeros(len(time_s), np.int16))
    return derive(Recording("made", dt.datetime(2031, 3, 14, tzinfo=dt.UTC), (track,), "main"), Settings())


def stages(recording: Recording) -> dict[str, Callable[[], object]]:
    """The whole and its parts, each with what it needs from those before it made beforehand."""
    settings = Settings()
    grid = make_grid(recording)
    states = find_states(grid, settings, recording)
    return {
        BASE: lambda: detect(recording, settings),
        "`make_grid`": lambda: make_grid(recording),
        "`find_states`": lambda: find_states(grid, settings, recording),
        "`find_events`": lambda: find_events(grid, states, settings),
        "`find_points`, statistics of all channels among it": lambda: find_points(grid, states, settings, recording),
    }


def growth(hour: Recording) -> dict[str, Callable[[], object]]:
    """Ten times as long, ten times as fast."""
    settings = Settings()
    long, fast = make_recording(hours=10, rate_hz=10), make_recording(hours=1, rate_hz=100)
    return {
        BASE: lambda: detect(hour, settings),
        "detect, 10 h at 10 Hz": lambda: detect(long, settings),
        "detect, 1 h at 100 Hz": lambda: detect(fast, settings),
    }


def scaled_signals(recording: Recording) -> Floats:
    """Six signals at full rate, each over its noise: float64 (6, n)."""
    columns = recording.track(recording.main).columns
    rows = [columns[name].values for name in SIGNALS]
    return np.stack([row / noise_scale(row) for row in rows])


def searches(recording: Recording) -> dict[str, Callable[[], Any]]:
    """Our search and the library's on the same signals with the same penalty, and the whole of detect."""
    signals = scaled_signals(recording)
    penalty = _penalty(signals)
    return {
        BASE: lambda: detect(recording, Settings()),
        "our two-line search": lambda: two_line_search(signals, penalty, MINIMUM, WIDTHS),
        'ruptures KernelCPD(kernel="linear"), penalty': lambda: (
            ruptures.KernelCPD(kernel="linear", min_size=MINIMUM).fit(signals.T).predict(pen=penalty)
        ),
    }


def _penalty(signals: Floats, per_channel: float = PENALTY_PER_CHANNEL) -> float:
    return float(per_channel * len(signals) * np.log(signals.shape[1]))


def beside_pelt(signals: Floats) -> str:
    """Changes, time and agreement with the made-up flight of our search and of PELT, at several penalties."""
    rows = [
        "| penalty a channel | search | processor ms | changes | F1 within 2 s | 5 s |",
        "|---|---|---|---|---|---|",
    ]
    for each in PENALTIES:
        penalty = _penalty(signals, each)
        spent = []
        for name, search in (
            ("ours", lambda: two_line_search(signals, penalty, MINIMUM, WIDTHS).tolist()),  # noqa: B023, called here
            ("PELT", lambda: line_pelt(signals, penalty, MINIMUM)),  # noqa: B023
        ):
            began = time.process_time()
            changes = search()
            spent.append(time.process_time() - began)
            scores = [f1(np.array(changes) / 10.0, true_changes(), within_s) for within_s in (2.0, 5.0)]
            rows.append(
                f"| {each:.0f} log n | {name} | {spent[-1] * 1e3:.0f} | {len(changes)} | {scores[0]:.3f} | {scores[1]:.3f} |"
            )
        rows.append(f"| | PELT over ours | {spent[1] / spent[0]:.0f} times | | | |")
    return "\n".join(rows)


def f1(found: Floats, true: Floats, within_s: float) -> float:
    """Harmonic mean of precision and recall; each true change is found once, by the nearest in order of time."""
    left, hits = list(true), 0
    for one in found:
        near = [other for other in left if abs(other - one) <= within_s]
        if near:
            left.remove(min(near, key=lambda other: abs(other - one)))
            hits += 1
    return 2.0 * hits / (len(found) + len(true))


def line_pelt(signals: Floats, penalty: float, minimum: int) -> list[int]:
    """The cheapest description by straight lines, exactly (PELT: Killick, Fearnhead and Eckley 2012)."""
    cost = LineCost(signals)
    best = np.full(cost.length + 1, np.inf)
    best[0] = -penalty
    last = np.zeros(cost.length + 1, dtype=np.int64)
    until = np.full(cost.length + 1, cost.length + minimum)  # a start beaten at t may go once t itself can be a start
    kept = np.zeros(1, dtype=np.int64)
    for stop in range(minimum, cost.length + 1):
        total = best[kept] + cost.error(kept, np.full(len(kept), stop))
        place = int(total.argmin())
        best[stop], last[stop] = total[place] + penalty, kept[place]
        beaten = kept[total >= best[stop]]
        until[beaten] = np.minimum(until[beaten], stop + minimum)
        kept = np.append(kept[until[kept] > stop + 1], stop - minimum + 1)
    changes, at = [], cost.length
    while last[at] > 0:
        at = int(last[at])
        changes.append(at)
    return changes[::-1]


if __name__ == "__main__":
    main()
