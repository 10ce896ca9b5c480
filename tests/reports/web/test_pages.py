"""Every page, as HTML and as JSON from the same context."""

from __future__ import annotations

import json
import math
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from starlette.testclient import TestClient

from trimshot.reports.web.app import create_app
from trimshot.reports.web.protection import loopback_hosts
from trimshot.store.programme import Programme

from .conftest import ACCESS, DRAG, KEY, OURS, PORT

SPEED = "S250508-03-speed_power"
PAGES = (
    "/", "/drop", "/points", "/points?gear=down&kind=glide&from=70&to=200", "/ask", "/questions", "/ledger", "/limits", "/results", f"/sortie/{DRAG}", f"/sortie/{SPEED}", f"/sortie/{DRAG}/points/1",
    f"/sortie/{DRAG}/tables", f"/sortie/{DRAG}/marks", f"/sortie/{DRAG}/ledger", f"/sortie/{DRAG}/row?file=display_0020.csv&row=1500",
    "/ask?condition=gear%20%3D%20'down'&at_least=10s",
)  # fmt: skip


class _Outline(HTMLParser):
    """What the policy forbids inside a page, and whether every field has a label."""

    def __init__(self) -> None:
        super().__init__()
        self.inline: list[str] = []
        self.unlabelled: list[str] = []
        self._labels = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = dict(attrs)
        self.inline += [name for name in names if name.startswith("on") or name == "style"]
        if tag == "style" or (tag == "script" and "src" not in names and names.get("type") != "application/json"):
            self.inline.append(tag)
        for name in ("src", "href", "action"):
            if (names.get(name) or "").startswith(("http:", "https:", "//", "javascript:", "data:")):
                self.inline.append(f"{tag} {names[name]}")
        self._labels += tag == "label"
        if (
            tag in ("input", "select", "textarea")
            and names.get("type") != "hidden"
            and not self._labels
            and "aria-label" not in names
        ):
            self.unlabelled.append(str(names))

    def handle_endtag(self, tag: str) -> None:
        self._labels -= tag == "label"


@pytest.mark.parametrize("address", PAGES)
def test_every_page_opens_and_holds_to_its_own_policy(client: TestClient, address: str) -> None:
    answer = client.get(address)
    assert answer.status_code == 200
    outline = _Outline()
    outline.feed(answer.text)
    assert outline.inline == []
    assert outline.unlabelled == []
    assert "Traceback" not in answer.text


@pytest.mark.parametrize("address", PAGES)
def test_every_page_is_json_as_well(client: TestClient, address: str) -> None:
    answer = client.get(address + ("&" if "?" in address else "?") + "format=json")
    assert answer.status_code == 200
    assert isinstance(json.loads(answer.text, parse_constant=lambda word: pytest.fail(word)), dict)


@pytest.mark.parametrize("address", [one for one in PAGES if "condition" not in one])
def test_an_empty_programme_has_every_page_it_can_have(empty_programme: Programme, address: str) -> None:
    with TestClient(create_app(empty_programme, loopback_hosts(PORT), ACCESS), base_url=OURS, headers=KEY) as client:
        answer = client.get(address)
    assert answer.status_code == (404 if "/sortie/" in address else 200)


def test_home_counts_what_the_programme_holds(client: TestClient, programme: Programme) -> None:
    home = client.get("/?format=json").json()
    points = programme.points()
    assert home["points"] == len(points)
    assert sum(row["points"] for row in home["coverage"]["rows"]) == len(points)
    # each cell counts the points whose mean airspeed, in the unit shown, lies in the column
    edges, width = home["coverage"]["edges"], home["coverage"]["width"]
    assert home["coverage"]["unit"] == "kt"
    speeds = points["calibrated_airspeed"] / 0.514444  # kt: 1852 m / 3600 s
    for place, edge in enumerate(edges):
        counted = int(((speeds >= edge) & (speeds < edge + width)).sum())
        assert sum(row["cells"][place]["points"] for row in home["coverage"]["rows"]) == counted, edge


