"""Questions: every finding that asks becomes one, the same recorder asks the same, answers are checked and apply."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from trimshot.ingest.dry_run import describe
from trimshot.ingest.profiles import find_profile
from trimshot.ingest.questions import Question, check_answer, read_question
from trimshot.shared.errors import QuestionError, SettingsError
from trimshot.shared.settings import InstrumentProfile, Settings, parse_settings

CASES = Path(__file__).parents[1] / "data" / "cases"
# codes of findings that only the user can settle
ASKING = (
    "TIME_ZONE_UNKNOWN",
    "UNIT_UNKNOWN",
    "ALT_DATUM_UNKNOWN",
    "HEADING_REFERENCE_UNKNOWN",
    "DATE_ORDER_AMBIGUOUS",
    "DATE_MISSING",
    "HEADER_ROW_WIDTH_MISMATCH",
    "SPREADSHEET_TIME_LOST",
)


def case_folder(name: str, tmp_path: Path) -> Path:
    """A case's inputs as a sortie's folder."""
    (source,) = CASES.glob(f"{name}-*")
    folder = tmp_path / "sortie"
    folder.mkdir()
    for file in json.loads((source / "expected.json").read_text(encoding="utf-8"))["input"]:
        shutil.copy(source / file, folder / file)
    return folder


def questions_of(folder: Path, settings: Settings | None = None) -> list[Question]:
    """The questions a folder asks."""
    return [read_question(one) for one in describe(folder, settings)["questions"]]


def with_answer(question: Question, value: str) -> Settings:
    """Settings whose profile of the recorder holds the answer."""
    told = check_answer(question, value)
    holder: Any = {question.key[1]: told} if len(question.key) > 1 else told
    return Settings(instruments={question.instrument: InstrumentProfile.model_validate({question.key[0]: holder})})


def write(folder: Path, name: str, header: str, rows: list[str]) -> Path:
    """A small table as a log."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return folder


def local_rows(date: str = "2031-03-14") -> list[str]:
    """40 rows of a recorder that states no zone."""
    return [f"{date} 09:26:{i:02d},{90 + i % 3},{5000 - 10 * i}" for i in range(40)]


# kind of question each case's expected.json asks for in its words under `needs`
@pytest.mark.parametrize(
    ("case", "kind", "column", "choices"),
    [
        ("03", "columns", None, ()),
        ("32", "date_order", None, ("dmy", "mdy")),
        ("44", "original_file", None, ()),
        ("58", "date", None, ()),
        ("91", "altitude_datum", "alt_ft", ("pressure", "baro", "msl", "ellipsoid")),
        ("92", "heading_reference", "heading", ("magnetic", "true")),
    ],
)
def test_a_case_that_needs_an_answer_asks_one_question(
    case: str, kind: str, column: str | None, choices: tuple[str, ...], tmp_path: Path
) -> None:
    (question,) = questions_of(case_folder(case, tmp_path))
    assert (question.kind, question.column, question.choices) == (kind, column, choices)
    assert question.file in question.text and question.effect and question.evidence
    assert question.allowed


@pytest.mark.parametrize("name", sorted(p.parent.name for p in CASES.glob("*/expected.json")))
def test_every_finding_that_asks_carries_a_question(name: str, tmp_path: Path) -> None:
    result = describe(case_folder(name.split("-")[0], tmp_path))
    asked = {q["id"] for q in result["questions"]}
    for finding in result["findings"]:
        if finding["code"] in ASKING:
            own = {q["id"] for q in finding["facts"]["questions"]}
            assert own and own <= asked, finding
    assert len(asked) == len(result["questions"])


def test_the_same_recorder_asks_the_same_question_and_another_one_another(tmp_path: Path) -> None:
    header = "time,ias_kt,pressure_alt_ft"
    (first,) = questions_of(write(tmp_path / "a", "log_1.csv", header, local_rows()))
    (second,) = questions_of(write(tmp_path / "b", "log_2.csv", header, local_rows("2031-04-20")))
    (other,) = questions_of(write(tmp_path / "c", "log_1.csv", header + ",rpm", [f"{r},2300" for r in local_rows()]))
    assert (first.id, first.kind) == (second.id, "zone")
    assert other.id != first.id


