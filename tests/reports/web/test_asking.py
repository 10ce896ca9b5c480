"""What narrows a question on its page: within what was found, near an event; kept with a name, told when wrong."""

from __future__ import annotations

import re
from typing import Any

import pytest
from starlette.testclient import TestClient

from trimshot.reports.web.asking import Words, seconds_of, understand
from trimshot.shared.errors import ConditionError
from trimshot.store.programme import Programme

NEAR = {
    "condition": "calibrated_airspeed > 0",
    "within": "points:glide",
    "side": "after",
    "event": "gear_down",
    "span": "100s",
}


def expected_near(programme: Programme) -> set[tuple[str, float]]:
    """Starts of glides that begin at most 100 s after a gear_down, counted from the lists of points and events alone."""
    points, events = programme.points(), programme.events(kind="gear_down")
    glides = points[points["accepted"] & (points["kind"] == "glide")]
    found: set[tuple[str, float]] = set()
    reach: dict[str, float] = {}
    for glide in glides.sort_values(["sortie", "start_s"]).itertuples():
        begins_apart = glide.start_s > reach.get(glide.sortie, -1.0) + 0.2  # glides that touch are one stretch
        reach[glide.sortie] = glide.stop_s
        times = events.loc[events["sortie"] == glide.sortie, "time_s"]
        if begins_apart and ((glide.start_s - times >= 0) & (glide.start_s - times <= 100)).any():
            found.add((glide.sortie, round(float(glide.start_s), 0)))
    return found


def test_the_page_narrows_as_the_lists_have_it(client: TestClient, programme: Programme) -> None:
    answer = client.get("/ask", params={**NEAR, "format": "json"}).json()["answer"]
    expected = expected_near(programme)
    assert expected, "the demo lowers the gear before its glides"
    rows = {(row["sortie"], round(row["start_s"], 0)) for row in answer["rows"]}
    for sortie, start in expected:  # samples lie up to one step inside the point
        assert any(name == sortie and abs(begin - start) <= 2 for name, begin in rows), (sortie, start)
    assert len(rows) == len(expected)
    assert len(rows) < client.get("/ask", params={"condition": NEAR["condition"], "within": "points", "format": "json"}).json()["answer"]["count"]  # fmt: skip


def test_curves_lie_over_each_other_from_the_event(client: TestClient, programme: Programme) -> None:
    answer = client.get("/ask", params={**NEAR, "format": "json"}).json()["answer"]
    assert answer["curves"]["origin"] == "the event gear down"
    assert answer["columns"][0] == {"name": "after_gear_down_s", "head": "after gear down", "unit": "s"}
    row, line = answer["rows"][0], answer["curves"]["lines"][0]
    events = programme.events(row["sortie"], "gear_down")["time_s"]
    origin = float(events[events <= row["start_s"]].max())
    known = [t for t in line["t"] if t is not None]
    assert max(known) == pytest.approx(row["stop_s"] - origin, abs=2)
    assert min(t for t in known if t >= 0) < 2, "drawn from the event on, not from the start of the stretch"


def test_the_form_keeps_what_was_chosen(client: TestClient) -> None:
    text = client.get("/ask", params=NEAR).text
    assert '<option value="points:glide" selected>' in text
    assert '<option value="gear_down" selected>' in text
    assert 'name="span" value="100s"' in text
    assert 'placeholder="30s"' in text, "a further event can be added"


def test_a_file_is_of_the_narrowed_answer(client: TestClient) -> None:
    count = client.get("/ask", params={**NEAR, "format": "json"}).json()["answer"]["count"]
    link = re.search(r'href="(/ask/file\.csv\?[^"]+)"', client.get("/ask", params=NEAR).text)
    assert link
    assert len(client.get(link[1].replace("&amp;", "&")).text.splitlines()) == count + 1


def test_what_narrows_is_kept_with_the_condition(client: TestClient, programme: Programme) -> None:
    assert client.post("/ask/saved", params=NEAR, data={"name": "gear-glides"}).status_code == 201
    saved = programme.saved()["gear-glides"]
    assert saved.within == ("points:glide",)
    assert saved.after == {"gear_down": 100.0}
    link = re.search(r'href="(/ask\?[^"]+)" title="[^"]*">@gear-glides', client.get("/ask").text)
    assert link
    counts = [
        client.get(address, params={**some, "format": "json"}).json()["answer"]["count"]
        for address, some in (("/ask", NEAR), ("/ask", {"condition": "@gear-glides"}))
    ]
    asked = client.get(link[1].replace("&amp;", "&") + "&format=json").json()["answer"]["count"]
    assert [asked, counts[1]] == [counts[0]] * 2
    assert client.delete("/ask/saved/gear-glides").status_code == 200


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ({"condition": "bnak > 3"}, "bnak"),
        ({"condition": "bank > 0", "at_least": "ten"}, "held at least: not a duration"),
        ({"condition": "bank > 0", "side": "after", "event": "gear_down", "span": ""}, "how long after gear down is not said"),
        ({"condition": "bank > 0", "within": "clouds"}, "cannot lie within that"),
        ({"condition": "bank > 0", "sortie": "nosuch"}, "nosuch"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_in_the_form_which_keeps_it(client: TestClient, query: dict[str, Any], says: str) -> None:
    answer = client.get("/ask", params=query)
    assert answer.status_code == 400
    alert = re.search(r'<p class="caution" role="alert" id="condition-error">(.*?)</p>', answer.text)
    assert alert
    assert says in alert[1]
    assert query["condition"].replace(">", "&gt;") in answer.text, "what was typed stands in the form"
    assert "trimshot channels" not in answer.text


def test_sides_that_do_not_belong_together_are_refused(client: TestClient) -> None:
    assert client.get("/ask?condition=bank>0&side=after&event=gear_down").status_code == 400
    with pytest.raises(ConditionError):
        understand(Words("bank > 0", near=(("beside", "gear_down", "3s"),)))


@pytest.mark.parametrize(
    ("text", "seconds"), [("10s", 10.0), ("2 min", 120.0), ("1h", 3600.0), ("250 ms", 0.25), ("", 0.0)]
)
def test_lengths_of_time(text: str, seconds: float) -> None:
    assert seconds_of(text) == seconds


def test_an_event_named_as_a_trick_is_text(client: TestClient) -> None:
    answer = client.get("/ask", params={"condition": "bank > 0", "side": "after", "event": "<script>", "span": "3s"})
    assert answer.status_code == 400
    assert "<script>alert" not in answer.text
    assert '<option value="<script>"' not in answer.text