def test_samples_are_those_of_the_store(client: TestClient, programme: Programme) -> None:
    address = f"/sortie/{DRAG}/samples?channels=pressure_altitude,bank&from=600&to=660&buckets=4000"
    window = client.get(address).json()
    stored = programme.samples(DRAG, ["pressure_altitude", "bank"], start=600.0, stop=660.0)
    inside = [i for i, t in enumerate(window["t"]) if t is not None and 600 <= t < 660]
    assert np.allclose([window["t"][i] for i in inside], stored["t"], atol=1e-3)
    shown = [window["channels"]["pressure_altitude"][i] for i in inside]
    assert np.allclose(shown, stored["pressure_altitude"] / 0.3048, atol=0.2)  # ft: 0.3048 m exactly
    assert np.allclose([window["channels"]["bank"][i] for i in inside], np.degrees(stored["bank"]), atol=1e-3)


def test_a_drop_out_is_a_null_never_a_line(empty_programme: Programme, tmp_path: Path) -> None:
    """Where the recorder fell silent there is a null between the samples, at any zoom."""
    folder = tmp_path / "hole"
    folder.mkdir()
    seconds = [*range(200), *range(260, 600)]
    rows = [f"2031-03-14T09:{second // 60:02d}:{second % 60:02d}Z,90.0,{3000 + second}" for second in seconds]
    lines = ["time_utc,ias_kt,pressure_alt_ft", *rows]
    (folder / "log.csv").write_text("\n".join(lines) + "\n")
    assert empty_programme.add([folder]).count("added") == 1
    with TestClient(create_app(empty_programme, loopback_hosts(PORT), ACCESS), base_url=OURS, headers=KEY) as client:
        for query in ("buckets=10", "buckets=100", "buckets=4000", "buckets=50&from=150&to=300"):
            window = client.get(f"/sortie/hole/samples?channels=pressure_altitude&{query}").json()
            between = [
                v for t, v in zip(window["t"], window["channels"]["pressure_altitude"], strict=True) if 199 < t < 260
            ]
            assert between == [None], query


def test_a_sortie_without_airspeed_says_why_it_has_no_points(empty_programme: Programme, tmp_path: Path) -> None:
    folder = tmp_path / "track"
    folder.mkdir()
    rows = [f"2031-03-14T09:{s // 60:02d}:{s % 60:02d}Z,90.0,{3000 + s}" for s in range(600)]
    (folder / "log.csv").write_text("\n".join(["time_utc,ground_speed_kt,gps_alt_ft", *rows]) + "\n")
    assert empty_programme.add([folder]).count("added") == 1
    with TestClient(create_app(empty_programme, loopback_hosts(PORT), ACCESS), base_url=OURS, headers=KEY) as client:
        page = client.get("/sortie/track/tables").text
    assert "refused candidates below" not in page  # there are none
    assert "stabilised points were not looked for: no airspeed and no height that could serve is recorded" in page


def test_missing_values_are_nulls(client: TestClient, programme: Programme) -> None:
    samples = programme.samples(DRAG, ["engine_speed"])
    missing = samples["t"][samples["engine_speed"].isna()]
    assert len(missing)
    first = float(missing.iloc[0])
    window = client.get(
        f"/sortie/{DRAG}/samples?channels=engine_speed&from={first - 1}&to={first + 1}&buckets=4000"
    ).json()
    assert None in window["channels"]["engine_speed"]
    assert "NaN" not in json.dumps(window)


@pytest.mark.parametrize(("query", "says"), [
    ("channels=gear", "words"), ("channels=nonsense", "no such channel"), ("channels=", "channels to draw"), ("channels=bank&from=x", "not a number"),
])  # fmt: skip
def test_samples_that_cannot_be_are_refused_with_a_reason(client: TestClient, query: str, says: str) -> None:
    answer = client.get(f"/sortie/{DRAG}/samples?{query}&format=json")
    assert answer.status_code == 400
    assert says in answer.json()["what"]


