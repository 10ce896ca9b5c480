"""Columns cast over the whole file: words kept, marks missing, ids kept, sentinels only where far off, steps."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from trimshot.ingest.text.numbers import read_cells
from trimshot.ingest.text.sentinels import find_step, remove_sentinels


def _column(read_text: Any, values: list[str], name: str = "x") -> Any:
    rows = "".join(f"{k},{k},{v}\n" for k, v in enumerate(values))
    raw = read_text(f"t_s,alt_ft,{name}\n" + rows)
    return next(c for c in raw.tracks[0].columns if c.header == name), raw


@pytest.mark.parametrize("token", ["---", "NaN", "N/A", "XXX", "#REF!", "#DIV/0!", "null", "inf", "ERR"])
def test_marks_in_numbers_are_missing(read_text: Any, token: str) -> None:
    column, raw = _column(read_text, ["1.5"] * 20 + [token] + ["2.5"] * 20)
    assert np.isnan(column.values[20])
    assert np.isfinite(np.delete(column.values, 20)).all()
    finding = next(f for f in raw.findings if f.code == "SENTINEL_VALUES")
    assert finding.facts["tokens"] == {token: 1}
    assert raw.ledger["sentinels"] == {token: 1}


def test_words_stay_words(read_text: Any) -> None:
    words = ["None", "NA", "T/O", "LDG", "UP"] * 8
    column, raw = _column(read_text, words)
    assert list(column.values) == words
    assert not [f for f in raw.findings if f.code == "SENTINEL_VALUES"]


def test_few_words_in_numbers_become_missing_with_their_lines(read_text: Any) -> None:
    column, raw = _column(read_text, ["7"] * 2500 + ["burp"] + ["8"] * 2500)
    assert np.isnan(column.values).sum() == 1
    finding = next(f for f in raw.findings if f.code == "TEXT_IN_NUMERIC")
    assert (finding.where, finding.count) == ("line 2502", 1)


def test_ids_keep_their_zeros_unless_a_unit_says_otherwise(read_text: Any) -> None:
    ids = [f"{k:03d}" for k in range(1, 31)]
    column, _ = _column(read_text, ids, "id")
    assert list(column.values) == ids
    column, _ = _column(read_text, ids, "ias_kt")
    assert list(column.values[:3]) == [1.0, 2.0, 3.0]


def test_hexadecimal_is_text(read_text: Any) -> None:
    column, _ = _column(read_text, [f"0x{k:02X}" for k in range(30)])
    assert column.values[11] == "0x0B"


@pytest.mark.parametrize("value", [-9999.0, 99999.0, 65535.0, 32767.0])
def test_sentinel_numbers_are_missing_only_when_far_off(value: float) -> None:
    engine = np.linspace(640.0, 700.0, 200)
    engine[50:60] = value
    cleaned, found = remove_sentinels(engine)
    assert np.isnan(cleaned[50:60]).all()
    assert sum(found.values()) == 10


def test_a_true_altitude_of_9999_stays() -> None:
    climb = np.arange(9000.0, 10000.0)
    cleaned, found = remove_sentinels(climb)
    assert not found
    assert cleaned[-1] == 9999.0


@pytest.mark.parametrize(
    ("values", "decimals", "step"),
    [
        (np.arange(0, 3000) * 10.0, 0, 10.0),  # a vertical speed in tens
        (np.round(np.arange(20, 30, 0.5), 1), 1, 0.5),  # a temperature in halves
        (np.tile([0.0, 20.0, 40.0], 50), 0, 1.0),  # three flap settings are no resolution
        (np.arange(20000.0), 0, 1.0),  # a long ramp: its step is not that of a thinned sample
        (np.round(np.linspace(46.6, 46.7, 500), 6), 6, 1e-6),
    ],
)
def test_step(values: Any, decimals: int, step: float) -> None:
    assert find_step(values, decimals) == pytest.approx(step, rel=1e-12)


def test_units_behind_every_number(read_text: Any) -> None:
    column, _ = _column(read_text, [f"{90 + k} kt" for k in range(30)], "speed")
    assert column.unit == "kt"
    assert column.values[5] == 95.0


def test_hemisphere_letters_sign_a_coordinate() -> None:
    # south and west are negative: ISO 6709
    cells = read_cells(pa.array(["S38.5", "N01.25", None]), ".")
    assert list(cells.values[:2]) == [-38.5, 1.25]


def test_typographic_minus(read_text: Any) -> None:
    column, raw = _column(read_text, [f"−{k}.5" for k in range(30)])
    assert column.values[3] == -3.5
    assert next(f for f in raw.findings if f.code == "TYPOGRAPHIC_MINUS").count == 30
