"""Clocks against flights made here: the motion is known, so is every recorder's error.

Nothing of the program makes the flights; expected values are the errors put in.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimshot.ingest.clock import Alignment, align
from trimshot.ingest.clock.line import Shifts, fit_line
from trimshot.ingest.clock.pieces import split_track
from trimshot.ingest.even import even_stamps
from trimshot.shared.codes import CODES
from trimshot.shared.recording import Clock, Column, Floats, Source, Track
from trimshot.shared.vocabulary import unit_of_channel

LENGTH_S = 1500.0
GRAVITY = 9.80665


# -- flights made for the tests -------------------------------------------------------------------


class Flight:
    """Smooth random flying: sums of sines, position by integrating velocity at 50 Hz."""

    def __init__(self, seed: int = 1, length_s: float = LENGTH_S) -> None:
        random = np.random.default_rng(seed)
        self.time_s = np.arange(-400.0, length_s + 400.0, 0.02)

        def wander(size: float, shortest: float) -> Floats:
            periods = random.uniform(shortest, 12 * shortest, 12)
            phases = random.uniform(0, 2 * np.pi, 12)
            waves = np.sin(2 * np.pi * self.time_s[:, None] / periods + phases) @ np.sqrt(periods / periods.sum())
            return np.asarray(size * waves / waves.std())

        speed = 50.0 + wander(5.0, 15.0)
        course = wander(1.5, 25.0)
        east, north = np.cumsum(speed * np.sin(course)) * 0.02, np.cumsum(speed * np.cos(course)) * 0.02
        self.channels = {
            "ground_speed": speed,
            "track_true": course % (2 * np.pi),
            "latitude": 46.0 + north / 111195.0,
            "longitude": 14.0 + east / (111195.0 * np.cos(np.radians(46.0))),
            "pressure_altitude": 1500.0 + wander(200.0, 60.0),
            "indicated_airspeed": 45.0 + wander(4.0, 15.0),
            "engine_speed": 40.0 + wander(3.0, 12.0),
        }

    def at(self, name: str, time_s: Floats) -> Floats:
        if name == "track_true":
            straight = np.interp(time_s, self.time_s, np.unwrap(self.channels[name]))
            return np.asarray(straight % (2 * np.pi))
        return np.asarray(np.interp(time_s, self.time_s, self.channels[name]))


def make_track(
    name: str, stamps: Floats, values: dict[str, Floats], *, basis: str = "local", files: Floats | None = None
) -> Track:
    """A track whose rows came in the order given and are kept in time order, as readers hand them on."""
    index = np.zeros(len(stamps), dtype=np.int16) if files is None else files.astype(np.int16)
    order = np.argsort(stamps, kind="stable")
    columns = {n: Column(n, v[order], unit_of_channel(n), n) for n, v in values.items()}
    sources = tuple(
        Source(f"{name}_{k}.csv", "00", 1, "test", 1, name, Clock(basis)) for k in range(int(index.max()) + 1)
    )
    row = np.arange(1, len(stamps) + 1, dtype=np.int64)
    return Track(name, stamps[order], columns, sources, row[order], index[order])


def record(
    flight: Flight,
    name: str,
    channels: tuple[str, ...],
    *,
    rate_hz: float,
    error: tuple[float, float] = (0.0, 0.0),
    late_s: float = 0.0,
    basis: str = "local",
) -> Track:
    """A recorder with the clock error (offset_s, drift_ppm), whose data come late_s late."""
    utc = np.arange(0.0, LENGTH_S, 1 / rate_hz)
    stamps = utc + error[0] + error[1] * 1e-6 * utc
    return make_track(name, stamps, {c: flight.at(c, utc - late_s) for c in channels}, basis=basis)


RECEIVER = ("latitude", "longitude", "ground_speed", "track_true")
DISPLAY = (*RECEIVER, "pressure_altitude", "indicated_airspeed", "engine_speed")


def receiver(flight: Flight, name: str = "gnss", late_s: float = 0.0) -> Track:
    return record(flight, name, RECEIVER, rate_hz=1.0, basis="utc", late_s=late_s)


def clock_of(alignment: Alignment, name: str, source: int = 0) -> Clock:
    return alignment.clocks[name][source]


def worst_error(alignment: Alignment, name: str, utc: Floats) -> float:
    """Largest distance of the corrected times from the truth, rows matched by their number."""
    track = next(t for t in alignment.tracks if t.name == name)
    order = np.lexsort((track.row, track.source_index))
    return float(np.abs(track.time_s[order] - utc).max())


def codes(alignment: Alignment) -> list[str]:
    assert {f.code for f in alignment.findings} <= set(CODES)
    return [f.code for f in alignment.findings]


# -- shared channels ------------------------------------------------------------------------------


def test_recorder_ahead_has_a_positive_offset_and_is_moved_back() -> None:
    flight = Flight()
    alignment = align([receiver(flight), record(flight, "display", DISPLAY, rate_hz=5.0, error=(2.4, 0.0))], "display")
    clock = clock_of(alignment, "display")
    assert clock.offset_s == pytest.approx(2.4, abs=0.02)
    assert clock.offset_uncertainty_s is not None and 0.05 < clock.offset_uncertainty_s < 0.2
    assert clock.reference == "gnss" and clock.channel == "position"
    assert worst_error(alignment, "display", np.arange(0.0, LENGTH_S, 0.2)) < 0.05
    assert "CLOCK_OFFSET" in codes(alignment)


def test_drift_is_resolved_when_it_shows() -> None:
    flight = Flight()
    display = record(flight, "display", DISPLAY, rate_hz=5.0, error=(-7.25, 150.0))
    alignment = align([receiver(flight), display], "display")
    clock = clock_of(alignment, "display")
    assert clock.drift_uncertainty_ppm is not None
    assert abs(clock.drift_ppm - 150.0) < 3 * clock.drift_uncertainty_ppm
    assert clock.offset_s == pytest.approx(-7.25, abs=0.05)
    assert worst_error(alignment, "display", np.arange(0.0, LENGTH_S, 0.2)) < 0.1
    assert "CLOCK_DRIFT" in codes(alignment)


def test_no_drift_is_claimed_where_there_is_none() -> None:
    flight = Flight(seed=5)
    alignment = align([receiver(flight), record(flight, "display", DISPLAY, rate_hz=5.0, error=(0.6, 0.0))], "display")
    assert clock_of(alignment, "display").drift_ppm == 0.0
    assert "CLOCK_DRIFT" not in codes(alignment)


@settings(max_examples=12, deadline=None)
@given(offset=st.floats(-280, 280), drift=st.floats(-300, 300), seed=st.integers(0, 10_000))
def test_no_error_exceeds_three_standard_deviations(offset: float, drift: float, seed: int) -> None:
    flight = Flight(seed)
    engine = record(flight, "engine", ("engine_speed",), rate_hz=1.0, error=(offset, drift))
    display = record(flight, "display", DISPLAY, rate_hz=4.0, error=(offset / 500, drift / 50))
    alignment = align([engine, display, receiver(flight)], "display")
    for name, rate in (("display", 4.0), ("engine", 1.0)):
        uncertainty = clock_of(alignment, name).offset_uncertainty_s
        assert uncertainty is not None
        assert worst_error(alignment, name, np.arange(0.0, LENGTH_S, 1 / rate)) < 3 * uncertainty


def test_a_receiver_that_answers_late_does_not_pull_the_others() -> None:
    flight = Flight()
    tracks = [receiver(flight, "quick"), receiver(flight, "slow", late_s=0.2)]
    alignment = align([*tracks, record(flight, "display", DISPLAY, rate_hz=5.0, error=(0.5, 0.0))], "display")
    assert clock_of(alignment, "display").offset_s == pytest.approx(0.5, abs=0.03)
    (lag,) = [f for f in alignment.findings if f.code == "LAG_SUSPECTED"]
    assert lag.where == "slow" and lag.facts["lag_s"] == pytest.approx(0.2, abs=0.02)


def test_without_satellites_the_main_recorder_is_the_reference_and_said_so() -> None:
    flight = Flight()
    display = record(flight, "display", ("indicated_airspeed", "engine_speed"), rate_hz=5.0)
    engine = record(flight, "engine", ("engine_speed",), rate_hz=1.0, error=(31.0, 0.0))
    alignment = align([engine, display], "display")
    assert clock_of(alignment, "display").offset_s == 0.0
    assert clock_of(alignment, "display").offset_uncertainty_s is None
    assert clock_of(alignment, "engine").offset_s == pytest.approx(31.0, abs=0.1)
    assert any(f.code == "CLOCK_UNRESOLVED" and f.where == "display" for f in alignment.findings)


def test_samples_and_their_rows_stay_together() -> None:
    flight = Flight()
    display = record(flight, "display", DISPLAY, rate_hz=5.0, error=(12.0, 80.0))
    alignment = align([receiver(flight), display], "display")
    after = next(t for t in alignment.tracks if t.name == "display")
    np.testing.assert_array_equal(after.row, display.row)
    np.testing.assert_array_equal(
        after.columns["indicated_airspeed"].values, display.columns["indicated_airspeed"].values
    )
    assert np.all(np.diff(after.time_s) >= 0)


# -- nothing to go by -----------------------------------------------------------------------------


def test_nothing_shared_is_unresolved_and_keeps_its_stamps() -> None:
    flight = Flight()
    cabin = make_track("cabin", np.arange(0.0, 900.0), {"event_mark": np.zeros(900)})
    alignment = align([receiver(flight), record(flight, "display", DISPLAY, rate_hz=5.0), cabin], "display")
    clock = clock_of(alignment, "cabin")
    assert clock.offset_s == 0.0 and clock.offset_uncertainty_s is None
    after = next(t for t in alignment.tracks if t.name == "cabin")
    np.testing.assert_array_equal(after.time_s, cabin.time_s)
    assert any(f.code == "CLOCK_UNRESOLVED" and f.level == "doubt" for f in alignment.findings)


@pytest.mark.parametrize("kind", ["constant", "noise", "periodic"])
def test_a_channel_that_cannot_tell_is_not_believed(kind: str) -> None:
    time_s = np.arange(0.0, 1200.0)
    random = np.random.default_rng(3)
    first, second = {
        "constant": (np.full(1200, 40.0), np.full(1200, 40.0)),
        "noise": (40 + random.normal(size=1200), 40 + random.normal(size=1200)),
        "periodic": (40 + np.sin(time_s * 2 * np.pi / 60), 40 + np.sin((time_s - 7.0) * 2 * np.pi / 60)),
    }[kind]
    display = make_track("display", time_s, {"engine_speed": first})
    engine = make_track("engine", time_s, {"engine_speed": second})
    assert clock_of(align([display, engine], "display"), "engine").offset_uncertainty_s is None


def test_one_track_alone_is_left_alone() -> None:
    flight = Flight()
    alone = record(flight, "display", DISPLAY, rate_hz=5.0)
    alignment = align([alone], "display")
    np.testing.assert_array_equal(alignment.tracks[0].time_s, alone.time_s)
    assert alignment.findings == ()


def test_no_tracks_at_all() -> None:
    assert align([], "display") == Alignment({}, (), ())


# -- clocks set in flight, sessions ---------------------------------------------------------------


@pytest.mark.parametrize("seconds", [20.0, -18.6])
def test_a_clock_set_in_flight_is_undone(seconds: float) -> None:
    flight = Flight()
    utc = np.arange(0.0, LENGTH_S)
    stamps = utc + 5.0 + np.where(utc >= 700.0, seconds, 0.0)
    engine = make_track("engine", stamps, {"engine_speed": flight.at("engine_speed", utc)})
    alignment = align([record(flight, "display", DISPLAY, rate_hz=5.0), engine, receiver(flight)], "display")
    assert worst_error(alignment, "engine", utc) < 0.3
    (step,) = [f for f in alignment.findings if f.code == "CLOCK_STEP"]
    assert step.facts["seconds"] == pytest.approx(seconds, abs=0.3)


def test_missing_rows_are_no_clock_step() -> None:
    flight = Flight()
    utc = np.concatenate([np.arange(0.0, 600.0), np.arange(640.0, LENGTH_S)])
    engine = make_track("engine", utc + 5.0, {"engine_speed": flight.at("engine_speed", utc)})
    alignment = align([record(flight, "display", DISPLAY, rate_hz=5.0), engine, receiver(flight)], "display")
    assert "CLOCK_STEP" not in codes(alignment)
    assert worst_error(alignment, "engine", utc) < 0.3


def test_every_session_keeps_its_own_offset() -> None:
    flight = Flight()
    first, second = np.arange(0.0, 700.0, 0.2), np.arange(730.0, LENGTH_S, 0.2)
    utc = np.concatenate([first, second])
    session = np.concatenate([np.zeros(len(first)), np.ones(len(second))])
    stamps = utc + np.where(session == 0, 0.4, -0.9)
    display = make_track("display", stamps, {c: flight.at(c, utc) for c in DISPLAY}, files=session)
    alignment = align([display, receiver(flight)], "display")
    assert clock_of(alignment, "display", 0).offset_s == pytest.approx(0.4, abs=0.03)
    assert clock_of(alignment, "display", 1).offset_s == pytest.approx(-0.9, abs=0.03)


def test_a_late_row_is_no_fall_of_the_clock() -> None:
    stamps = np.arange(0.0, 300.0)
    stamps[[150, 151]] = stamps[[151, 150]]
    track = make_track("engine", stamps, {"engine_speed": stamps})
    assert len(split_track(track)) == 1


def test_stamps_that_fall_back_and_stay_back_split() -> None:
    stamps = np.concatenate([np.arange(0.0, 300.0), np.arange(282.0, 500.0)])
    pieces = split_track(make_track("engine", stamps, {"engine_speed": stamps}))
    assert [len(p.index) for p in pieces] == [300, 218]
    assert pieces[1].set_s == pytest.approx(-18.0)  # 282 where 300 was due


# -- several tracks of one file -------------------------------------------------------------------


def of_file(track: Track, file: str) -> Track:
    """The track as if it were a table of that file."""
    return dataclasses.replace(track, sources=tuple(dataclasses.replace(s, file=file) for s in track.sources))


def test_tables_of_one_file_move_together() -> None:
    # only one table holds something to compare; the others run on the same clock
    flight = Flight()
    utc = np.arange(0.0, LENGTH_S)
    position = of_file(record(flight, "position", RECEIVER, rate_hz=2.0, error=(6.3, 90.0)), "all.h5")
    air = of_file(record(flight, "air", ("indicated_airspeed",), rate_hz=5.0, error=(6.3, 90.0)), "all.h5")
    cabin = of_file(make_track("cabin", utc + 6.3 + 90e-6 * utc, {"event_mark": np.zeros(len(utc))}), "all.h5")
    alignment = align([cabin, air, receiver(flight), position], "air")
    for name, rate_hz in (("air", 5.0), ("position", 2.0), ("cabin", 1.0)):
        assert clock_of(alignment, name).offset_s == pytest.approx(6.3, abs=0.05)
        assert worst_error(alignment, name, np.arange(0.0, LENGTH_S, 1 / rate_hz)) < 0.1
    (told,) = [f for f in alignment.findings if f.code == "CLOCK_OFFSET"]
    assert all(name in told.text for name in ("air", "position", "cabin"))
    assert "CLOCK_UNRESOLVED" not in codes(alignment)


def test_tables_of_one_file_are_set_together() -> None:
    flight = Flight()
    utc = np.arange(0.0, LENGTH_S)
    stamps = utc + 5.0 + np.where(utc >= 700.0, 20.0, 0.0)
    engine = of_file(make_track("engine", stamps, {"engine_speed": flight.at("engine_speed", utc)}), "all.xlsx")
    cabin = of_file(make_track("cabin", stamps[::5], {"event_mark": np.zeros(len(utc[::5]))}), "all.xlsx")
    display = record(flight, "display", DISPLAY, rate_hz=5.0)
    alignment = align([display, engine, cabin, receiver(flight)], "display")
    assert worst_error(alignment, "engine", utc) < 0.3
    assert worst_error(alignment, "cabin", utc[::5]) < 0.3
    assert codes(alignment).count("CLOCK_STEP") == 1


def test_the_main_recorders_tables_are_the_reference_together() -> None:
    flight = Flight()
    air = of_file(record(flight, "air", ("indicated_airspeed",), rate_hz=5.0), "all.mat")
    cabin = of_file(make_track("cabin", np.arange(0.0, LENGTH_S), {"event_mark": np.zeros(int(LENGTH_S))}), "all.mat")
    assert codes(align([air, cabin], "air")) == []
    engine = record(flight, "engine", ("engine_speed",), rate_hz=1.0)
    told = [f for f in align([air, cabin, engine], "air").findings if f.where == "air, cabin"]
    assert [f.code for f in told] == ["CLOCK_UNRESOLVED"]


# -- other time scales ----------------------------------------------------------------------------


@pytest.mark.parametrize(("offset", "whole"), [(18.0, 18), (37.05, 37), (19.2, None), (-18.0, None)])
def test_eighteen_seconds_ahead_looks_like_the_satellite_scale(offset: float, whole: int | None) -> None:
    # GPS - UTC = 18 s since 2017-01-01 and TAI - UTC = 37 s (IERS Bulletin C)
    flight = Flight()
    engine = record(flight, "engine", ("engine_speed",), rate_hz=1.0, error=(offset, 0.0))
    alignment = align([record(flight, "display", DISPLAY, rate_hz=5.0), engine, receiver(flight)], "display")
    told = [f.facts["offset_s"] for f in alignment.findings if f.code == "GPS_NOT_UTC"]
    assert told == ([] if whole is None else [whole])


def test_switch_edges_align() -> None:
    # a gear lever on two recorders, one 18 s ahead; one-second rows leave a few tenths open
    utc = np.arange(0.0, 400.0)
    lever = np.isin(np.searchsorted([60.0, 131.0, 170.0, 290.0, 342.0], utc), [1, 3, 5]).astype(float)
    first = make_track("display", utc, {"gear_lever": lever})
    second = make_track("discretes", utc + 18.0, {"gear_lever": lever})
    clock = clock_of(align([first, second], "display"), "discretes")
    assert clock.offset_uncertainty_s is not None
    assert abs(clock.offset_s - 18.0) <= clock.offset_uncertainty_s < 0.5


# -- stamps coarser than the rows, averages -------------------------------------------------------


def test_skipped_and_doubled_seconds_are_evened() -> None:
    # 300 ppm: the clock gains a second in 3333 rows; the true reading is known, the stamp is its floor
    for drift in (300e-6, -300e-6):
        reading = np.arange(3000) * (1.0 + drift) + 0.3
        stamps = np.floor(reading)
        even = even_stamps(stamps)
        assert even is not None
        assert np.ptp(np.diff(even)) < 1e-6
        error, before = even - reading, stamps - reading
        assert np.std(error) < 0.7 * np.std(before)
        assert np.ptp(error) < 0.8


def test_jitter_where_seconds_change_tells_the_drift() -> None:
    # rows a little uneven: around the moment the reading passes a whole second, stamps flicker
    random = np.random.default_rng(6)
    utc = np.arange(3000.0)
    even = even_stamps(np.floor(utc * (1.0 + 80e-6) + 0.85 + random.normal(0, 0.02, 3000)))
    assert even is not None
    assert np.std(even - utc * (1.0 + 80e-6)) < 0.05


@pytest.mark.parametrize("case", ["fine stamps", "exact seconds", "uneven rows"])
def test_other_stamps_stay(case: str) -> None:
    stamps: Floats = {
        "fine stamps": np.arange(600) * 1.0 + np.random.default_rng(1).normal(0, 0.02, 600),
        "exact seconds": np.arange(600) * 1.0,
        "uneven rows": np.cumsum(np.random.default_rng(2).integers(1, 6, 600)).astype(float),
    }[case]
    assert even_stamps(stamps) is None


def test_averages_stamped_at_the_end_are_centred() -> None:
    # ten one-second samples a mean: the middle of the first ten is 4.5 s, the stamp 10 s (case 55)
    utc = np.arange(0.0, 600.0)
    speed = 45.0 + 5 * np.sin(utc / 60.0)
    means = speed[:600].reshape(-1, 10).mean(axis=1)
    slow = make_track("slow", np.arange(10.0, 601.0, 10.0), {"indicated_airspeed": means})
    alignment = align([make_track("display", utc, {"indicated_airspeed": speed}), slow], "display")
    (finding,) = [f for f in alignment.findings if f.code == "PERIOD_END_STAMP"]
    assert finding.facts["period_s"] == 10 and finding.facts["lag_s"] == pytest.approx(5.5)
    moved = next(t for t in alignment.tracks if t.name == "slow")
    assert moved.time_s[0] == pytest.approx(4.5, abs=0.3)


def test_instant_samples_are_not_taken_for_averages() -> None:
    utc = np.arange(0.0, 600.0)
    speed = 45.0 + 5 * np.sin(utc / 60.0)
    slow = make_track("slow", utc[10::10], {"indicated_airspeed": speed[10::10]})
    alignment = align([make_track("display", utc, {"indicated_airspeed": speed}), slow], "display")
    assert "PERIOD_END_STAMP" not in codes(alignment)


# -- the airframe's response ----------------------------------------------------------------------


class Powered:
    """A point mass: power steps, parabolic drag, a pilot who chases speeds. Wheels at both ends."""

    def __init__(self, seed: int, given: Floats | None = None) -> None:
        random = np.random.default_rng(seed)
        step = 0.05
        self.time_s = np.arange(0.0, 1800.0, step)
        changes = np.sort(random.uniform(0.0, 1800.0, 40))
        share = random.uniform(0.0, 1.0, 41)[np.searchsorted(changes, self.time_s)]
        wanted = random.uniform(38.0, 60.0, 21)[np.searchsorted(np.sort(random.uniform(0, 1800, 20)), self.time_s)]
        share = share if given is None else given
        self.share = share
        speed, height = 45.0, 1500.0
        speeds, heights = np.empty(len(share)), np.empty(len(share))
        for k in range(len(share)):
            drag = 0.06 * (speed / 45.0) ** 2 + 0.04 * (45.0 / speed) ** 2
            rate = 9.0 * share[k] - drag * speed  # m/s of energy height
            faster = (wanted[k] - speed) / 10.0
            speed += faster * step
            height += (rate - speed * faster / GRAVITY) * step
            speeds[k], heights[k] = speed, height
        self.speed, self.height = speeds, heights

    def at(self, values: Floats, time_s: Floats) -> Floats:
        return np.asarray(np.interp(time_s, self.time_s, values))


def powered_display(flight: Powered, random: np.random.Generator) -> Track:
    utc = np.arange(0.0, 1790.0, 0.2)
    height = flight.at(flight.height, utc)
    density = (1 - 2.25577e-5 * height) ** 4.2559
    shown = flight.at(flight.speed, utc) * np.sqrt(density)
    return make_track(
        "display",
        utc,
        {
            "indicated_airspeed": np.round(shown + random.normal(0, 0.1, len(utc)), 1),
            "pressure_altitude": np.round(height + random.normal(0, 0.5, len(utc))),
        },
    )


@pytest.mark.parametrize(("seed", "offset", "drift"), [(1, -47.3, 0.0), (2, 74.1, -50.0), (3, 2.6, 100.0)])
def test_power_tells_the_engine_monitors_clock(seed: int, offset: float, drift: float) -> None:
    flight, random = Powered(seed), np.random.default_rng(seed)
    utc = np.arange(0.0, 1790.0)
    pressure = 30000.0 + 60000.0 * flight.at(flight.share, utc) + random.normal(0, 150.0, len(utc))
    engine = make_track("engine", utc + offset + drift * 1e-6 * utc, {"manifold_pressure": pressure})
    alignment = align([engine, powered_display(flight, random)], "display")
    clock = clock_of(alignment, "engine")
    assert clock.offset_uncertainty_s is not None and clock.offset_uncertainty_s < 0.6
    assert clock.channel == "energy_climb_rate"
    assert worst_error(alignment, "engine", utc) < min(3 * clock.offset_uncertainty_s, 0.7)


def powered_engine(flight: Powered, random: np.random.Generator, utc: Floats, stamps: Floats) -> Track:
    """Manifold pressure that follows the power, at the given moments under the given stamps."""
    pressure = 30000.0 + 60000.0 * flight.at(flight.share, utc) + random.normal(0, 150.0, len(utc))
    return make_track("engine", stamps, {"manifold_pressure": pressure})


@pytest.mark.parametrize("ahead_s", [5.0, 8.0, 26.0])
@pytest.mark.parametrize("at_s", [420.0, 1300.0])
def test_a_clock_set_ahead_is_told_by_power(ahead_s: float, at_s: float) -> None:
    flight, random = Powered(5), np.random.default_rng(5)
    utc = np.arange(0.0, 1790.0)
    engine = powered_engine(flight, random, utc, utc + 12.0 + np.where(utc >= at_s, ahead_s, 0.0))
    alignment = align([engine, powered_display(flight, random)], "display")
    (step,) = [f for f in alignment.findings if f.code == "CLOCK_STEP"]
    assert step.facts["seconds"] == pytest.approx(ahead_s, abs=0.1)
    uncertainty = clock_of(alignment, "engine").offset_uncertainty_s
    assert uncertainty is not None and uncertainty < 0.6
    assert worst_error(alignment, "engine", utc) < 3 * uncertainty


@pytest.mark.parametrize("missing_s", [6.0, 29.0])
@pytest.mark.parametrize("at_s", [420.0, 1300.0])
def test_missing_rows_of_an_engine_monitor_are_no_step(missing_s: float, at_s: float) -> None:
    flight, random = Powered(5), np.random.default_rng(5)
    utc = np.concatenate([np.arange(0.0, at_s), np.arange(at_s + missing_s, 1790.0)])
    alignment = align([powered_engine(flight, random, utc, utc - 14.0), powered_display(flight, random)], "display")
    assert "CLOCK_STEP" not in codes(alignment)
    uncertainty = clock_of(alignment, "engine").offset_uncertainty_s
    assert uncertainty is not None and uncertainty < 0.6
    assert worst_error(alignment, "engine", utc) < 3 * uncertainty


def test_a_jump_that_nothing_explains_widens_the_clock() -> None:
    # after the jump the power is never moved: missing rows and a set clock look alike
    flight, random = Powered(6), np.random.default_rng(6)
    flight.share[flight.time_s >= 1200.0] = 0.5
    steady = Powered(6, flight.share)
    utc = np.arange(0.0, 1790.0)
    engine = powered_engine(steady, random, utc, utc + 3.0 + np.where(utc >= 1400.0, 24.0, 0.0))
    alignment = align([engine, powered_display(steady, random)], "display")
    uncertainty = clock_of(alignment, "engine").offset_uncertainty_s
    assert uncertainty is not None
    assert worst_error(alignment, "engine", utc) < 3 * uncertainty
    if worst_error(alignment, "engine", utc) > 1.0:
        assert any(f.code == "CLOCK_UNRESOLVED" and f.facts.get("seconds") == 24.0 for f in alignment.findings)


def test_power_that_moves_nothing_stays_unresolved() -> None:
    flight, random = Powered(4), np.random.default_rng(4)
    utc = np.arange(0.0, 1790.0)
    unrelated = Powered(99)
    pressure = 30000.0 + 60000.0 * unrelated.at(unrelated.share, utc)
    engine = make_track("engine", utc + 20.0, {"manifold_pressure": pressure})
    clock = clock_of(align([engine, powered_display(flight, random)], "display"), "engine")
    assert clock.offset_uncertainty_s is None and clock.offset_s == 0.0


def circuit_display(random: np.random.Generator) -> tuple[Track, tuple[float, float]]:
    """Take-off at 100.0 s, touch-down at 900.0 s; still on the wheels, lively in the air."""
    utc = np.arange(0.0, 1000.0, 0.2)
    speed = 40.0 * np.clip((utc - 80.0) / 25.0, 0, 1) * np.clip((925.0 - utc) / 30.0, 0, 1)
    airborne = (utc >= 100.0) & (utc < 900.0)
    height = np.interp(utc, [100.0, 102.0, 300.0, 700.0, 897.0, 900.0], [0.0, 1.5, 500.0, 500.0, 1.0, 0.0])
    lively = np.convolve(random.normal(size=len(utc)), np.ones(10) / 3.2, mode="same")
    values = {
        "indicated_airspeed": np.maximum(speed + random.normal(0, 0.1, len(utc)), 0.0),
        "pressure_altitude": 300.0 + height + random.normal(0, 0.3, len(utc)),
        "bank": np.where(airborne, 0.05 * lively, 0.0) + random.normal(0, 0.001, len(utc)),
        "normal_load_factor": 1 + np.where(airborne, 0.08 * lively, 0.0) + random.normal(0, 0.01, len(utc)),
    }
    return make_track("display", utc, values), (100.0, 900.0)


@pytest.mark.parametrize("offset", [4.1, -3.3, 55.0])
def test_wheels_tell_the_switch_recorders_clock(offset: float) -> None:
    display, (lift_off, touch_down) = circuit_display(np.random.default_rng(8))
    utc = np.arange(0.0, 1000.0, 0.2)
    wheels = ((utc < lift_off) | (utc >= touch_down)).astype(float)
    discretes = make_track("discretes", utc + offset, {"weight_on_wheels": wheels})
    clock = clock_of(align([discretes, display], "display"), "discretes")
    assert clock.channel == "weight_on_wheels" and clock.offset_uncertainty_s is not None
    assert abs(clock.offset_s - offset) < min(2 * clock.offset_uncertainty_s, 0.7)


# -- the straight line through the windows --------------------------------------------------------


def shifts_of(shift: Floats) -> Shifts:
    """Windows a minute apart, equally sure."""
    return Shifts(60.0 * np.arange(len(shift), dtype=np.float64), shift, np.ones(len(shift)))


def test_line_through_exact_shifts() -> None:
    line = fit_line(shifts_of(1.5 + 200e-6 * np.linspace(0.0, 1140.0, 20)))
    assert line is not None
    # a prior of quartz clocks holds the drift back by some per cent
    assert line.offset_s == pytest.approx(1.5, abs=0.01)
    assert line.drift_ppm == pytest.approx(200.0, rel=0.03)


def test_one_wild_window_does_not_move_the_line() -> None:
    random = np.random.default_rng(7)
    shift = 3.0 + random.normal(0, 0.05, 30)
    shift[11] = 40.0
    line = fit_line(shifts_of(shift))
    assert line is not None and line.offset_s == pytest.approx(3.0, abs=0.1)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000))
def test_line_states_its_own_scatter(seed: int) -> None:
    random = np.random.default_rng(seed)
    line = fit_line(shifts_of(2.0 + random.normal(0, 0.3, 40)))
    assert line is not None
    assert 0.02 < line.uncertainty_s < 0.2  # 0.3 / sqrt(40) = 0.047, drift left open on top
    middle = line.offset_s + line.drift_ppm * 1e-6 * line.middle_s
    assert abs(middle - 2.0) < 5 * 0.3 / np.sqrt(40)


def test_no_windows_no_line() -> None:
    assert fit_line(Shifts(np.zeros(0), np.zeros(0), np.zeros(0))) is None
    assert fit_line(Shifts(np.array([1.0]), np.array([np.nan]), np.array([1.0]))) is None


def test_tracks_are_not_altered_in_place() -> None:
    flight = Flight()
    display = record(flight, "display", DISPLAY, rate_hz=5.0, error=(3.0, 0.0))
    before = dataclasses.replace(display, time_s=display.time_s.copy())
    align([receiver(flight), display], "display")
    np.testing.assert_array_equal(display.time_s, before.time_s)