def test_a_date_is_asked_per_file(tmp_path: Path) -> None:
    folder = case_folder("58", tmp_path)
    (first,) = questions_of(folder)
    file = folder / "gps.nmea"
    file.write_bytes(file.read_bytes().splitlines(keepends=True)[0] * 2)
    (second,) = questions_of(folder)
    assert first.instrument == second.instrument and first.id != second.id


def test_a_zone_answer_shifts_the_times(tmp_path: Path) -> None:
    folder = write(tmp_path / "a", "log.csv", "time,ias_kt,pressure_alt_ft", local_rows())
    (question,) = questions_of(folder)
    result = describe(folder, with_answer(question, "+02:00"))
    assert result["questions"] == []
    assert result["time"]["first"] == "2031-03-14T07:26:00Z"  # 09:26 less the two hours of the zone


def test_a_date_answer_dates_the_file(tmp_path: Path) -> None:
    folder = case_folder("58", tmp_path)
    (question,) = questions_of(folder)
    digits = hashlib.sha256((folder / "gps.nmea").read_bytes()).hexdigest()[:16]
    assert question.key == ("dates", digits)
    result = describe(folder, with_answer(question, "2031-03-14"))
    assert result["questions"] == []
    # the day is the answer's, the time of day that of the case's expected.json
    assert (result["time"]["basis"], result["time"]["first"]) == ("utc", "2031-03-14T09:26:40Z")


def test_a_start_answer_places_a_count(tmp_path: Path) -> None:
    rows = [f"{i},{90 + i % 3},{5000 - 10 * i}" for i in range(40)]
    folder = write(tmp_path / "a", "log.csv", "elapsed_s,ias_kt,pressure_alt_ft", rows)
    write(folder, "other.csv", "utc_time,oil_temp_degC", [f"2031-03-14T09:26:{i:02d}Z,{80 + i}" for i in range(40)])
    asked = [one for one in questions_of(folder) if one.file == "log.csv"]
    (question,) = asked
    assert question.kind == "start"
    result = describe(folder, with_answer(question, "2031-03-14T11:26:40+02:00"))
    assert [q for q in result["questions"] if q["file"] == "log.csv"] == []
    (file,) = [one for one in result["files"] if one["file"] == "log.csv"]
    assert file["time"][0]["first"] == "2031-03-14T09:26:40Z"  # 11:26:40 less two hours


def test_a_unit_answer_names_the_channel(tmp_path: Path) -> None:
    rows = [f"2031-03-14T09:26:{i:02d}Z,{300 + i % 5}" for i in range(40)]
    folder = write(tmp_path / "a", "log.csv", "utc_time,CHT", rows)
    (question,) = questions_of(folder)
    assert (question.kind, question.key) == ("unit", ("units", "CHT"))
    assert "degC" in question.choices and "kt" not in question.choices
    result = describe(folder, with_answer(question, "F"))  # a spelling of the table, not its symbol
    assert result["questions"] == []
    assert result["channels"]["cylinder_head_temperature"]["unit"] == "degF"


def test_column_names_fill_a_short_header(tmp_path: Path) -> None:
    folder = case_folder("03", tmp_path)
    (question,) = questions_of(folder)
    header = (folder / "log.csv").read_text(encoding="utf-8").splitlines()[0].split(",")
    names = [*header[:3], "baro_hPa", *header[3:]]
    result = describe(folder, with_answer(question, ", ".join(names)))
    assert result["questions"] == [] and result["outcome"] != "needs_answer"
    assert {one["source"] for one in result["channels"].values()} == set(names[1:])  # the first one is the time


