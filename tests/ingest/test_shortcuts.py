"""What the checks and the parse leave out to be quick changes no answer: each against the plain way of the same."""

from __future__ import annotations

from itertools import groupby

import numpy as np
import pyarrow as pa
import pytest

from trimshot.ingest.check import lags
from trimshot.ingest.check.spikes import LARGEST_SHARE, LEAST_STEPS, NEIGHBOURS, THIN_ROWS, TIMES, USUAL, spike_mask
from trimshot.ingest.check.stuck import LEAST_ROWS, WITNESSES, _bring, _Run, _runs, _Witnesses
from trimshot.ingest.check.unit_changes import _AT_START, _AT_STOP, SIDE_ROWS
from trimshot.ingest.clock.series import Signal, all_finite, channel_signal
from trimshot.ingest.clock.shared_channel import fine_shift
from trimshot.ingest.slopes import full_windows, local_slope
from trimshot.ingest.text import lines
from trimshot.ingest.text.encoding import clean
from trimshot.ingest.text.notes import Notes
from trimshot.ingest.text.oddstamps import find_zero_stamps
from trimshot.ingest.text.plain import count_decimals, find_names
from trimshot.ingest.text.stamps import days_since_1970, read_stamps
from trimshot.shared.recording import Clock, Column, Floats, Source, Track


def make_track(values: dict[str, Floats], time_s: Floats, name: str = "display") -> Track:
    source = Source("log.csv", "0" * 64, 1, "made up", 1, "f", Clock("utc"))
    columns = {key: Column(key, v, "m", key) for key, v in values.items()}
    row = np.arange(len(time_s)) + 2
    return Track(name, time_s, columns, (source,), row, np.zeros(len(time_s), np.int16))


# -- lags -----------------------------------------------------------------------------------------


def _flight_with_lag(lag_s: float, seed: int) -> tuple[Signal, Signal]:
    """A wandering climb rate and the same, late by lag_s, with noise; half an hour at ten rows a second."""
    rng = np.random.default_rng(seed)
    t = np.arange(18_000) / 10.0
    phases = rng.uniform(0, 2 * np.pi, 40)
    periods = rng.uniform(20.0, 150.0, 40)

    def truth(time_s: Floats) -> Floats:
        return np.asarray(sum(np.sin(2 * np.pi * time_s / p + a) for p, a in zip(periods, phases, strict=True)))

    shown = truth(t - lag_s) + rng.normal(0, 0.1, len(t))
    return Signal(t, shown[:, None], 1.5), Signal(t, (truth(t) + rng.normal(0, 0.1, len(t)))[:, None], 1.5)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("lag_s", [-1.5, 0.0, 0.5, 0.9, 0.97, 1.03, 1.1, 2.0, 3.0])
def test_rounds_that_end_early_decide_as_all_rounds_do(lag_s: float, seed: int) -> None:
    shown, reference = _flight_with_lag(lag_s, seed)
    whole = fine_shift(shown, reference, lags._RATE, 1.0)
    early = fine_shift(shown, reference, lags._RATE, 1.0, least_s=lags.VERTICAL_S)
    assert whole is not None
    assert early is not None
    assert whole[0].middle_offset_s == pytest.approx(lag_s, abs=0.02)
    assert (early[0].middle_offset_s >= lags.VERTICAL_S) == (lag_s >= lags.VERTICAL_S)
    if lag_s >= lags.VERTICAL_S:
        assert early[0] == whole[0]


def test_slopes_of_a_signal_are_differences_over_two_seconds() -> None:
    t = np.cumsum(np.random.default_rng(3).uniform(0.05, 0.15, 400))
    values = np.column_stack([np.sin(t), t**2])
    slopes = Signal(t, values, 1.5).slopes().values
    width = round(1.0 / float(np.median(np.diff(t))))
    for i in (0, 1, width, 200, 399 - width, 398, 399):
        low, high = max(i - width, 0), min(i + width, 399)
        assert slopes[i] == pytest.approx((values[high] - values[low]) / (t[high] - t[low]), rel=1e-12)
    assert Signal(t[:1], values[:1], 1.5).slopes().values.tolist() == [[0.0, 0.0]]
    assert Signal(t[:0], values[:0], 1.5).slopes().values.shape == (0, 2)


def test_a_signal_holds_one_finite_sample_a_stamp() -> None:
    t = np.array([0.0, 1.0, 1.0, 2.0, 3.0, 4.0, 5.0])
    values = np.array([1.0, 2.0, 9.0, np.nan, 4.0, 5.0, 6.0])
    signal = channel_signal(make_track({"pressure_altitude": values}, t), "pressure_altitude")
    assert signal is not None
    assert (signal.time_s.tolist(), signal.values[:, 0].tolist()) == ([0, 1, 3, 4, 5], [1, 2, 4, 5, 6])
    assert all_finite(np.array([[1.0, np.nan], [1.0, 2.0]])).tolist() == [False, True]


