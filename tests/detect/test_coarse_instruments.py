"""Logs of coarse and slow instruments: whole knots once a second, a flow meter's tenths, an engine monitor's row in 5 s."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from trimshot.detect.engine import read_engine
from trimshot.detect.engine_events import power_events
from trimshot.detect.governor import is_governed
from trimshot.detect.points import find_points
from trimshot.detect.quantities import quantities_of, stuck
from trimshot.detect.run import detect
from trimshot.detect.signal import make_grid
from trimshot.detect.spikes import LEAST_AIRSPEED, despike
from trimshot.detect.states import find_states
from trimshot.shared.recording import Floats, Recording
from trimshot.shared.settings import Settings

KNOT, FOOT, FLOW = 1852.0 / 3600.0, 0.3048, 0.003785411784 / 3600.0
SECONDS = np.arange(900.0)


def steps(*rows: tuple[float, float], time_s: Floats = SECONDS) -> Floats:
    return np.interp(time_s, [r[0] for r in rows], [r[1] for r in rows])


def panel(**more: Any) -> dict[str, Any]:
    """Take-off at 40 s, climb, a glide at 90 kt from 300 to 420 s and level flight: as a panel of 1 Hz writes it."""
    knots = steps((0, 0), (30, 0), (45, 60), (60, 90), (880, 90), (899, 60))
    knots = knots + 0.45 * np.sin(SECONDS / 3.0) * (knots > 80)  # flickers between two whole knots
    feet = steps((0, 1000), (42, 1000), (300, 6000), (420, 4400), (899, 4400))
    return {
        "time_s": SECONDS,
        "indicated_airspeed": np.round(knots) * KNOT,
        "recorded_true_airspeed": np.round(knots) * KNOT * (1.0 + feet / 60000.0),
        "pressure_altitude": np.round(feet / 10.0) * 10.0 * FOOT,
        "bank": np.zeros(900),
        **more,
    }


def written_in(recording: Recording, **digits: float) -> Recording:
    """The recording with the last digits its recorders wrote, SI, as the readers tell them."""
    tracks = tuple(
        dataclasses.replace(
            track,
            columns={name: dataclasses.replace(c, step=digits.get(name)) for name, c in track.columns.items()},
        )
        for track in recording.tracks
    )
    return dataclasses.replace(recording, tracks=tracks)


def quantities(recording: Recording) -> Any:
    grid = make_grid(recording)
    states = find_states(grid, Settings(), recording)
    return quantities_of(grid, states.labels, states.flight.airborne)


def test_a_knot_to_and_fro_is_no_spike_thirty_are() -> None:
    whole = np.full(600, 100.0) * KNOT + np.linspace(0.0, 1.0, 600)  # a true airspeed: the height makes it creep
    whole[::40] += KNOT
    whole[301] += 30 * KNOT
    clean = despike(whole, 3, least=LEAST_AIRSPEED)
    assert np.flatnonzero(np.isnan(clean)).tolist() == [301]


def test_a_hole_in_the_true_airspeed_is_no_jump_of_energy(make_recording: Any) -> None:
    columns = panel()
    columns["recorded_true_airspeed"][500:510] = np.nan
    rate = quantities(make_recording(display=columns)).energy_rate.values
    level = rate[5 * 480 : 5 * 530]
    assert np.isfinite(level).all()
    # a knot within six seconds at 100 kt true: (V/g) dV/dt = 51 x 0.51 / 6 / 9.8 = 0.45 m/s; the mix of both speeds was 7 kt off
    assert np.abs(level).max() < 2 * 0.45


def test_the_last_digit_of_an_idling_engines_flow_does_not_cut_a_glide(make_recording: Any) -> None:
    """0.5 and 0.6 gal/h in turn are one throttle setting: the flow meter writes tenths."""
    gallons = steps((0, 0.8), (28, 0.8), (30, 7.0), (298, 7.0), (301, 0.55), (419, 0.55), (422, 4.0), (899, 4.0))
    idle = (gallons < 0.7) & (SECONDS > 100)
    gallons = np.where(idle, 0.5 + 0.1 * ((SECONDS // 25) % 2), gallons)
    turning = np.where(idle, 30.0, np.where(gallons > 2.0, 40.0, 15.0))
    engine = {"time_s": SECONDS, "fuel_flow": gallons * FLOW, "engine_speed": turning}
    recording = written_in(make_recording(display=panel(), engine=engine), fuel_flow=0.1 * FLOW)
    points, _ = find_points(
        grid := make_grid(recording), find_states(grid, Settings(), recording), Settings(), recording
    )
    (glide,) = [p for p in points if p.kind == "glide"]
    assert glide.segment.start_s < 315
    assert glide.segment.stop_s > 405


@pytest.mark.parametrize(("power", "governed"), [(0.25, False), (0.0, True)])
def test_gusts_do_not_make_a_fixed_pitch_propeller_a_governed_one(
    make_recording: Any, power: float, governed: bool
) -> None:
    """Airspeed of 1.8 kt gusts, forgotten in 2 s, that no propeller follows; speed runs of 10 kt that it does."""
    display = panel()
    smooth_knots = 90 + 10 * np.sin(2 * np.pi * SECONDS / 90.0)
    gust, noise = np.zeros(900), np.random.default_rng(11).normal(0.0, 1.8, 900)
    for k in range(1, 900):
        gust[k] = 0.6 * gust[k - 1] + 0.8 * noise[k]
    flown = np.where(SECONDS > 60, smooth_knots, display["indicated_airspeed"] / KNOT)
    display["indicated_airspeed"] = np.round(np.maximum(flown + gust * (SECONDS > 45), 0.0)) * KNOT
    del display["recorded_true_airspeed"]
    engine = {
        "time_s": SECONDS,
        "engine_speed": 40.0 * (np.maximum(flown, 30.0) / 90.0) ** power,
        "fuel_flow": steps((0, 1.0), (28, 1.0), (30, 7.0), (850, 7.0), (860, 1.0)) * FLOW,
    }
    recording = make_recording(display=display, engine=engine)
    grid = make_grid(recording)
    states = find_states(grid, Settings(), recording)
    told = read_engine(recording, grid, states.flight.airborne)
    assert told is not None
    assert is_governed(told) is governed


def test_a_monitor_of_a_row_in_five_seconds_shows_a_quick_throttle(make_recording: Any) -> None:
    rows = SECONDS[::5]
    pressure = steps((0, 4e4), (28, 4e4), (30, 9e4), (202, 9e4), (203, 5.5e4), (502, 5.5e4), (503, 8e4), time_s=rows)
    engine = {"time_s": rows, "manifold_pressure": pressure, "engine_speed": np.full(len(rows), 40.0)}
    recording = make_recording(display=panel(), engine=engine)
    grid = make_grid(recording)
    states = find_states(grid, Settings(), recording)
    told = read_engine(recording, grid, states.flight.airborne)
    assert told is not None
    times = [e.time_s for e in power_events(told) if e.facts["airborne"]]
    assert times == pytest.approx([202.5, 502.5], abs=2.5)  # the throttle was moved between two rows


def test_a_height_in_tens_of_feet_flickers_on_the_runway_and_is_not_flying(make_recording: Any) -> None:
    """Touchdown at 500 s; the display shows 1000 and 1010 ft in turn while the aircraft still rolls fast."""
    feet = steps((0, 1000), (42, 1000), (200, 3000), (400, 3000), (500, 1000), (899, 1000))
    feet = np.round(feet / 10.0) * 10.0 + 10.0 * ((SECONDS > 502) & (SECONDS % 4 < 1))
    knots = steps((0, 0), (30, 0), (45, 60), (60, 90), (470, 90), (500, 62), (520, 45), (560, 0))
    display = {"time_s": SECONDS, "indicated_airspeed": np.round(knots) * KNOT, "pressure_altitude": feet * FOOT}
    recording = written_in(make_recording(display=display), pressure_altitude=10 * FOOT)
    (down,) = [e for e in detect(recording, Settings()).events if e.kind == "touchdown"]
    assert down.time_s == pytest.approx(500, abs=down.uncertainty_s)
    # ten feet at 1 m/s are three seconds, and a second for the rest
    assert down.uncertainty_s == pytest.approx(np.hypot(1.0, 10 * FOOT), rel=0.01)


@pytest.mark.parametrize(("row_s", "least_s"), [(1.0, 15.0), (5.0, 30.0)])
def test_a_point_has_six_rows_at_least(make_recording: Any, row_s: float, least_s: float) -> None:
    """Level at 90 kt for 22 s between changes of speed, again and again: four rows of 5 s are no steady flight."""
    held = [(100 + 40 * k + d, 80 + 15 * (k % 2)) for k in range(15) for d in (0, 22)]
    knots = steps((0, 0), (30, 0), (45, 60), (60, 80), *held)
    feet = np.full(900, 1000.0) + steps((42, 0), (90, 2000))
    rows = slice(None, None, round(row_s))
    display = {
        "time_s": SECONDS[rows],
        "indicated_airspeed": knots[rows] * KNOT,
        "pressure_altitude": feet[rows] * FOOT,
    }
    found = detect(make_recording(display={**display, "bank": np.zeros(len(SECONDS[rows]))}), Settings()).points
    short = [p for p in found if p.segment.start_s < 650]
    assert bool(short) == (row_s < 5.0)
    assert all(p.segment.duration_s >= least_s for p in found)


def test_equal_rows_of_a_slow_recorder_are_not_stuck_and_a_minute_of_whole_knots_neither() -> None:
    """Rows of 5 s read every 0.2 s: two equal ones are 25 equal samples, and chance makes many such pairs."""
    rows = np.round(50.0 + np.random.default_rng(3).normal(0.0, 1.0, 400).cumsum() % 9.0, 1)
    rows[100:102], rows[200:230] = rows[100], rows[200]
    read = np.interp(np.arange(0.0, 1995.0, 0.2), np.arange(400) * 5.0, rows)
    found = stuck(read, 0.2, row_s=5.0)
    assert not found[: 5 * 990].any()
    assert found[5 * 1005 : 5 * 1140].all()
    assert stuck(read, 0.2)[5 * 501 : 5 * 504].all()  # taken for rows of 0.2 s it would be stuck
    knots = np.round(50.0 + 0.1 * np.random.default_rng(5).normal(0.0, 1.0, 3000).cumsum())
    knots[1000:1060] = knots[1000]
    whole = np.where(np.arange(3000) % 3 == 0, knots + 1.0, knots)  # seldom the same twice elsewhere
    whole[1000:1060] = knots[1000]
    assert not stuck(whole * KNOT, 1.0, row_s=1.0, digit=KNOT).any()
    assert stuck(whole * KNOT, 1.0, row_s=1.0, digit=0.1 * KNOT)[1001:1059].all()


def test_what_was_not_judged_of_points_is_said(make_recording: Any) -> None:
    columns = panel()
    del columns["bank"]
    detection = detect(make_recording(display=columns), Settings())
    (told,) = [f for f in detection.findings if f.where == "points"]
    assert told.level == "doubt"
    assert "wings were level" in told.text
    assert "power stood still" in told.text
    assert detection.points
    assert all(0.0 < p.score <= 1.0 for p in detection.points)  # what is not recorded counts neither for nor against


def test_where_all_is_recorded_nothing_is_said(make_recording: Any) -> None:
    engine = {"time_s": SECONDS, "engine_speed": np.full(900, 40.0)}
    detection = detect(make_recording(display=panel(), engine=engine), Settings())
    assert not [f for f in detection.findings if f.where == "points"]
