"""Results on their pages: every reduction there is, its pictures under the page's own policy, its points to open."""

from __future__ import annotations

import re

import pytest
from starlette.testclient import TestClient

from trimshot.reports.reductions.registry import REDUCTIONS
from trimshot.store.programme import Programme

from .conftest import DRAG


def test_every_reduction_is_listed_with_its_question(client: TestClient) -> None:
    listed = client.get("/results?format=json").json()["reductions"]
    assert [(one["name"], one["question"]) for one in listed] == [(one.name, one.question) for one in REDUCTIONS]


@pytest.mark.parametrize("name", [one.name for one in REDUCTIONS])
def test_every_reduction_has_a_page_or_says_what_it_lacks(client: TestClient, name: str) -> None:
    answer = client.get(f"/results/{name}")
    assert answer.status_code in (200, 400), answer.text[-2000:]
    assert 'style="' not in answer.text
    assert "<style" not in answer.text
    if answer.status_code == 200:
        assert answer.text.count('<svg role="group" aria-label="') == answer.text.count('<figure class="picture">')


def test_a_mark_of_a_picture_leads_to_its_point(client: TestClient) -> None:
    links = set(re.findall(r'xlink:href="(/sortie/[^"]+)"', client.get("/results/drag").text))
    assert links, "the demo has glides, so the picture has points"
    for link in list(links)[:5]:
        assert client.get(link).status_code == 200, link


def test_a_configuration_narrows_a_result(client: TestClient, programme: Programme) -> None:
    sheet = client.get("/results/drag?gear=down&format=json").json()
    points = programme.points().set_index(["sortie", "number"])
    assert sheet["used"]
    for one in sheet["used"]:
        if "number" in one:
            assert points.loc[(one["sortie"], one["number"]), "gear"] == "down"


def numbers_used(client: TestClient, query: str) -> set[int]:
    used = client.get(f"/results/drag?format=json&{query}").json()["used"]
    return {one["number"] for one in used if one["sortie"] == DRAG}


def test_a_result_can_rest_on_the_points_as_people_judged_them(client: TestClient, programme: Programme) -> None:
    number = min(numbers_used(client, ""))
    programme.judge(DRAG, "reject", number=number, words=("thermal", "A. Pilot"))
    assert number in numbers_used(client, "")
    judged = client.get("/results/drag?judged=1&format=json").json()
    assert number not in {one["number"] for one in judged["used"] if one["sortie"] == DRAG}
    assert any("A. Pilot" in one["reason"] for one in judged["left_out"])
    assert "as people judged" in client.get("/results/drag").text
    programme.judge(DRAG, "withdraw", number=number, words=("test over", "A. Pilot"))


def test_what_is_wrong_is_told_at_its_field(client: TestClient) -> None:
    answer = client.get("/results/approach?speed=90&bank=30%20deg")
    assert answer.status_code == 400
    field = re.search(
        r'<input name="speed" value="90"[^>]*aria-invalid="true"> <span[^>]*role="alert">([^<]*)', answer.text
    )
    assert field
    assert "needs its unit" in field[1]
    assert 'name="bank" value="30 deg"' in answer.text, "the other fields keep what was typed"
    assert "--" not in re.sub(r"<!--.*?-->", "", answer.text.split("<main")[1].split("</main>")[0])


def test_a_quantity_may_be_written_without_a_blank(client: TestClient) -> None:
    assert client.get("/results/approach?speed=90kt").status_code == 200


def test_two_flights_are_chosen_in_the_page(client: TestClient, programme: Programme) -> None:
    names = list(programme.sorties()["sortie"])
    text = client.get("/results/changes").text
    for side in ("before", "after"):
        choices = re.search(rf'<select name="{side}">(.*?)</select>', text, re.DOTALL)
        assert choices
        assert set(re.findall(r"<option>([^<]+)</option>", choices[1])) == set(names)
    sheet = client.get("/results/changes", params={"before": names[0], "after": names[-1], "format": "json"}).json()
    assert sheet["title"].endswith(f"{names[0]} to {names[-1]}")


def test_flights_can_be_left_out(client: TestClient, programme: Programme) -> None:
    assert programme.points(DRAG)["accepted"].any()
    sheet = client.get("/results/coverage", params={"sorties": DRAG, "format": "json"}).json()
    assert {one["sortie"] for one in sheet["used"]} == {DRAG}
    assert client.get("/results/coverage?sorties=nosuch").status_code == 400


def test_a_configuration_nothing_fits_is_said(client: TestClient) -> None:
    text = client.get("/results/drag?gear=sideways").text
    assert "Nothing fits what was chosen above" in text
    assert "<option selected>sideways</option>" in text


def test_nothing_is_advised_that_needs_a_terminal(client: TestClient) -> None:
    for one in REDUCTIONS:
        text = client.get(f"/results/{one.name}").text.split("<main")[1]
        assert "--sorties" not in text, one.name
        assert "--with" not in text, one.name


@pytest.mark.parametrize("address", ["/results/nothing", "/results/drag?robust_x=1", "/results/drag?aircraft=nobody"])
def test_what_cannot_be_reduced_is_told(client: TestClient, address: str) -> None:
    answer = client.get(address)
    assert answer.status_code == 400
    assert "Traceback" not in answer.text


@pytest.mark.parametrize("address", [f"/print/debrief.pdf?sortie={DRAG}", "/print/cards.pdf"])
def test_documents_can_be_taken_away(client: TestClient, address: str) -> None:
    pytest.importorskip("typst")
    answer = client.get(address)
    assert answer.status_code == 200, answer.text
    assert answer.content.startswith(b"%PDF")
    assert answer.headers["content-disposition"].startswith("attachment")


@pytest.mark.parametrize("address", ["/print/x.pdf", "/print/debrief.pdf", f"/print/cards.pdf?sortie={DRAG}"])
def test_a_document_there_is_not_is_told(client: TestClient, address: str) -> None:
    assert client.get(address).status_code == 400
