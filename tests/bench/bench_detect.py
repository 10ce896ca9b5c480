"""What detection costs: the whole of it, its parts, how it grows, and two usual change-point searches beside it.

    python -m tests.bench.bench_detect            # 5 rounds, about three minutes
    python -m tests.bench.bench_detect --rounds 3 --quick

The recordings are made up on the spot (see `flight`): 40 recorded channels and those derived from
them, one hour at 10 Hz (the base of all ratios), ten hours at 10 Hz, one hour at 100 Hz. Beside
the base, in the same rounds: our two-line search, and `ruptures.KernelCPD(kernel="linear")` with a penalty,
both over six signals of the hour at full rate. Exact line PELT grows faster than its signal, so it is run
on excerpts only and its time for the hour is extrapolated from how it grew.
"""

from __future__ import annotations

import argparse
import datetime as dt
import time
from collections.abc import Callable
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
from trimshot.shared.recording import Clock, Column, Recording, Source, Track
from trimshot.shared.settings import Settings
from trimshot.shared.units import to_si
from trimshot.shared.vocabulary import unit_of_channel

from .flight import sample_channels
from .rounds import as_table, compare

Floats = NDArray[np.float64]

BASE = "detect, 1 h at 10 Hz"
SIGNALS = ("indicated_airspeed", "pressure_altitude", "pitch", "bank", "engine_speed", "manifold_pressure")
PENALTY_PER_CHANNEL = 20.0
EXCERPTS = (450, 900, 1800)

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
    asked = parser.parse_args()
    hour = make_recording(hours=1, rate_hz=10)
    print(f"\nStages of the hour at 10 Hz, {asked.rounds} rounds\n")
    print(as_table(compare(stages(hour), BASE, rounds=asked.rounds)))
    if asked.quick:
        return
    print(f"\nGrowth, {asked.rounds} rounds\n")
    print(as_table(compare(growth(hour), BASE, rounds=asked.rounds)))
    print(f"\nChange-point searches of the hour at 10 Hz, six signals, {asked.rounds} rounds\n")
    print(as_table(compare(searches(hour), BASE, rounds=asked.rounds)))
    print(f"\n{', '.join(f'{name}: {len(work())} changes' for name, work in searches(hour).items() if name != BASE)}")
    print("\nExact line PELT of excerpts of the same signals\n")
    print(excerpts_table(scaled_signals(hour)))


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
        "our two-line search": lambda: two_line_search(signals, penalty, 10),
        'ruptures KernelCPD(kernel="linear"), penalty': lambda: (
            ruptures.KernelCPD(kernel="linear", min_size=10).fit(signals.T).predict(pen=penalty)
        ),
    }


def _penalty(signals: Floats) -> float:
    return float(PENALTY_PER_CHANNEL * len(signals) * np.log(signals.shape[1]))


def excerpts_table(signals: Floats) -> str:
    """Times of exact line PELT of growing excerpts, and what that growth makes of the whole."""
    rows = ["| samples | processor s | changes |", "|---|---|---|"]
    seconds = []
    for count in EXCERPTS:
        middle = signals.shape[1] // 3
        part = signals[:, middle : middle + count]
        began = time.process_time()
        changes = line_pelt(part, _penalty(signals), 10)
        seconds.append(time.process_time() - began)
        rows.append(f"| {count} | {seconds[-1]:.2f} | {len(changes)} |")
    power = np.polyfit(np.log(EXCERPTS), np.log(seconds), 1)[0]
    whole = seconds[-1] * (signals.shape[1] / EXCERPTS[-1]) ** power
    rows.append(f"| {signals.shape[1]} | {whole:.0f}, extrapolated with n^{power:.2f}, not run | - |")
    return "\n".join(rows)


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
