"""Computed channels against closed forms and the physics functions' own sources.

The atmosphere's numbers: U.S. Standard Atmosphere 1976 (5000 ft: 84 307 Pa, 278.244 K, density ratio
0.8617). Slopes are compared with the derivative of the function the samples were made of.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from trimshot.ingest.derive import DERIVATIONS, derive
from trimshot.ingest.slopes import local_slope
from trimshot.shared.recording import Clock, Column, Recording, Source, Track
from trimshot.shared.recording import TestCard as Card
from trimshot.shared.settings import Aircraft, PositionError, Settings
from trimshot.shared.vocabulary import CHANNELS

KNOT, FOOT = 1852 / 3600, 0.3048
SOURCE = Source("a.csv", "00", 1, "test", 1, "A", Clock("utc"))


def track(name: str, time_s: np.ndarray, **columns: np.ndarray | float) -> Track:
    held = {
        n: Column(n, np.broadcast_to(np.asarray(v, dtype=np.float64), time_s.shape).copy(), CHANNELS[n].unit, n)
        for n, v in columns.items()
    }
    count = len(time_s)
    return Track(
        name, time_s, held, (SOURCE,), np.arange(1, count + 1, dtype=np.int64), np.zeros(count, dtype=np.int16)
    )


def recording(*tracks: Track, card: Card | None = None) -> Recording:
    start = dt.datetime(2031, 3, 14, tzinfo=dt.UTC)
    return Recording("test", start, tracks, tracks[0].name, card or Card(), (SOURCE,), ())


def derived(*tracks: Track, settings: Settings | None = None, card: Card | None = None) -> tuple[Track, list[str]]:
    out = derive(recording(*tracks, card=card), settings or Settings())
    assert {f.code for f in out.findings} <= {"DERIVED"}
    return out.track(out.main), [f.text for f in out.findings if f.level == "doubt"]


SECONDS = np.arange(0, 60, 0.1)


def test_standard_day_at_5000_ft() -> None:
    main, doubts = derived(
        track(
            "display",
            SECONDS,
            indicated_airspeed=100 * KNOT,
            pressure_altitude=5000 * FOOT,
            outside_air_temperature=278.244,
        ),
        settings=Settings(aircraft=Aircraft(temperature_recovery_factor=0.0)),
    )
    values = {n: float(c.values[300]) for n, c in main.columns.items()}
    assert values["static_pressure"] == pytest.approx(84307, abs=1)
    assert values["density_ratio"] == pytest.approx(0.8617, abs=5e-5)
    assert values["density_altitude"] == pytest.approx(5000 * FOOT, abs=1)
    assert values["calibrated_airspeed"] == pytest.approx(100 * KNOT)
    # 100 KCAS at 5000 ft: true airspeed is equivalent over root sigma, 107.7 kt; compressibility under 0.1 kt
    assert values["true_airspeed"] / KNOT == pytest.approx(100 / np.sqrt(0.8617), abs=0.1)
    assert values["sink_rate"] == pytest.approx(0, abs=1e-9)
    assert any("position error" in text for text in doubts)
    assert all(main.columns[n].derived_from for n in ("static_pressure", "true_airspeed", "sink_rate"))


def test_warm_descent_is_steeper_than_it_looks() -> None:
    # 15 K above standard: the geometric rate is the pressure rate times T / T_standard
    height = 2000 - 5.0 * SECONDS
    standard = 288.15 - 0.0065 * height
    main, _ = derived(
        track(
            "display",
            SECONDS,
            indicated_airspeed=50.0,
            pressure_altitude=height,
            outside_air_temperature=standard + 15,
        ),
        settings=Settings(aircraft=Aircraft(temperature_recovery_factor=0.0)),
    )
    inner = slice(50, -50)
    np.testing.assert_allclose(main.columns["pressure_altitude_rate"].values[inner], -5.0, atol=1e-6)
    expected = -5.0 * (standard + 15) / standard
    np.testing.assert_allclose(main.columns["geometric_climb_rate"].values[inner], expected[inner], atol=1e-5)


def test_energy_correction() -> None:
    # level, losing 1 m/s every 2 s at 50 m/s true: energy height falls by V/g dV/dt = 50/9.80665*0.5 = 2.549 m/s
    fall = 50.0 - 0.5 * (SECONDS - 30.0)
    main, _ = derived(
        track("display", SECONDS, indicated_airspeed=fall, pressure_altitude=0.0, outside_air_temperature=288.15),
        settings=Settings(aircraft=Aircraft(temperature_recovery_factor=0.0)),
    )
    assert main.columns["sink_rate"].values[300] == pytest.approx(2.549, abs=0.02)


def test_baro_altitude_with_the_cards_setting() -> None:
    # 1 hPa is 27.3 ft at sea level: 1023.25 hPa shows about 273 ft more than pressure altitude
    card = Card(altimeter_setting_pa=102325.0)
    main, doubts = derived(track("display", SECONDS, indicated_airspeed=50.0, baro_altitude=1000.0), card=card)
    difference = (main.columns["baro_altitude"].values - main.columns["pressure_altitude"].values)[0] / FOOT
    assert difference == pytest.approx(273, abs=2)
    assert any("test card" in text for text in doubts)


def test_temperature_from_the_engine_recorder() -> None:
    main, _ = derived(
        track("display", SECONDS, indicated_airspeed=50.0, pressure_altitude=1000.0),
        track("engine", np.arange(0, 60, 1.0), outside_air_temperature=290.0, engine_speed=40.0),
    )
    assert main.columns["outside_air_temperature"].derived_from == ("engine.outside_air_temperature",)
    assert np.nanmax(np.abs(main.columns["outside_air_temperature"].values[:580] - 290.0)) < 1e-9
    assert main.columns["static_air_temperature"].values[100] < 290.0  # ram rise taken off


def test_no_temperature_is_said() -> None:
    main, doubts = derived(track("display", SECONDS, indicated_airspeed=50.0, pressure_altitude=1000.0))
    assert main.columns["static_air_temperature"].values[0] == pytest.approx(288.15 - 6.5)
    assert any("standard temperature" in text for text in doubts)


def test_position_error_table() -> None:
    rows = (PositionError(indicated="80 kt", correction="-2 kt"), PositionError(indicated="120 kt", correction="2 kt"))
    settings = Settings(aircraft=Aircraft(position_error=rows))
    main, doubts = derived(
        track("display", SECONDS, indicated_airspeed=110 * KNOT, pressure_altitude=0.0), settings=settings
    )
    assert main.columns["calibrated_airspeed"].values[0] / KNOT == pytest.approx(111.0)
    assert not any("position error" in text for text in doubts)


def test_recorded_channels_are_not_replaced() -> None:
    main, _ = derived(
        track("display", SECONDS, indicated_airspeed=50.0, calibrated_airspeed=51.0, pressure_altitude=0.0)
    )
    assert main.columns["calibrated_airspeed"].values[0] == 51.0
    assert main.columns["calibrated_airspeed"].derived_from == ()


def test_nothing_from_nothing() -> None:
    main, _ = derived(track("gnss", SECONDS, latitude=46.0, longitude=14.0))
    assert set(main.columns) == {"latitude", "longitude"}


def test_mass_from_card_and_fuel_flow() -> None:
    # 10 US gal/h at 0.72 kg/l for one hour: 37.854 l, 27.26 kg (1 US gal = 3.785411784 l)
    hour = np.arange(0, 3600, 1.0)
    flow = 10 * 3.785411784e-3 / 3600
    fuel = 0.150 - flow * hour
    speed = np.where(hour < 1.5, 0.0, 50.0)
    card = Card(take_off_mass_kg=1000.0, take_off_fuel_kg=0.150 * 720)
    main, _ = derived(
        track("display", hour, indicated_airspeed=speed, pressure_altitude=0.0),
        track("engine", hour, fuel_flow=flow, fuel_quantity=fuel),
        card=card,
    )
    mass = main.columns["mass"].values
    assert mass[2] == pytest.approx(1000.0, abs=0.1)
    assert mass[2] - mass[-1] == pytest.approx(27.26, rel=0.01)


def test_table_is_in_order_of_need() -> None:
    made: set[str] = set()
    channels = [line.channel for line in DERIVATIONS]
    for line in DERIVATIONS:
        late = [name for name in line.inputs if name in channels and name not in made and name != line.channel]
        assert [n for n in late if n not in ("static_pressure", "pressure_altitude")] == []
        made.add(line.channel)
    assert set(channels) <= set(CHANNELS)


# -- slopes ---------------------------------------------------------------------------------------


def test_slope_of_a_line_is_exact_everywhere() -> None:
    t = np.sort(np.random.default_rng(1).uniform(0, 5000, 40000))
    slope = local_slope(t, 3000 - 4.25 * t, width_s=3.0, gap_s=1.5)
    known = np.isfinite(slope)
    assert known.mean() > 0.99
    np.testing.assert_allclose(slope[known], -4.25, atol=1e-7)


def test_slope_far_from_zero_time_keeps_its_digits() -> None:
    t = 36000.0 + np.arange(0, 36000, 0.1)
    slope = local_slope(t, 9000 + 0.001 * t, width_s=3.0, gap_s=1.5)
    np.testing.assert_allclose(slope, 0.001, atol=1e-9)


def test_slope_of_a_coarse_recorder() -> None:
    # 10 ft steps at 10 Hz in a 500 ft/min descent: the fit stays within 60 ft/min (10 ft / 3 s, at worst 200 by differences)
    t = np.arange(0, 300, 0.1)
    true = 5000 * FOOT - 500 * FOOT / 60 * t
    written = np.round(true / (10 * FOOT)) * 10 * FOOT
    slope = local_slope(t, written, width_s=3.0, gap_s=1.5)
    assert np.std(slope[20:-20] + 500 * FOOT / 60) < 60 * FOOT / 60
    assert np.mean(slope[20:-20]) == pytest.approx(-500 * FOOT / 60, rel=0.01)


def test_slope_never_crosses_a_gap() -> None:
    t = np.concatenate([np.arange(0, 50, 0.1), np.arange(60, 100, 0.1)])
    y = np.where(t < 55, 2.0 * t, 1000 - 3.0 * t)  # a jump hidden in the gap
    slope = local_slope(t, y, width_s=3.0, gap_s=1.5)
    np.testing.assert_allclose(slope[t < 55], 2.0, atol=1e-9)
    np.testing.assert_allclose(slope[t > 55], -3.0, atol=1e-9)


def test_slope_over_missing_samples() -> None:
    t = np.arange(0, 100, 0.1)
    y = 2.0 * t
    y[[0, 100, 101, 102, 999]] = np.nan  # short holes
    y[500:600] = np.nan  # ten seconds: a gap
    slope = local_slope(t, y, width_s=3.0, gap_s=1.5)
    assert slope[101] == pytest.approx(2.0)
    assert np.isnan(slope[520:580]).all()
    np.testing.assert_allclose(slope[1:495], 2.0, atol=1e-9)


def test_slope_leaves_out_spikes() -> None:
    rng = np.random.default_rng(2)
    t = np.arange(0, 100, 0.1)
    y = 2.0 * t + rng.normal(0, 0.1, len(t))
    clean = local_slope(t, y, width_s=3.0, gap_s=1.5)
    y[[200, 500, 700]] += 500.0
    np.testing.assert_allclose(local_slope(t, y, width_s=3.0, gap_s=1.5), clean, atol=0.05)


def test_slope_at_one_hertz() -> None:
    t = np.arange(0, 100, 1.0)
    np.testing.assert_allclose(local_slope(t, 0.5 * t, width_s=3.0, gap_s=2.5), 0.5, atol=1e-9)


@pytest.mark.parametrize("count", [0, 1, 2])
def test_too_few_samples(count: int) -> None:
    slope = local_slope(np.arange(float(count)), np.zeros(count), width_s=3.0, gap_s=1.5)
    assert np.isnan(slope).all() and len(slope) == count
