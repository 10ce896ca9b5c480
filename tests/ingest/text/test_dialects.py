"""Any table written in any dialect reads back equal: hypothesis writes the table, the adapter reads it."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

START = dt.datetime(2031, 3, 14, 9, 26, 40, tzinfo=dt.UTC)


@dataclass(frozen=True)
class Dialect:
    """One way to write a table."""

    delimiter: str
    mark: str
    line_end: str
    encoding: str
    quoted: bool
    units: str  # row | bracket | suffix
    preamble: tuple[str, ...]
    trailing: bool


DIALECTS = st.builds(
    Dialect,
    st.sampled_from([",", ";", "\t", "|"]),
    st.sampled_from([".", ","]),
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"]),
    st.booleans(),
    st.sampled_from(["row", "bracket", "suffix"]),
    st.sampled_from([(), ("# recorder A", ""), ("unit=7 ver=3",), ("Recorder log export", "Serial: 0012")]),
    st.booleans(),
)
COLUMN = st.tuples(
    st.integers(0, 4),
    st.lists(st.one_of(st.none(), st.floats(-800, 800, allow_nan=False)), min_size=25, max_size=25),
)
NAMES = (("alt", "ft"), ("ias", "kt"), ("oat", "°C"), ("nz", "g"))


def _write(dialect: Dialect, columns: list[tuple[int, list[float | None]]]) -> tuple[bytes, list[list[float]]]:
    """The table's bytes, and the values its text states."""
    rows, stated = [], [[] for _ in columns]  # type: list[str], list[list[float]]
    names = NAMES[: len(columns)]
    joiner = dialect.delimiter
    end = joiner if dialect.trailing else ""
    if dialect.units == "row":
        rows.append(joiner.join(["utc", *(n for n, _ in names)]))
        rows.append(joiner.join(["yyyy-mm-ddThh:mm:ss", *(u for _, u in names)]))
    else:
        form = "{} [{}]" if dialect.units == "bracket" else "{}_{}"
        rows.append(joiner.join(["utc", *(form.format(n, u) for n, u in names)]))
    for k in range(25):
        fields = [(START + dt.timedelta(seconds=k)).strftime("%Y-%m-%dT%H:%M:%SZ")]
        for place, (decimals, values) in enumerate(columns):
            value = values[k]
            text = "" if value is None else f"{value:.{decimals}f}"
            stated[place].append(math.nan if value is None else float(text))
            text = text.replace(".", dialect.mark)
            fields.append(f'"{text}"' if dialect.quoted and text else text)
        rows.append(joiner.join(fields) + end)
    text = dialect.line_end.join([*dialect.preamble, *rows]) + dialect.line_end
    return text.encode(dialect.encoding), stated


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(dialect=DIALECTS, columns=st.lists(COLUMN, min_size=2, max_size=4))
def test_table_reads_back_equal(read_text: Any, dialect: Dialect, columns: list[Any]) -> None:
    if dialect.mark == "," and dialect.delimiter == ",":
        dialect = Dialect(**{**dialect.__dict__, "quoted": True})  # otherwise nobody could read it
    columns = [(max(d, 1), v) if dialect.mark == "," else (d, v) for d, v in columns]
    if dialect.mark == "," and dialect.delimiter == "," and all(d == 3 for d, _ in columns):
        columns = [(2, v) for _, v in columns]  # "1,234" alone is a thousands mark there
    content, stated = _write(dialect, columns)
    raw = read_text(content)
    track = raw.tracks[0]
    assert list(track.time.seconds) == [START.timestamp() + k for k in range(25)]
    assert track.time.basis == "utc"
    first = len(dialect.preamble) + (2 if dialect.units == "row" else 1) + 1
    assert list(track.row) == list(range(first, first + 25))
    assert len(track.columns) == len(columns)
    for column, values, (name, unit) in zip(track.columns, stated, NAMES, strict=False):
        assert column.header.startswith(name)
        assert column.unit == unit
        np.testing.assert_array_equal(column.values, np.array(values))


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|", "  "])
def test_delimiter_is_found(read_text: Any, delimiter: str) -> None:
    rows = [delimiter.join((f"{k * 0.1:.1f}", str(6000 - k), f"{90 + k / 10:.1f}")) for k in range(30)]
    raw = read_text("\n".join([delimiter.join(("t_s", "alt_ft", "ias_kt")), *rows]) + "\n")
    assert raw.ledger["delimiter"] == ("blanks" if delimiter == "  " else delimiter)
    assert list(raw.tracks[0].columns[1].values[:2]) == [90.0, 90.1]


def test_twelve_point_thousand_is_twelve_in_a_point_file(read_text: Any) -> None:
    rows = "".join(f"{k},{12 - k * 0.001:.3f},{k / 10:.1f}\n" for k in range(20))
    raw = read_text("t_s,alt_km,x\n" + rows)
    assert raw.tracks[0].columns[0].values[0] == 12.0


def test_twelve_point_thousand_is_twelve_thousand_beside_decimal_commas(read_text: Any) -> None:
    rows = "".join(f"{k};{11 + k // 10}.{(k * 7) % 1000:03d};{k // 10},{k % 10}\n" for k in range(20))
    raw = read_text("t_s;alt_ft;ias_kt\n" + rows)
    alt = next(c for c in raw.tracks[0].columns if c.header == "alt_ft")
    assert list(alt.values[:2]) == [11000.0, 11007.0]
    assert {"DECIMAL_COMMA", "THOUSANDS_SEPARATOR"} <= {f.code for f in raw.findings}


def test_decimal_comma_that_comes_late_is_read(read_text: Any, tmp_path: Path) -> None:
    rows = "".join(f"{k};{6000 - k};{90 + k}\n" for k in range(3000)) + "3000;5000,5;91,5\n"
    raw = read_text("t_s;alt_ft;ias_kt\n" + rows)
    assert [float(c.values[-1]) for c in raw.tracks[0].columns] == [5000.5, 91.5]
    assert raw.ledger["decimal"] == ","


def test_fields_keep_delimiters_inside_quotes(read_text: Any) -> None:
    rows = "".join(f'{k},{k * 2},"flap 1, gear ""down"" {k}"\n' for k in range(20))
    raw = read_text("t_s,alt_ft,note\n" + rows)
    assert raw.tracks[0].columns[1].values[3] == 'flap 1, gear "down" 3'
