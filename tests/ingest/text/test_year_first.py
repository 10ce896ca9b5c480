"""Dates of three two-digit fields with hyphens: the year may stand first (ISO 8601:1988 allowed YY-MM-DD) or last.

Every right answer is the date the test itself wrote, spelled by the standard library.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import pytest

from trimshot.ingest.questions import questions_in
from trimshot.ingest.sortie import read_sortie
from trimshot.shared.settings import InstrumentProfile, Settings

N = 20
DAY = dt.datetime(2025, 4, 14, 10)  # '25-04-14' year first; day first it would be 25 April 2014


def _log(form: str, *days: dt.datetime) -> str:
    rows = [
        f"{(day + dt.timedelta(seconds=k)).strftime(form)} 10:00:{k:02d},{5000 + 7 * k * k}"
        for day in days
        for k in range(N)
    ]
    return "\n".join(["stamp,pressure_alt_ft", *rows]) + "\n"


def _first(raw: Any) -> dt.date:
    moment = dt.datetime(1970, 1, 1) + dt.timedelta(seconds=float(raw.tracks[0].time.seconds[0]))
    return moment.date()


def _open_readings(raw: Any) -> dict[str, str]:
    """First date by order, of the question the file asks."""
    (finding,) = [f for f in raw.findings if f.code == "DATE_ORDER_AMBIGUOUS"]
    assert raw.tracks[0].time.basis == "none"
    return {one["order"]: one["first"][:10] for one in finding.facts["readings"]}


@pytest.mark.parametrize(
    ("stamp", "readings"),
    [
        ("25-04-14", {"dmy": "2014-04-25", "ymd": "2025-04-14"}),
        ("14-04-25", {"dmy": "2025-04-14", "ymd": "2014-04-25"}),
        ("04-25-14", {"dmy": None, "mdy": "2014-04-25", "ymd": None}),
        ("05-04-31", {"dmy": "2031-04-05", "mdy": "2031-05-04", "ymd": None}),
        ("05-07-06", {"dmy": "2006-07-05", "mdy": "2006-05-07", "ymd": "2005-07-06"}),
        ("31-04-14", {"dmy": None, "mdy": None, "ymd": "2031-04-14"}),
        ("95-04-14", {"ymd": "1995-04-14"}),
        ("00-04-14", {"ymd": "2000-04-14"}),
        ("30-04-00", {"dmy": "2000-04-30"}),
        ("04-04-25", {"dmy": "2025-04-04", "ymd": "2004-04-25"}),  # mdy says the same as dmy
        ("05-05-05", {"dmy": "2005-05-05"}),
    ],
)
def test_the_readings_that_are_dates(read_text: Any, stamp: str, readings: dict[str, str | None]) -> None:
    raw = read_text(_log(stamp, DAY))
    right = {order: date for order, date in readings.items() if date}
    if len(right) > 1:
        assert _open_readings(raw) == right
    else:
        assert raw.ledger["date_order"] == next(iter(right))
        assert str(_first(raw)) == next(iter(right.values()))
        assert len(raw.tracks[0].row) == N


@pytest.mark.parametrize("order", ["dmy", "ymd"])
def test_what_the_user_states_is_taken(read_text: Any, order: Any) -> None:
    form = {"dmy": "%d-%m-%y", "ymd": "%y-%m-%d"}[order]
    raw = read_text(_log(form, DAY), profile=InstrumentProfile(date_order=order))
    assert _first(raw) == DAY.date()
    assert raw.ledger["evidence"]["date_order"] == "stated by the user"


@pytest.mark.parametrize(("form", "order"), [("%y-%m-%d", "ymd"), ("%d-%m-%y", "dmy")])
def test_days_that_rise_settle_it(read_text: Any, form: str, order: str) -> None:
    raw = read_text(_log(form, DAY, DAY + dt.timedelta(days=1)))
    assert _first(raw) == DAY.date()
    assert raw.ledger["date_order"] == order


@pytest.mark.parametrize(("form", "order"), [("%y-%m-%d", "ymd"), ("%d-%m-%y", "dmy")])
def test_the_file_name_settles_it(read_text: Any, form: str, order: str) -> None:
    raw = read_text(_log(form, DAY), name="2025-04-14_log.csv")
    assert (_first(raw), raw.ledger["date_order"]) == (DAY.date(), order)


@pytest.mark.parametrize("form", ["%y-%m-%d", "%d-%m-%y"])
def test_the_header_settles_it(read_text: Any, form: str) -> None:
    raw = read_text("Recorded on 2025-04-14\n" + _log(form, DAY))
    assert _first(raw) == DAY.date()


def test_a_field_of_one_digit_is_no_year(read_text: Any) -> None:
    stamps = ["9-4-25", "10-4-25"]
    raw = read_text("\n".join(["stamp,alt_ft", *(f"{s} 10:00:{k:02d},{k}" for s in stamps for k in range(N))]) + "\n")
    assert _first(raw) == dt.date(2025, 4, 9)


@pytest.mark.parametrize("mark", ["/", "."])
def test_other_marks_keep_the_year_last(read_text: Any, mark: str) -> None:
    raw = read_text(_log(f"%d{mark}%m{mark}%y", DAY))
    assert _first(raw) == DAY.date()
    assert not [f for f in raw.findings if f.code == "DATE_ORDER_AMBIGUOUS"]


def _write_track(folder: Path, day: dt.datetime) -> None:
    points = "".join(
        f'<trkpt lat="47.{100 + k}" lon="11.3"><ele>{(5000 + 7 * k * k) * 0.3048:.1f}</ele>'
        f"<time>{day + dt.timedelta(seconds=k):%Y-%m-%dT%H:%M:%SZ}</time></trkpt>"
        for k in range(N)
    )
    text = f'<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>{points}</trkseg></trk></gpx>'
    (folder / "track.gpx").write_text(text)


@pytest.mark.parametrize(("form", "order"), [("%y-%m-%d", "ymd"), ("%d-%m-%y", "dmy")])
def test_a_companion_settles_it(tmp_path: Path, form: str, order: str) -> None:
    (tmp_path / "recorder.csv").write_text(_log(form, DAY))
    _write_track(tmp_path, DAY)
    recording = read_sortie(tmp_path, Settings())
    (note,) = [f for f in recording.findings if f.code == "DATE_ORDER_FROM_COMPANION"]
    assert note.facts["order"] == order
    assert not questions_in([f for f in recording.findings if f.code == "DATE_ORDER_AMBIGUOUS"])
    track = next(t for t in recording.tracks if any(s.file == "recorder.csv" for s in t.sources))
    start = recording.start_utc + dt.timedelta(seconds=float(track.time_s[0]))
    assert abs((start.replace(tzinfo=None) - DAY).total_seconds()) < 1.0


def test_the_question_offers_the_possible_orders_only(tmp_path: Path) -> None:
    (tmp_path / "recorder.csv").write_text(_log("%y-%m-%d", DAY))
    _write_track(tmp_path, DAY.replace(year=2019))
    (question,) = [q for q in questions_in(read_sortie(tmp_path, Settings()).findings) if q.kind == "date_order"]
    assert question.choices == ("dmy", "ymd")
    assert "the day first (dmy) or the year first (ymd)" in question.text