# -- spikes, stuck runs, units, slopes ----------------------------------------------------------------


def _spikes_one_by_one(values: Floats, step: float) -> list[int]:
    """The rule as it is written: how far each sample lies outside the medians of three before and after it."""
    n = len(values)
    mirrored = np.pad(values, NEIGHBOURS, mode="reflect")
    around = [mirrored[i : i + 2 * NEIGHBOURS + 1] for i in range(n)]
    thin = max(1, n // THIN_ROWS)
    usual = [np.sort(np.abs(around[i] - values[i]))[NEIGHBOURS + 1] for i in range(0, n, thin)]
    ordinary = float(np.quantile(usual, USUAL))
    limit = max(TIMES * ordinary, LEAST_STEPS * step)
    found = []
    for i in range(n):
        before = float(np.median(around[i][:NEIGHBOURS])) - values[i]
        after = float(np.median(around[i][NEIGHBOURS + 1 :])) - values[i]
        if before * after > 0 and min(abs(before), abs(after)) > limit:
            found.append(i)
    return found if len(found) <= max(LARGEST_SHARE * n, 1) else []


@pytest.mark.parametrize("seed", range(6))
def test_spikes_are_those_of_the_rule(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = 1500
    noise = (0.0, 0.3, 3.0)[seed % 3]
    values = np.round(np.cumsum(rng.normal(0, 0.2, n)) + rng.normal(0, noise, n), 1)
    values[700:] += 40.0  # a step is none
    for place in rng.choice(np.arange(10, n - 10), 5 if seed < 3 else 40, replace=False):
        values[place] += rng.choice([-1.0, 1.0]) * rng.choice([0.6, 2.0, 8.0, 60.0])
    column = Column("pressure_altitude", values, "m", "alt", step=0.1)
    assert np.flatnonzero(spike_mask(column, circular=False)).tolist() == _spikes_one_by_one(values, 0.1)
    holes = values.copy()
    holes[::50] = np.nan
    known = np.flatnonzero(np.isfinite(holes))
    found = np.flatnonzero(spike_mask(Column("pressure_altitude", holes, "m", "alt", step=0.1), circular=False))
    assert found.tolist() == [int(known[k]) for k in _spikes_one_by_one(holes[known], 0.1)]


@pytest.mark.parametrize("length", [LEAST_ROWS - 1, LEAST_ROWS, LEAST_ROWS + 1, 3 * LEAST_ROWS])
@pytest.mark.parametrize("start", range(20, 32))
def test_every_run_long_enough_is_seen(length: int, start: int) -> None:
    values = np.random.default_rng(5).permutation(200).astype(np.float64)
    values[start : start + length] = 1000.0
    track = make_track({"pitch": values}, np.arange(200.0))
    runs = _runs(track, track.columns["pitch"], np.ones(199, dtype=bool))
    longest = max(len(list(same)) for _, same in groupby(values.tolist()))
    assert [(int(a), int(b)) for a, b in zip(runs.first, runs.last, strict=True)] == (
        [(start, start + length - 1)] if longest >= LEAST_ROWS else []
    )


@pytest.mark.parametrize("name", sorted({w for witnesses in WITNESSES.values() for w, _ in witnesses}))
@pytest.mark.parametrize("same", [True, False])
def test_a_witness_over_a_run_is_the_witness_there(name: str, same: bool) -> None:
    rng = np.random.default_rng(8)
    channel = name.removeprefix("rate of ")
    values = np.cumsum(rng.normal(0, 1, 600))
    values[rng.random(600) < 0.02] = np.nan
    track = make_track({channel if same else "pitch": values}, np.arange(600) / 10.0)
    other = make_track({channel: values[:300]}, np.arange(300) / 5.0 + 0.03, "other")
    tracks = (track,) if same else (track, other)
    witnesses = _Witnesses(track, tracks)
    part = witnesses.inside(name, _Run(100, 349, 25.0))
    whole = witnesses.find(name)
    assert part is not None
    assert whole is not None
    assert np.array_equal(part, whole[100:350], equal_nan=True)
    assert np.array_equal(whole, _bring(tracks[-1], name, track.time_s), equal_nan=True)
    assert np.isfinite(part).sum() > 200


def test_the_ends_of_a_stretch_lie_on_its_line() -> None:
    values = np.random.default_rng(2).normal(100, 20, SIDE_ROWS)
    line = np.polynomial.Polynomial.fit(np.arange(SIDE_ROWS), values, 1)
    assert float(_AT_START @ values) == pytest.approx(float(line(-0.5)), rel=1e-12)
    assert float(_AT_STOP @ values) == pytest.approx(float(line(SIDE_ROWS - 0.5)), rel=1e-12)


def test_slopes_of_several_channels_share_what_is_the_times_alone() -> None:
    rng = np.random.default_rng(4)
    t = np.cumsum(rng.choice([0.1, 0.1, 5.0], p=[0.5, 0.497, 0.003], size=20_000))
    shared = full_windows(t, width_s=3.0, gap_s=1.5)
    for trial in range(4):
        values = np.cumsum(rng.normal(0, 1, len(t)))
        values[rng.integers(0, len(t), trial * 5)] += 400.0  # of samples left out as spikes nothing may be shared
        values[rng.random(len(t)) < (0.0, 0.02, 0.5, 0.97)[trial]] = np.nan
        together = local_slope(t, values, width_s=3.0, gap_s=1.5, windows=shared)
        alone = local_slope(t, values, width_s=3.0, gap_s=1.5)
        assert np.array_equal(together, alone, equal_nan=True)
        assert np.isfinite(alone).any()


# -- text ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "lines_"),
    [
        (b"a,b\r\n1,2\r\n", b"a,b\n1,2\n"),
        (b"a,b\r1,2\r", b"a,b\n1,2\n"),
        (b"a,b\r\n1,2\r", b"a,b\n1,2\n"),
        (b"a,b\n1,2\r\n3,4\n", b"a,b\n1,2\n3,4\n"),
        (b"a,b\r\r\n1,2\r\n", b"a,b\n\n1,2\n"),
        (b"a,b\n1,2\n", b"a,b\n1,2\n"),
    ],
)
def test_every_kind_of_line_end_is_a_line_feed(written: bytes, lines_: bytes) -> None:
    notes = Notes("log.csv")
    assert clean(written, notes) == lines_
    assert notes.lines == lines_.count(b"\n")


@pytest.mark.parametrize("size", [1, 7, 64, 1 << 20])
def test_lines_are_the_same_however_the_text_is_sliced(size: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [",".join(map(str, range(k % 7))) for k in range(300)]
    rows[20], rows[50] = "1,\x01,2", "a\x7fb,c"
    data = "\n".join([*rows, ""]).encode()
    monkeypatch.setattr(lines, "SHORT_SLICE_BYTES", size)
    body = lines.index_body(data, 0, 5, ",")
    assert [body.text(i) for i in range(len(rows))] == rows
    assert body.count.tolist() == [row.count(",") + 1 for row in rows]
    assert np.flatnonzero(body.damaged).tolist() == [20, 50]
    assert body.line.tolist() == list(range(5, 305))


@pytest.mark.parametrize("decimals", [0, 1, 3])
@pytest.mark.parametrize("mixed", [True, False])
def test_decimals_and_names_of_a_column(decimals: int, mixed: bool) -> None:
    rng = np.random.default_rng(decimals)
    texts: list[str | None] = [f"{v:.{decimals}f}" for v in rng.normal(0, 50, 400)]
    if mixed:
        texts[3], texts[9], texts[11] = None, "7", "-0.12345"
    column = pa.array(texts, pa.string())
    known = [text for text in texts if text]
    assert count_decimals(column) == max(len(text.partition(".")[2]) for text in known)
    assert find_names(column) is False
    assert find_names(pa.array([*texts, "007"])) is True
    assert find_names(pa.array(["0", "0.5", "-01", None])) is False


def test_stamps_of_one_shape_and_of_several_read_alike() -> None:
    same = [f"2025-05-08T09:{m:02}:{s:02}.5" for m in range(60) for s in range(60)]
    alone, among = read_stamps(pa.array(same)), read_stamps(pa.array([*same, "08/05/2025 10:00:00", None, "no stamp"]))
    assert alone.second_of_day.tolist() == [9 * 3600 + m * 60 + s + 0.5 for m in range(60) for s in range(60)]
    for name in ("year", "month", "day", "second_of_day", "bad"):
        assert np.array_equal(getattr(alone, name), getattr(among, name)[: len(same)])
    assert among.bad[-3:].tolist() == [False, True, True]
    one_day = days_since_1970(alone.year, alone.month, alone.day)
    assert set(one_day.tolist()) == {20216.0}  # date -d 2025-05-08 +%s: 1746662400 s
    thirtieth = np.full(3, 30, np.int32)
    assert np.isnan(days_since_1970(np.full(3, 2025, np.int32), np.full(3, 2, np.int32), thirtieth)).all()


def test_zero_stamps_are_looked_for_only_among_what_is_no_date() -> None:
    written = pa.array(["2025-05-08", "0000-00-00", "00/00/2000", "2025-00-00", "08/05/2025", "00000000", "0:0:0"])
    stamps = read_stamps(written)
    dated = ~stamps.bad & (stamps.year > 0)
    plain = find_zero_stamps(written)
    assert plain.tolist() == [False, True, True, True, False, True, True]
    assert not (plain & dated).any()
    assert find_zero_stamps(written, dated=dated).tolist() == plain.tolist()
    dates = written.filter(pa.array(dated))
    assert not find_zero_stamps(dates, dated=dated[dated]).any()