def test_a_point_shows_its_statistics_and_its_rows(client: TestClient, programme: Programme) -> None:
    point = client.get(f"/sortie/{DRAG}/points/1?format=json").json()
    stored = programme.statistics(DRAG, 1).set_index("channel")
    assert {one["channel"] for one in point["statistics"]} == set(stored.index)
    airspeed = next(one for one in point["statistics"] if one["channel"] == "indicated_airspeed")
    assert math.isclose(airspeed["mean"], stored.loc["indicated_airspeed", "mean"] * 3600 / 1852, rel_tol=1e-9)
    assert math.isclose(
        airspeed["band"], 2 * stored.loc["indicated_airspeed", "standard_error"] * 3600 / 1852, rel_tol=1e-9
    )
    rows = programme.point_rows(DRAG)
    span = rows[rows["number"] == 1].iloc[0]
    assert (point["rows"][0]["first"], point["rows"][0]["last"]) == (span["first"], span["last"])
    file = programme.folder / "sorties" / DRAG / "source" / span["file"]
    lines = file.read_bytes().decode("utf-8-sig").splitlines()
    for line in point["rows"][0]["lines"]:
        assert line["text"].strip() == lines[line["row"] - 1].strip()


def test_a_refused_candidate_says_why(client: TestClient, programme: Programme) -> None:
    points = programme.points(DRAG, refused=True)
    refused = points[~points["accepted"]].iloc[0]
    page = client.get(f"/sortie/{DRAG}/points/{refused['number']}").text
    assert "Why it was refused" in page
    for reason in refused["reasons"]:
        assert reason["text"].replace(">", "&gt;").replace("<", "&lt;") in page


def test_a_row_is_shown_as_it_stands_in_the_file(client: TestClient, programme: Programme) -> None:
    found = client.get(f"/sortie/{DRAG}/row?file=display_0020.csv&row=1500&format=json").json()
    file = programme.folder / "sorties" / DRAG / "source" / "display_0020.csv"
    line = file.read_bytes().split(b"\n")[1499].decode().rstrip("\r")
    assert found["record"]["text"] == line
    assert {one["row"] for one in found["near"]} == set(range(1497, 1504))
    assert any(one["written"] in line.split(",") for one in found["record"]["samples"])


def test_the_last_row_of_a_file_has_fewer_neighbours(client: TestClient, programme: Programme) -> None:
    file = programme.folder / "sorties" / DRAG / "source" / "display_0020.csv"
    last = file.read_bytes().count(b"\n")
    found = client.get(f"/sortie/{DRAG}/row?file=display_0020.csv&row={last}&format=json").json()
    assert [one["row"] for one in found["near"]][-1] == last


def test_an_answer_says_what_was_considered_and_left_out(client: TestClient, programme: Programme) -> None:
    answer = client.get("/ask?condition=gear%3D'down'&at_least=10s&format=json").json()["answer"]
    found = programme.find("gear='down'", 10.0)
    assert answer["count"] == len(found.frame) > 0
    assert answer["considered"] == len(found.considered)
    assert {one["sortie"]: one["reason"] for one in answer["left_out"]} == dict(found.left_out)
    assert len(answer["rows"]) == len(answer["pictures"]) == answer["count"]
    line, stretch = answer["curves"]["lines"][0], found.frame.iloc[0]
    name = answer["curves"]["channels"][0]["name"]
    inside = programme.samples(stretch["sortie"], [name], start=stretch["start_s"], stop=stretch["stop_s"])[name]
    shown = [
        v for t, v in zip(line["t"], line["channels"][name], strict=True) if t is not None and t >= 0 and v is not None
    ]
    assert min(shown) * 0.514444 == pytest.approx(inside.min(), abs=0.1)


def test_a_condition_that_cannot_be_asked_is_told_not_raised(client: TestClient) -> None:
    answer = client.get("/ask?condition=drop%20table%20sortie")
    assert answer.status_code == 400
    assert "condition" in answer.text
    assert client.get("/ask/check?condition=bank>deg(10").json()["ok"] is False
    assert client.get("/ask/check?condition=bank>deg(10)").json()["channels"] == ["bank"]


@pytest.mark.parametrize("form", ["csv", "parquet", "xlsx"])
def test_stretches_can_be_taken_along(client: TestClient, programme: Programme, form: str, tmp_path: Path) -> None:
    answer = client.get(f"/ask/file.{form}?condition=gear%3D'down'&at_least=10s")
    assert "attachment" in answer.headers["content-disposition"]
    file = tmp_path / f"x.{form}"
    file.write_bytes(answer.content)
    count = len(programme.find("gear='down'", 10.0).frame)
    assert _rows_in(file, form) == count