def test_headers_that_do_not_fit_still_tell_recorders_apart(tmp_path: Path) -> None:
    rows = [f"2031-03-14T09:26:{i:02d}Z,{90 + i % 3},{5000 - 10 * i},1013.2" for i in range(40)]
    (first,) = questions_of(write(tmp_path / "a", "log.csv", "utc_time,ias_kt,pressure_alt_ft", rows))
    (second,) = questions_of(write(tmp_path / "b", "log.csv", "utc_time,gs_kt,oil_temp_degC", rows))
    assert first.instrument != second.instrument


@pytest.mark.parametrize(
    ("kind", "good", "bad"),
    [
        ("zone", ["UTC", "+02:00", "-03:30", "Europe/Paris"], ["", "Mars", "+99:00", "2", "../UTC"]),
        ("date", ["2031-03-14"], ["14.03.2031", "2031-02-30", "2031-03-14T09:26:40Z", ""]),
        ("start", ["2031-03-14T09:26:40Z"], ["2031-03-14", "2031-03-14T09:26:40", "09:26"]),
        ("date_order", ["dmy", "MDY"], ["ymd", "", "d"]),
        ("columns", ["a,b", " a , b "], ["a", "a,b,c", "a,", "a,a"]),
    ],
)
def test_answers_are_checked_and_what_is_allowed_is_told(kind: str, good: list[str], bad: list[str]) -> None:
    choices = ("dmy", "mdy") if kind == "date_order" else ()
    question = Question("0", kind, "x", "f", None, "?", "", "", ("zone",), choices, "what may be written", 2)
    for value in good:
        check_answer(question, value)
    for value in bad:
        with pytest.raises(QuestionError) as caught:
            check_answer(question, value)
        assert caught.value.allowed == (", ".join(choices) or "what may be written")


def test_a_question_without_a_key_says_what_to_do(tmp_path: Path) -> None:
    (question,) = questions_of(case_folder("44", tmp_path))
    with pytest.raises(QuestionError, match="original file"):
        check_answer(question, "09:26")


# -- profiles ---------------------------------------------------------------------------------------


def test_a_profile_applies_by_key_fingerprint_or_file_name() -> None:
    settings = parse_settings(
        '[instruments.fp-1]\nzone = "UTC"\n'
        '[instruments.panel]\nfingerprint = "fp-2"\nzone = "+01:00"\n'
        '[instruments.motor]\nfiles = ["motor_*.txt", "engine/*"]\nzone = "+02:00"\n',
        "test",
    )

    def key(fingerprint: str, file: str) -> str | None:
        found = find_profile(settings, [fingerprint], file)
        return found[0] if found else None

    assert key("fp-1", "x.csv") == "fp-1"
    assert key("fp-2", "x.csv") == "panel"
    assert key("other", "MOTOR_12.TXT") == key("other", "logs/motor_1.txt") == key("other", "engine/a.csv") == "motor"
    assert key("other", "my_motor_1.txt") is None
    with pytest.raises(SettingsError, match="several") as caught:
        find_profile(settings, ["fp-1"], "motor_1.txt")
    assert "instruments.fp-1" in caught.value.text() and "instruments.motor" in caught.value.text()


def test_profiles_that_say_the_same_do_not_contradict() -> None:
    settings = parse_settings('[instruments.a]\nzone = "UTC"\n[instruments.b]\nfiles = "*.csv"\nzone = "UTC"\n', "test")
    assert find_profile(settings, ["a"], "x.csv") is not None


def test_a_contradiction_of_profiles_stops_the_sortie(tmp_path: Path) -> None:
    folder = write(tmp_path / "a", "log.csv", "time,ias_kt,pressure_alt_ft", local_rows())
    text = '[instruments.a]\nfiles = "log*"\nzone = "UTC"\n[instruments.b]\nfiles = "*.csv"\nzone = "+02:00"\n'
    assert "several instrument profiles" in describe(folder, parse_settings(text, "test"))["error"]["message"]
