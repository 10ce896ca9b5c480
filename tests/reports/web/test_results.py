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
        assert answer.text.count("<svg xmlns") == answer.text.count('<figure class="picture">')


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
