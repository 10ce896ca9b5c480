"""Fixed-width text: tables written here with str.format at known places and read back.

Run as a module, this file writes the sample anew: python -m tests.ingest.test_fixedwidth
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimshot.ingest.fixedwidth.adapter import FixedWidth
from trimshot.ingest.fixedwidth.columns import find_columns
from trimshot.ingest.raw import HEAD_BYTES, LogFile, RawFile
from trimshot.ingest.registry import choose
from trimshot.shared.errors import TrimshotError

SAMPLE = Path(__file__).parents[1] / "data" / "samples" / "fixed-width-text" / "display.txt"
START = dt.datetime(2031, 3, 14, 9, 26, 40)
START_S = (START - dt.datetime(1970, 1, 1)).total_seconds()
PREAMBLE = "Recorder sample, date 2031-03-14, times in UTC\n"
HEADER = "Time          IAS  P Alt  Gear State      OAT\n"
UNITS = "              kt   ft                     degC\n"


def row(k: int, *, ias: bool = True, oat: bool = True) -> str:
    moment = (START + dt.timedelta(milliseconds=500 * k)).strftime("%H:%M:%S.%f")[:10]
    gear = ("UP", "IN TRANSIT", "DOWN LOCKED")[min(k // 4, 2)]
    speed = f"{95 + k % 3 / 4:8.2f}" if ias else " " * 8
    return f"{moment:10}{speed}{6000 - 5 * k:7d}  {gear:12}{f'{3.5 + k / 8:8.3f}' if oat else ''}\n"


def table(count: int = 16, **missing: Sequence[int]) -> str:
    rows = [row(k, ias=k not in missing.get("ias", ()), oat=k not in missing.get("oat", ())) for k in range(count)]
    return PREAMBLE + HEADER + UNITS + "".join(rows)


def log_file(path: Path, content: str | bytes) -> LogFile:
    raw = content.encode() if isinstance(content, str) else content
    path.write_bytes(raw)
    return LogFile(path, path.name, len(raw), raw[:HEAD_BYTES])


def read(tmp_path: Path, content: str | bytes) -> RawFile:
    return FixedWidth().read(log_file(tmp_path / "log.txt", content), None)


def values_of(raw: RawFile, header: str) -> Any:
    return next(c.values for t in raw.tracks for c in t.columns if c.header == header)


def reconciled(raw: RawFile) -> bool:
    ledger = raw.ledger
    return bool(ledger["rows_in"] == ledger["rows_out"] + ledger["rows_dropped"] + sum(ledger["not_rows"].values()))


def test_blanks_inside_cells_and_empty_cells(tmp_path: Path) -> None:
    file = log_file(tmp_path / "log.txt", table(ias=[2], oat=[5, 6]))
    assert choose(file).name == "fixed-width text"
    raw = FixedWidth().read(file, None)
    track = raw.tracks[0]
    assert (
        track.time.basis == "utc" and track.time.seconds[0] == START_S and np.allclose(np.diff(track.time.seconds), 0.5)
    )
    assert [(c.header, c.unit) for c in track.columns] == [
        ("IAS", "kt"),
        ("P Alt", "ft"),
        ("Gear State", None),
        ("OAT", "degC"),
    ]
    assert values_of(raw, "Gear State")[[0, 5, 9]].tolist() == ["UP", "IN TRANSIT", "DOWN LOCKED"]
    assert np.isnan(values_of(raw, "IAS")[2]) and np.isnan(values_of(raw, "OAT")[[5, 6]]).all()
    assert values_of(raw, "OAT")[7] == 3.5 + 7 / 8
    assert track.row[0] == 4 and reconciled(raw)


def test_a_table_that_blanks_split_belongs_to_the_delimited_reader(tmp_path: Path) -> None:
    rows = "".join(f"{k / 2:8.2f}{95 + k:8.2f}\n" for k in range(10))
    assert choose(log_file(tmp_path / "log.txt", "    time     ias\n" + rows)).name == "delimited text"


def test_prose_is_nobodys_table() -> None:
    text = (
        "The gear came down at 12:04 after two tries.\nAll 3 lights were green.\nLanding at 12:20 on 27, wind 5 kt.\n"
    )
    assert find_columns((text * 4).split("\n")) is None


def test_a_row_with_text_between_the_columns_is_dropped_and_told(tmp_path: Path) -> None:
    lines = table(60, ias=[9]).splitlines(keepends=True)
    lines[20] = "--- engine monitor restarted by the crew, see note ---\n"
    raw = read(tmp_path, "".join(lines))
    assert len(raw.tracks[0].row) == 59 and reconciled(raw)
    assert [entry[0] for entry in raw.ledger["dropped_lines"]] == [21]


def test_a_column_that_grows_wider_further_down(tmp_path: Path) -> None:
    rows = "".join(f"{k / 2:7.1f}  {'UP' if k % 7 else '':4}{5 * k:8d}\n" for k in range(2500))
    raw = read(tmp_path, "time_s   gear    count\n" + rows)
    assert values_of(raw, "count").tolist() == [5.0 * k for k in range(2500)]
    assert raw.tracks[0].time.seconds[-1] == 2499 / 2


@pytest.mark.parametrize("ending", ["\r\n", "\n"])
def test_a_cut_last_line_is_dropped(tmp_path: Path, ending: str) -> None:
    raw = read(tmp_path, table(ias=[2]).replace("\n", ending)[:-12])
    assert len(raw.tracks[0].row) == 15 and reconciled(raw)
    assert [f.code for f in raw.findings].count("TRUNCATED_LAST_LINE") == 1


@settings(max_examples=60, deadline=None)
@given(noise=st.binary(max_size=300), at=st.integers(0, 1000))
def test_noise_inside_gives_findings_or_an_error_of_ours(
    tmp_path_factory: pytest.TempPathFactory, noise: bytes, at: int
) -> None:
    content = table(ias=[2]).encode()
    try:
        raw = read(tmp_path_factory.mktemp("noise"), content[:at] + noise + content[at:])
    except TrimshotError:
        return
    assert reconciled(raw)


@settings(max_examples=40, deadline=None)
@given(
    numbers=st.lists(st.lists(st.integers(-99_999, 99_999), min_size=12, max_size=12), min_size=1, max_size=4),
    holes=st.sets(st.integers(1, 11), min_size=1, max_size=5),
)
def test_any_numbers_at_places_come_back(
    tmp_path_factory: pytest.TempPathFactory, numbers: list[list[int]], holes: set[int]
) -> None:
    head = f"{'time_s':>8}" + "".join(f"{f'quantity{i}':>12}" for i in range(len(numbers))) + f"{'state':>14}\n"
    rows = [
        f"{k / 4:8.2f}" + "".join(f"{v[k] / 100:12.2f}" for v in numbers) + f"{'' if k in holes else 'UP':>14}\n"
        for k in range(12)
    ]
    raw = read(tmp_path_factory.mktemp("any"), head + "".join(rows))
    for i, values in enumerate(numbers):
        got = values_of(raw, f"quantity{i}")
        assert (np.isnan(got) | (got == np.array(values) / 100)).all()
        assert np.isnan(got).sum() <= sum(abs(v) in (99_999,) for v in values)  # 999.99 may stand for 'no value'


def write_sample() -> None:
    """Sixteen rows with blanks inside cells and three empty cells."""
    SAMPLE.parent.mkdir(parents=True, exist_ok=True)
    SAMPLE.write_text(table(ias=[2], oat=[5, 6]), encoding="utf-8")


if __name__ == "__main__":
    write_sample()
