"""Every page for who works by keyboard, by ear, in glaring light or on paper: what accessibility.js finds wrong is nothing.

Contrast and names after WCAG 2.2 (1.1.1, 1.3.1, 1.4.3, 1.4.11, 2.1.1, 2.4.2, 2.4.3, 2.4.7, 3.1.1, 4.1.2).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from trimshot.store.programme import Programme

from .conftest import DRAG

AUDIT = (Path(__file__).parent / "accessibility.js").read_text(encoding="utf-8")
TAILS = (
    "", "drop", "points", "ask", "ask?condition=bank>deg(20)&at_least=5s", "ask?condition=bnk>2", "results", "results/drag",
    "limits", "questions", "ledger", f"sortie/{DRAG}?point=3", f"sortie/{DRAG}/points/3", f"sortie/{DRAG}/tables",
    f"sortie/{DRAG}/marks", f"sortie/{DRAG}/ledger", f"sortie/{DRAG}/rows?from=600&to=610",
)  # fmt: skip
FOCUSABLE = "a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0']"
WALK = """(selector) => {
    const named = (one) => one.outerHTML.slice(0, 90);
    const wanted = new Set([...document.querySelectorAll(selector)].filter((one) => !one.disabled && one.checkVisibility({ visibilityProperty: true })
        && !(one.type === "radio" && document.querySelector(`input[type=radio][name="${one.name}"]:checked`) !== one && one !== one.form?.elements[one.name]?.[0])));
    document.__wanted = wanted; document.__unseen = [];
    document.addEventListener("focusin", (event) => {
        wanted.delete(event.target);
        const style = getComputedStyle(event.target.closest("label.button") || event.target);
        if (event.target !== document.body && (style.outlineStyle === "none" || parseFloat(style.outlineWidth) < 1)) document.__unseen.push(named(event.target));
    });
    return wanted.size;
}"""
LEFT = "() => [[...document.__wanted].map((one) => one.outerHTML.slice(0, 90)), document.__unseen]"


@pytest.fixture(scope="module")
def visitor(browser: Any, served: str) -> Iterator[Any]:
    """A window in which the questions of this file can be asked: our policy forbids them in a common one."""
    context = browser.new_context(bypass_csp=True, viewport={"width": 1440, "height": 900})
    page = context.new_page()
    page.goto(served)
    yield page
    context.close()


def open_whole(page: Any, address: str) -> None:
    """The page with all that folds opened and all that comes later there."""
    page.goto(address)
    if page.locator("#tables[aria-busy]").count():
        page.wait_for_selector("#tables:not([aria-busy])", state="attached")
    if "point=" in address:
        page.wait_for_selector("#detail[data-point]")
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    page.wait_for_timeout(120)


@pytest.mark.parametrize("tail", TAILS)
def test_nothing_is_wrong_with_a_page(visitor: Any, address: str, programme: Programme, tail: str) -> None:
    visitor.emulate_media(media="screen", color_scheme="light")
    open_whole(visitor, address + tail)
    for scheme, media in (("light", "screen"), ("dark", "screen"), ("light", "print")):
        visitor.emulate_media(media=media, color_scheme=scheme)
        assert visitor.evaluate(AUDIT) == [], (scheme, media)


@pytest.mark.parametrize("width", [390, 768])
def test_no_page_is_wider_than_a_narrow_window(visitor: Any, address: str, width: int) -> None:
    visitor.emulate_media(media="screen", color_scheme="light")
    visitor.set_viewport_size({"width": width, "height": 900})
    for tail in TAILS:
        open_whole(visitor, address + tail)
        wide = visitor.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wide <= 0, tail
        here = visitor.locator(".top nav [aria-current]")
        if here.count():  # the page one is on stands in view in the bar
            box = here.bounding_box()
            assert box["x"] >= 0, tail
            assert box["x"] + box["width"] <= width, tail
        assert visitor.evaluate(AUDIT) == [], tail
    visitor.set_viewport_size({"width": 1440, "height": 900})


def test_titles_tell_pages_apart(visitor: Any, address: str) -> None:
    titles = []
    for tail in TAILS:
        if "?" not in tail:
            visitor.goto(address + tail)
            titles.append(visitor.title())
    assert len(set(titles)) == len(titles)


@pytest.mark.parametrize("tail", ["drop", "points?kind=glide", "ask", "limits", f"sortie/{DRAG}/points/3"])
def test_the_tab_key_reaches_everything_and_shows_where_it_is(visitor: Any, address: str, tail: str) -> None:
    visitor.emulate_media(media="screen", color_scheme="light")
    open_whole(visitor, address + tail)
    count = visitor.evaluate(WALK, FOCUSABLE)
    assert count > 8
    for _ in range(count + 12):
        visitor.keyboard.press("Tab")
    missed, unseen = visitor.evaluate(LEFT)
    assert missed == []
    assert unseen == []


def test_a_picture_says_what_it_shows(visitor: Any, address: str, programme: Programme) -> None:
    """The words of the first panel name the least and greatest airspeed of the window, as the store has them."""
    visitor.goto(f"{address}sortie/{DRAG}?from=600&to=660")
    panel = visitor.locator(".panel[aria-label^='airspeed'][aria-label*='indicated airspeed']").first
    panel.wait_for()
    stored = programme.samples(DRAG, ["indicated_airspeed"], start=600.0, stop=660.0)["indicated_airspeed"] / 0.514444
    told = panel.get_attribute("aria-label").split("indicated airspeed ")[1].split(";")[0].split(" to ")
    assert [float(one) for one in told] == pytest.approx([stored.min(), stored.max()], abs=0.15)  # kt, one decimal


def test_a_lane_says_what_it_shows_of_the_window(visitor: Any, address: str, programme: Programme) -> None:
    gear = programme.states(DRAG, "gear")
    down = gear[gear["value"] == "down"].iloc[0]
    stop = float(down["stop_s"])
    visitor.goto(f"{address}sortie/{DRAG}?from={stop - 30}&to={stop + 60}")
    visitor.wait_for_selector(".lane[aria-label^='gear against UTC: down ']", state="attached")
    told = visitor.locator(".lane[aria-label^='gear']").get_attribute("aria-label")
    passed = gear[(gear["stop_s"] > stop - 30) & (gear["start_s"] < stop + 60)]["value"]
    assert [one.split(" ")[0] for one in told.partition(": ")[2].split(", ")] == list(passed)


def test_opening_a_point_is_told_in_a_sentence(visitor: Any, address: str) -> None:
    """The heading and the first numbers: not the table of every channel, which would be read for minutes."""
    visitor.goto(f"{address}sortie/{DRAG}?point=3")
    visitor.wait_for_selector("#detail[data-point]")
    said = visitor.locator("#detail-note").text_content()
    assert said.startswith("Point 3 ")
    assert "±" in said and "calibrated airspeed" in said
    assert len(said) < 250
    assert visitor.locator("[aria-live] table, [role=status] table").count() == 0


def test_a_number_of_the_coverage_says_of_what(visitor: Any, address: str) -> None:
    visitor.goto(address)
    name = visitor.locator(".matrix td a").first.get_attribute("aria-label")
    assert all(word in name for word in ("point", "gear", "flap", "kt"))


@pytest.mark.parametrize(
    ("harm", "found"),
    [
        ("document.querySelector('h1').remove()", "not one first heading"),
        ("document.querySelector('main').append(document.createElement('input'))", "no name"),
        ("document.querySelector('h1').style.color = '#999'", "contrast"),
        ("document.querySelector('main').append(document.createElement('canvas'))", "a picture without words"),
    ],
)
def test_the_questions_find_what_is_wrong(visitor: Any, address: str, harm: str, found: str) -> None:
    visitor.goto(address + "limits")
    visitor.evaluate(harm)
    assert any(one.startswith(found) for one in visitor.evaluate(AUDIT))