def _rows_in(file: Path, form: str) -> int:
    import openpyxl
    import pyarrow.parquet as pq

    if form == "csv":
        return len(file.read_text().splitlines()) - 1
    if form == "parquet":
        return int(pq.read_table(file).num_rows)
    return int(openpyxl.load_workbook(file)["data"].max_row) - 1


def test_a_condition_is_kept_and_forgotten(client: TestClient, programme: Programme) -> None:
    form = {"name": "steep-turns", "note": "steep"}
    asked = {"condition": "abs(bank) > deg(40)", "at_least": "3s", "join": ""}
    assert client.post("/ask/saved", params=asked, data=form).status_code == 201
    assert programme.saved()["steep-turns"].at_least == 3.0
    assert "@steep-turns" in client.get("/ask").text
    assert client.post("/ask/saved?format=json", params=asked, data={**form, "name": "../x"}).status_code == 400
    assert client.delete("/ask/saved/steep-turns").status_code == 200
    assert "steep-turns" not in programme.saved()


def test_an_unknown_sortie_lists_those_there_are(client: TestClient) -> None:
    for tail in ("", "/tables", "/ledger", "/marks", "/points/1", "/samples?channels=bank"):
        answer = client.get(f"/sortie/nobody{tail}")
        assert answer.status_code == 404, tail
        assert DRAG in answer.text


def test_the_navigation_leads_to_pages_that_are_there(client: TestClient) -> None:
    links = re.findall(r'<a href="(/[^"]*)"', client.get("/").text)
    assert len(links) > 8
    for link in set(links):
        assert client.get(link.replace("&amp;", "&")).status_code == 200, link


def test_a_cell_of_the_coverage_leads_to_its_points(client: TestClient) -> None:
    home = client.get("/?format=json").json()["coverage"]
    page = client.get("/").text
    row = home["rows"][0]
    place, cell = next((k, cell) for k, cell in enumerate(row["cells"]) if cell["points"])
    low = home["edges"][place]
    address = f"/points?gear={row['gear']}&flap={row['flap']}&propulsion={row['propulsion']}&from={low:g}&to={low + home['width']:g}"
    assert address.replace("&", "&amp;") in page
    found = client.get(address + "&format=json").json()
    assert found["count"] == cell["points"] == len(found["points"])
    assert {(p["gear"], p["flap"]) for p in found["points"]} == {(row["gear"], row["flap"])}


def test_points_can_be_taken_along(client: TestClient, programme: Programme) -> None:
    lines = client.get("/points/file.csv?gear=down").text.splitlines()
    assert len(lines) - 1 == len(programme.points(config={"gear": "down"}))
    assert "calibrated_airspeed [kt]" in lines[0]
    assert client.get("/points?from=fast&format=json").status_code == 400


def test_one_aircraft_can_be_chosen_where_there_are_two(eleven: Programme) -> None:
    listed = eleven.sorties()
    names = sorted(set(listed["aircraft"]))
    assert len(names) == 2
    owner = listed.set_index("sortie")["aircraft"]
    points = eleven.points()
    with TestClient(create_app(eleven, loopback_hosts(PORT), ACCESS), base_url=OURS, headers=KEY) as page:
        assert "together: choose one" in page.get("/").text
        for name in names:
            own = points[points["sortie"].map(owner) == name]
            home = page.get("/", params={"aircraft": name, "format": "json"}).json()
            assert home["points"] == len(own)
            assert sum(row["points"] for row in home["coverage"]["rows"]) == len(own)
            assert {one["aircraft"] for one in home["sorties"]} == {name}
            shown = page.get("/points", params={"aircraft": name, "format": "json"}).json()
            assert shown["count"] == len(own)
            link = re.search(r'href="(/points\?[^"]+)"', page.get("/", params={"aircraft": name}).text)
            assert link
            assert f"aircraft={name}" in link[1]
            used = page.get("/results/drag", params={"aircraft": name, "format": "json"}).json()["used"]
            assert {owner[one["sortie"]] for one in used} <= {name}


