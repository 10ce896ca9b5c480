"""Dots that may be thousands marks: told by the file, or asked. Expected values by hand: what the writer meant."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from trimshot.ingest.questions import check_answer, questions_in
from trimshot.ingest.sortie import read_sortie
from trimshot.ingest.text.dots import may_group, weigh_dots
from trimshot.shared.recording import Recording
from trimshot.shared.settings import InstrumentProfile, Settings

FEET = 0.3048  # exact, yard and pound agreement of 1959


def written(feet: int) -> str:
    """A height as a writer with thousands dots writes it."""
    return f"{feet // 1000}.{feet % 1000:03d}" if feet >= 1000 else str(feet)


def read(folder: Path, heights: list[int], *, delimiter: str = ";", speeds: str = "95", **more: object) -> Recording:
    """A log of heights with thousands dots and a constant-width speed, one row a second."""
    rows = [
        delimiter.join((f"2025-05-08 09:{k // 60:02d}:{k % 60:02d}", written(feet), speeds))
        for k, feet in enumerate(heights)
    ]
    log = folder / "log.csv"
    log.write_text("\n".join([delimiter.join(("UTC", "PressAlt [ft]", "IAS [kt]")), *rows]) + "\n", encoding="utf-8")
    return read_sortie(log, Settings.model_validate(more))


def heights_of(recording: Recording) -> np.ndarray:
    return np.round(recording.tracks[0].columns["pressure_altitude"].values / FEET, 6)


def codes_of(recording: Recording) -> set[str]:
    return {finding.code for finding in recording.findings}


ACROSS = [int(1000 + 80 * np.sin(k / 9)) for k in range(120)]  # to and fro over a thousand feet
ABOVE = [int(4000 + 80 * np.sin(k / 9)) for k in range(120)]


@pytest.mark.parametrize("delimiter", [";", ","])
def test_numbers_that_go_on_below_a_thousand_without_a_dot(tmp_path: Path, delimiter: str) -> None:
    recording = read(tmp_path, ACROSS, delimiter=delimiter)
    assert heights_of(recording).tolist() == ACROSS
    assert "THOUSANDS_SEPARATOR" in codes_of(recording)
    assert "DECIMAL_MARK_UNCLEAR" not in codes_of(recording)


def test_nothing_tells_and_the_user_is_asked(tmp_path: Path) -> None:
    recording = read(tmp_path, ABOVE)
    assert heights_of(recording) == pytest.approx(np.array(ABOVE) / 1000)
    (finding,) = [f for f in recording.findings if f.code == "DECIMAL_MARK_UNCLEAR"]
    assert finding.level == "doubt"
    (question,) = [q for q in questions_in([finding]) if q.kind == "decimal_mark"]
    assert question.key == ("decimal_mark",)
    profile = InstrumentProfile.model_validate({question.key[0]: check_answer(question, "Comma")})
    answered = read(tmp_path, ABOVE, instruments={question.instrument: profile})
    assert heights_of(answered).tolist() == ABOVE
    points = InstrumentProfile(decimal_mark="point")
    answered = read(tmp_path, ABOVE, instruments={question.instrument: points})
    assert heights_of(answered) == pytest.approx(np.array(ABOVE) / 1000)
    assert "DECIMAL_MARK_UNCLEAR" not in codes_of(answered)


@pytest.mark.parametrize(
    ("delimiter", "speeds"),
    [
        (";", "95.2"),  # a number of one decimal: the dot is a point
        (";", "0.125"),  # no thousands begin with a zero
        (";", "1250.000"),  # nor does a group of four digits stand before one
        (",", "95"),  # where commas part fields, decimals are parted by points
    ],
)
def test_the_file_shows_points(tmp_path: Path, delimiter: str, speeds: str) -> None:
    recording = read(tmp_path, ABOVE, delimiter=delimiter, speeds=speeds)
    assert heights_of(recording) == pytest.approx(np.array(ABOVE) / 1000)
    assert not codes_of(recording) & {"DECIMAL_MARK_UNCLEAR", "THOUSANDS_SEPARATOR"}


def test_a_whole_number_among_decimals_is_no_thousands_mark() -> None:
    # 1.020 and 980: steps of 40 as thousands, of 979 as decimals; 12.5 would never follow 980
    assert weigh_dots([pa.array(["980", "1.020", "1.060", "990"])]).meaning == "thousands"
    assert weigh_dots([pa.array(["2", "2.125", "1.875", "2", "2.250"])]).meaning == "open"
    assert weigh_dots([pa.array(["2", "2.125", "1.875", "2", "2.25"])]).meaning == "points"
    assert weigh_dots([pa.array(["1.234.567", "1.234.568"]), None]).meaning == "thousands"
    assert weigh_dots([pa.array(["up", "down", "a.b"])]).meaning == "points"


def test_sampled_fields_are_enough_to_say_that_dots_are_points() -> None:
    assert may_group([("12.000", "-1.500"), ("95", "96")])
    assert not may_group([("12.000", "1.5")])
    assert not may_group([("95", "96"), ("a.b", "x")])
