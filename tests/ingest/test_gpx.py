"""GPX: zones, decimals, plans without time, truncation, entity tricks."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.readings import column_headed as column
from tests.readings import found
from trimshot.ingest.gpx.adapter import Gpx
from trimshot.ingest.gpx.times import read_stamp
from trimshot.ingest.raw import HEAD_BYTES, LogFile, RawFile
from trimshot.shared.errors import ClockError, ParseError, TrimshotError

DATA = Path(__file__).parent.parent / "data"
ADAPTER = Gpx()
NAMESPACE = 'xmlns="http://www.topografix.com/GPX/1/1"'


def memory_file(content: bytes, name: str = "log.gpx") -> LogFile:
    """A LogFile whose content needs no disk."""
    file = LogFile(Path("nowhere.gpx"), name, len(content), content[:HEAD_BYTES])
    vars(file)["content"] = content
    return file


def read(content: str | bytes, name: str = "log.gpx") -> RawFile:
    """The content through the adapter."""
    raw = content if isinstance(content, bytes) else content.encode()
    return ADAPTER.read(memory_file(raw, name), None)


def gpx(points: str, version: str = "1.1") -> str:
    """Points as a whole file."""
    return f'<?xml version="1.0"?>\n<gpx version="{version}" creator="t" {NAMESPACE}><trk><trkseg>\n{points}</trkseg></trk></gpx>\n'


def point(time: str, inside: str = "", place: str = 'lat="-34.0001" lon="-140.5"') -> str:
    """One track point on a line of its own."""
    return f"<trkpt {place}><ele>1800.5</ele><time>{time}</time>{inside}</trkpt>\n"


FIRST = dt.datetime(2031, 3, 14, 9, 26, 40, tzinfo=dt.UTC).timestamp()


def case(name: str, file: str) -> RawFile:
    """One file of a case."""
    (folder,) = (DATA / "cases").glob(f"{name}-*")
    return read((folder / file).read_bytes(), file)


@pytest.mark.parametrize("file", ["a_z.gpx", "b_offset.gpx"])
def test_case_71_stated_zones(file: str) -> None:
    raw = case("71", file)
    assert raw.tracks[0].time.basis == "utc"
    assert raw.tracks[0].time.seconds.tolist() == [FIRST + i for i in range(5)]
    assert (column(raw, "ele").values[0], column(raw, "ele").unit) == (1800, "m")
    assert raw.findings == ()


def test_case_71_no_zone_stays_open() -> None:
    raw = case("71", "c_naive.gpx")
    assert raw.tracks[0].time.basis == "local"
    assert raw.tracks[0].time.zone_s is None
    assert raw.tracks[0].time.seconds[0] == FIRST - 7 * 3600  # the clock shows 02:26:40
    assert found(raw, "TIME_ZONE_UNKNOWN").level == "doubt"


def test_case_72_nine_decimals() -> None:
    raw = case("72", "log.gpx")
    expected = FIRST + np.arange(5) + np.array([0.100000007, 0.200000014, 0.300000021, 0.400000028, 0.500000035])
    # a float64 of seconds since 1970 holds steps of 2.4e-7 s in 2031 (IEEE 754)
    assert raw.tracks[0].time.seconds == pytest.approx(expected, abs=2.5e-7, rel=0)
    assert raw.tracks[0].time.resolution_s == pytest.approx(1e-9)


def test_case_74_a_plan_without_time() -> None:
    with pytest.raises(ClockError) as caught:
        case("74", "route.gpx")
    assert caught.value.code == "NO_TIME_CHANNEL"
    for words in ("no time", "route.gpx", "5 points"):
        assert words in str(caught.value)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # Source: RFC 3339 section 5.8 examples (20:50:46 with -08:00 ... are given there as equal to Z times)
        ("1985-04-12T23:20:50.52Z", (482196050.52, 0.0, 2)),
        ("1990-12-31T23:59:60Z", (662688000.0, 0.0, 0)),
        ("1996-12-19T16:39:57-08:00", (851013597.0, -28800.0, 0)),
        ("2031-03-14T24:00:00+0130", (FIRST + 14 * 3600 + 33 * 60 + 20, 5400.0, 0)),
        ("2031-03-14 09:26:40", (FIRST, None, 0)),
        ("2031-02-30T09:26:40Z", None),
        ("2031-03-14T25:00:00Z", None),
        ("2031-03-14T09:60:00Z", None),
        ("14/03/2031 09:26:40", None),
        ("", None),
    ],
)
def test_stamps(text: str, expected: tuple[float, float | None, int] | None) -> None:
    assert read_stamp(text) == expected


def test_second_60_and_24_hours_are_told() -> None:
    raw = read(gpx(point("2016-12-31T23:59:60Z") + point("2017-01-01T24:00:00Z")))
    assert {"LEAP_SECOND", "TIME_24H"} == {f.code for f in raw.findings}


def test_points_without_a_time_or_zone_among_others_are_dropped() -> None:
    raw = read(gpx(point("2031-03-14T09:26:40Z") + point("soon") + point("2031-03-14T09:26:42")))
    assert raw.ledger["rows_out"] == 1
    assert found(raw, "BAD_STAMP").where == "lines 4-5"


def test_speed_of_version_1_0_and_of_the_track_point_extension_is_in_metres_per_second() -> None:
    # Source: GPX 1.0 schema (speed: metres per second); track point extension version 2 schema likewise
    old = read(gpx(point("2031-03-14T09:26:40Z", "<speed>45.1</speed><course>180</course><sat>9</sat>"), "1.0"))
    assert (column(old, "speed").unit, column(old, "speed").channel) == ("m/s", "ground_speed")
    assert (column(old, "course").channel, column(old, "sat").channel) == ("track_true", "satellites")
    inside = '<extensions><e:TrackPointExtension xmlns:e="urn:x/TrackPointExtension/v2"><e:speed>45.1</e:speed></e:TrackPointExtension></extensions>'
    new = read(gpx(point("2031-03-14T09:26:40Z", inside)))
    assert (column(new, "ext:speed").unit, column(new, "ext:speed").channel) == ("m/s", "ground_speed")


def test_speed_of_any_other_extension_has_no_unit() -> None:
    raw = read(gpx(point("2031-03-14T09:26:40Z", "<extensions><speed>90</speed><mode>auto</mode></extensions>")))
    assert (column(raw, "ext:speed").unit, column(raw, "ext:speed").channel) == (None, None)
    assert column(raw, "ext:mode").values.tolist() == ["auto"]


def test_altitude_has_no_stated_datum() -> None:
    assert column(read(gpx(point("2031-03-14T09:26:40Z"))), "ele").channel == "gnss_unnamed_altitude"


def test_a_point_without_a_position_is_void() -> None:
    raw = read(
        gpx(point("2031-03-14T09:26:40Z", place='lat="" lon="1"') + point("2031-03-14T09:26:41Z", "<fix>none</fix>"))
    )
    assert np.isnan(column(raw, "lat").values).all()
    assert found(raw, "VOID_FIX").count == 2


def test_a_cut_file_keeps_its_complete_points() -> None:
    whole = gpx("".join(point(f"2031-03-14T09:26:4{i}Z") for i in range(5)))
    cut = whole[: whole.rindex("<ele>")]
    raw = read(cut)
    assert raw.ledger["rows_out"] == 4
    assert raw.ledger["rows_dropped"] == 1
    assert found(raw, "TRUNCATED_XML").where == "line 7"


def test_damage_in_the_middle_says_that_the_rest_is_lost() -> None:
    raw = read(gpx(point("2031-03-14T09:26:40Z") + "<broken &\n" + point("2031-03-14T09:26:41Z")))
    assert raw.ledger["rows_out"] == 1
    assert "lost" in found(raw, "TRUNCATED_XML").text


BOMB = '<?xml version="1.0"?><!DOCTYPE g [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>'
OUTSIDE = '<?xml version="1.0"?><!DOCTYPE g [<!ENTITY a SYSTEM "file:///etc/hostname">]>'


@pytest.mark.parametrize("prologue", [BOMB, OUTSIDE])
def test_entity_declarations_are_refused(prologue: str) -> None:
    body = gpx(point("2031-03-14T09:26:40Z", "<cmt>&b;</cmt>")).partition("?>")[2]
    with pytest.raises(ParseError, match="entities"):
        read(prologue + body)


def test_other_encodings() -> None:
    text = gpx(point("2031-03-14T09:26:40Z")).replace('version="1.0"?', 'version="1.0" encoding="UTF-16"?', 1)
    content = text.encode("utf-16")
    assert ADAPTER.claims(memory_file(content)).yes
    assert read(content).ledger["rows_out"] == 1
    with pytest.raises(ParseError):
        read(text.replace("UTF-16", "no-such-code").encode())


def test_way_points_alone_are_no_track() -> None:
    with pytest.raises(ParseError, match="no complete track point"):
        read('<gpx version="1.1"><wpt lat="1" lon="2"><time>2031-03-14T09:26:40Z</time></wpt></gpx>')


@given(st.integers(0, 700), st.binary(max_size=60), st.integers(0, 255))
@settings(deadline=None, max_examples=200)
def test_rubbish_never_raises_anything_else(position: int, rubbish: bytes, byte: int) -> None:
    good = gpx(point("2031-03-14T09:26:40Z", "<speed>1</speed>") + point("2031-03-14T09:26:41.5+01:00")).encode()
    damaged = good[:position] + bytes([byte]) + good[position + 1 :]
    for content in (rubbish, good[:position], good[:position] + rubbish + good[position:], damaged):
        ADAPTER.claims(memory_file(content))
        try:
            raw = read(content)
        except TrimshotError:
            continue
        ledger = raw.ledger
        assert ledger["rows_in"] == ledger["rows_out"] + ledger["rows_dropped"] + sum(ledger["not_rows"].values())


@given(
    st.lists(
        st.tuples(
            st.floats(-90, 90).map(lambda x: round(x, 6)),
            st.floats(-180, 180).map(lambda x: round(x, 6)),
            st.datetimes(dt.datetime(1980, 1, 6), dt.datetime(2099, 1, 1)),
        ),
        min_size=1,
        max_size=10,
        unique_by=lambda row: row[2],
    ).map(lambda rows: sorted(rows, key=lambda row: row[2]))
)
@settings(deadline=None, max_examples=50)
def test_generated_points_read_back(rows: list[tuple[float, float, dt.datetime]]) -> None:
    text = "".join(point(t.isoformat() + "Z", place=f'lat="{a:.6f}" lon="{b:.6f}"') for a, b, t in rows)
    raw = read(gpx(text))
    assert column(raw, "lat").values.tolist() == [a for a, _, _ in rows]
    assert column(raw, "lon").values.tolist() == [b for _, b, _ in rows]
    expected = [t.replace(tzinfo=dt.UTC).timestamp() for _, _, t in rows]
    assert raw.tracks[0].time.seconds == pytest.approx(expected, abs=1e-6, rel=0)


@pytest.mark.parametrize(
    ("content", "yes"),
    [
        (gpx("").encode(), True),
        (b"<x:gpx xmlns:x='u'>", True),
        (b"<kml><gpxish/></kml>", False),
        (b"gpx,file\n1,2\n", False),
        (b"", False),
    ],
)
def test_claims(content: bytes, yes: bool) -> None:
    claim = ADAPTER.claims(memory_file(content))
    assert claim.yes is yes
    assert claim.reason