def test_a_judgement_is_taken_back_on_its_page_and_stays_listed(client: TestClient, programme: Programme) -> None:
    made = programme.judge(DRAG, "reject", number=4, words=("thermal", "T. Pilot"))
    page = client.get(f"/sortie/{DRAG}/marks").text
    assert f'name="mark" value="{made.id}"' in page
    said = {"action": "withdraw", "mark": made.id, "reason": "looked again", "by": "T. Pilot"}
    answer = client.post(f"/sortie/{DRAG}/marks", data=said, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/sortie/{DRAG}/marks")
    assert 4 in set(programme.judged_points(DRAG)["number"])
    listed = {one["id"]: one for one in client.get(f"/sortie/{DRAG}/marks?format=json").json()["marks"]}
    assert listed[made.id]["taken_back"]["reason"] == "looked again"
    assert f'name="mark" value="{made.id}"' not in client.get(f"/sortie/{DRAG}/marks").text
    assert client.post(f"/sortie/{DRAG}/marks", data=said).status_code == 400  # once is enough


@pytest.mark.parametrize("query", ["from=600&to=660&buckets=4000", "buckets=200", "from=900&to=900.01&buckets=10"])
def test_samples_as_bytes_are_those_of_the_text(client: TestClient, query: str) -> None:
    address = f"/sortie/{DRAG}/samples?channels=pressure_altitude,oil_pressure,bank&{query}"
    text, packed = client.get(address).json(), client.get(address + "&form=binary").content
    count = len(text["t"])
    assert len(packed) == count * (8 + 4 * 3)
    assert np.allclose(np.frombuffer(packed, "<f8", count), text["t"], atol=6e-4)  # the text has milliseconds
    for place, name in enumerate(("pressure_altitude", "oil_pressure", "bank")):
        values = np.frombuffer(packed, "<f4", count, 8 * count + 4 * place * count)
        expected = np.array(text["channels"][name], float)
        assert np.allclose(values, expected, rtol=1e-5, atol=1e-3, equal_nan=True), name


def test_the_rows_of_every_recorder_behind_a_stretch(client: TestClient, programme: Programme) -> None:
    """Ten seconds: the rows told are those whose times, in the stored tracks, lie in them."""
    import pyarrow.parquet as pq

    page = client.get(f"/sortie/{DRAG}/rows?from=600&to=610&format=json").json()
    told = {one["file"]: (one["first"], one["last"]) for one in page["rows"]}
    wanted = {}
    for track in sorted((programme.folder / "sorties" / DRAG / "tracks").glob("*.parquet")):
        table = pq.read_table(track, columns=["time_s", "row", "source"]).to_pandas()
        inside = table[(table["time_s"] >= 600) & (table["time_s"] < 610)]
        if len(inside):
            wanted[track.stem] = (int(inside["row"].min()), int(inside["row"].max()))
    assert sorted(told.values()) == sorted(wanted.values())
    assert len(told) >= 3
    for one in page["rows"]:
        assert [one["lines"][0]["row"], one["lines"][-1]["row"]] == [one["first"], one["last"]]
    assert f"/sortie/{DRAG}?from=600" in client.get(f"/sortie/{DRAG}/rows?from=600&to=610").text
    assert client.get("/sortie/nobody/rows").status_code == 404
    beyond = client.get(f"/sortie/{DRAG}/rows?from=-5&to=1e14&format=json").json()  # no longer than the sortie
    assert beyond["from"] == 0.0
    assert 600 < beyond["to"] < 86400
    assert client.get(f"/sortie/{DRAG}/rows?from=1e14").status_code == 200


def test_a_bare_number_is_told_while_it_is_typed(client: TestClient) -> None:
    assert "taken in m/s" in client.get("/ask/check?condition=calibrated_airspeed>95").json()["notes"][0]
    assert client.get("/ask/check?condition=calibrated_airspeed>95 kt").json()["notes"] == []


def test_a_judgement_taken_back_is_not_counted(client: TestClient) -> None:
    before = client.get("/?format=json").json()["marks"]
    form = {"action": "reject", "number": "1", "reason": "thermal", "by": "T. Pilot"}
    made = client.post(f"/sortie/{DRAG}/marks?format=json", data=form).json()["id"]
    assert client.get("/?format=json").json()["marks"] == before + 1
    back = {"action": "withdraw", "mark": made, "reason": "mistaken", "by": "T. Pilot"}
    client.post(f"/sortie/{DRAG}/marks?format=json", data=back)
    assert client.get("/?format=json").json()["marks"] == before
