"""The whole way in a real browser: drop, look, zoom, open a point, ask, take along, judge; no error, no outside request."""

from __future__ import annotations

import json
import re
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from trimshot.store.programme import Programme

from .conftest import DRAG

ROOT = Path(__file__).parents[3]
DEMO = ROOT / "reports" / "demo_data"
ZIP = DEMO / "S250507-02-patterns.zip"
SORTIE = "S250507-02-patterns"


def test_serve_answers_on_this_computer_and_ends_cleanly(served: str, address: str) -> None:
    key = served.partition("key=")[2]
    asked = urllib.request.Request(address + "?format=json", headers={"Authorization": f"Bearer {key}"})
    with urllib.request.urlopen(asked) as answer:
        assert DRAG in [one["sortie"] for one in json.load(answer)["sorties"]]
    with pytest.raises(urllib.error.HTTPError, match="403"):
        urllib.request.urlopen(address)
    port = address.rsplit(":", 1)[1].strip("/")
    if Path("/proc/net/tcp").exists():  # listening on 127.0.0.1 (0100007F) alone
        lines = Path("/proc/net/tcp").read_text().splitlines()[1:]
        local = [line.split()[1] for line in lines if line.split()[3] == "0A"]
        assert [one for one in local if int(one.split(":")[1], 16) == int(port)] == [f"0100007F:{int(port):04X}"]


def drop_sample(page: Any, address: str) -> None:
    """Choose the sample's zip on the page and wait until the page has gone to its sortie."""
    page.goto(address + "drop")
    page.set_input_files("#choose-files", str(ZIP))
    page.wait_for_url(re.compile(rf"/sortie/{SORTIE}(\?already=1)?$"))
    page.wait_for_selector("#charts[data-window]")
    page.wait_for_selector("#tables table")


def window_of(page: Any) -> list[float]:
    """The seconds drawn."""
    return [float(part) for part in page.get_attribute("#charts", "data-window").split()]


def test_the_whole_way(page: Any, address: str, programme: Programme, tmp_path: Path) -> None:
    drop_sample(page, address)
    points = programme.points(SORTIE)

    # zoom by dragging over the picture, back by a double click, on by the keys
    whole = window_of(page)
    box = page.locator(".u-over").first.bounding_box()
    page.mouse.move(box["x"] + 0.3 * box["width"], box["y"] + 40)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 60, steps=5)
    page.mouse.up()
    page.wait_for_function(
        "before => document.getElementById('charts').dataset.window !== before", arg=" ".join(f"{v:.2f}" for v in whole)
    )
    near = window_of(page)
    assert near[1] - near[0] == pytest.approx(0.2 * (whole[1] - whole[0]), rel=0.1)
    page.keyboard.press("ArrowRight")
    page.wait_for_function(
        "a => Number(document.getElementById('charts').dataset.window.split(' ')[0]) > a + 1", arg=near[0]
    )
    page.keyboard.press("0")
    page.wait_for_function(
        "w => document.getElementById('charts').dataset.window === w", arg=" ".join(f"{v:.2f}" for v in whole)
    )

    # a drop-out is open: the data the picture draws holds nulls, and uPlot is told never to span them
    page.click("#channels-open")
    page.check("#chooser input[value=oil_pressure]")
    page.wait_for_selector(".panel[aria-label^='oil']")
    page.reload()
    page.wait_for_selector(".panel[aria-label^='oil']")  # remembered in this browser
    page.wait_for_selector("#charts[data-window]")

    # a click into a point opens its statistics and rows
    first = points.iloc[0]
    middle = (first["start_s"] + first["stop_s"]) / 2
    box = page.locator(".u-over").first.bounding_box()
    page.mouse.click(box["x"] + middle / whole[1] * box["width"], box["y"] + 70)
    page.wait_for_selector("#detail[data-point]")
    assert page.get_attribute("#detail", "data-point") == str(first["number"])
    assert str(programme.point_rows(SORTIE).iloc[0]["file"]) in page.inner_text("#detail")

    # reject it, with reason and name
    page.click("#detail .judge summary")
    page.check("#detail input[value=reject]")
    page.fill("#detail input[name=reason]", "thermal")
    page.fill("#detail input[name=by]", "T. Pilot")
    page.click("#detail .judge button[type=submit]")
    page.wait_for_url("**from=*")
    page.wait_for_selector("#charts[data-window]")
    assert [(m.action, m.reason, m.person) for m in programme.marks(SORTIE)] == [("reject", "thermal", "T. Pilot")]
    assert len(programme.judged_points(SORTIE)) == len(points) - 1

    # ask, put together from parts, and take the answer along
    page.goto(address + "ask")
    page.select_option("#builder select[aria-label='channel or state']", "calibrated_airspeed")
    page.fill("#builder input[aria-label=value]", "80")
    assert page.input_value("#condition") == "calibrated_airspeed > kt(80)"
    page.fill("input[name=at_least]", "20s")
    page.click("#ask-form button[type=submit]")
    page.wait_for_selector("#overlay[data-lines] canvas")
    count = len(programme.find("calibrated_airspeed > kt(80)", 20.0).frame)
    assert page.locator("#stretches tbody tr").count() == count > 0
    with page.expect_download() as download:
        page.click("text=CSV")
    download.value.save_as(tmp_path / "stretches.csv")
    assert len((tmp_path / "stretches.csv").read_text().splitlines()) == count + 1


def test_every_page_is_free_of_errors_in_light_and_dark(page: Any, address: str, programme: Programme) -> None:
    number = int(programme.points(DRAG)["number"].iloc[0])
    file = str(programme.point_rows(DRAG)["file"].iloc[0])
    for tail in (
        "", "drop", "ask", "ask?condition=bank>deg(20)&at_least=5s", "results", "results/mass", "limits", "questions", "ledger",
        f"sortie/{DRAG}", f"sortie/{DRAG}?from=100&to=400", f"sortie/{DRAG}?point={number}", f"sortie/{DRAG}/points/{number}",
        f"sortie/{DRAG}/tables", f"sortie/{DRAG}/marks", f"sortie/{DRAG}/ledger", f"sortie/{DRAG}/row?file={file}&row=100",
    ):  # fmt: skip
        page.emulate_media(color_scheme="light")
        page.goto(address + tail)
        if re.fullmatch(rf"sortie/{DRAG}(\?.*)?", tail):
            page.wait_for_selector("#tables:not([aria-busy])")
        page.emulate_media(color_scheme="dark")
        wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wide <= 1, f"{tail} is wider than the window"
    page.click("#theme")
    assert page.get_attribute("html", "data-theme") == "light"


def test_the_keyboard_alone_suffices(page: Any, address: str, programme: Programme) -> None:
    page.goto(f"{address}sortie/{DRAG}")
    page.wait_for_selector("#charts[data-window]")
    page.keyboard.press("n")
    page.keyboard.press("Enter")
    page.wait_for_selector("#detail[data-point]")
    whole = window_of(page)
    page.keyboard.press("+")
    page.wait_for_function(
        "w => document.getElementById('charts').dataset.window !== w", arg=" ".join(f"{v:.2f}" for v in whole)
    )
    page.wait_for_selector("#tables tr[data-point]")
    page.focus("#tables tr[data-point]:nth-child(2)")
    page.keyboard.press("Enter")
    second = str(programme.points(DRAG)["number"].iloc[1])
    page.wait_for_selector(f"#detail[data-point='{second}']")


def test_a_stretch_marked_by_hand_becomes_a_point(page: Any, address: str, programme: Programme) -> None:
    page.goto(f"{address}sortie/{DRAG}?from=600&to=800")
    page.wait_for_selector("#charts[data-window]")
    page.click("#select-mode")
    box = page.locator(".u-over").first.bounding_box()
    page.mouse.move(box["x"] + 0.25 * box["width"], box["y"] + 40)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 60, steps=5)
    page.mouse.up()
    page.fill("#detail input[name=reason]", "steady by eye")
    page.fill("#detail input[name=by]", "T. Pilot")
    with page.expect_navigation():
        page.click("#detail button[type=submit]")
    mark = programme.marks(DRAG)[-1]
    start = programme.sorties().set_index("sortie").loc[DRAG, "start_utc"]
    assert (mark.start_utc - start).total_seconds() == pytest.approx(650, abs=2)
    assert (mark.stop_utc - start).total_seconds() == pytest.approx(700, abs=2)


def test_a_cancelled_drop_says_so_and_keeps_nothing(
    page: Any, address: str, programme: Programme, tmp_path: Path
) -> None:
    for name in ("a.csv", "b.csv"):
        (tmp_path / name).write_text("time_utc,ias_kt\n")
    before = len(programme.sorties())
    page.goto(address + "drop")
    page.set_input_files("#choose-files", [str(tmp_path / "a.csv"), str(tmp_path / "b.csv")])
    page.wait_for_selector("#loose:not([hidden])")
    page.click("#cancel")
    page.wait_for_selector("text=Cancelled; nothing was kept.")
    assert len(programme.sorties()) == before


def test_what_a_hostile_name_holds_is_text(page: Any, address: str, programme: Programme, tmp_path: Path) -> None:
    folder = tmp_path / "hostile"
    folder.mkdir()
    rows = [f"2031-03-14T09:{m:02d}:{s:02d}Z,0.0,1200,1" for m in range(3) for s in range(60)]
    head = "time_utc,ias_kt,pressure_alt_ft,</script><img src=x onerror=document.title='owned'>"
    (folder / "log.csv").write_text("\n".join([head, *rows]) + "\n")
    programme.add([folder])
    for tail in ("", "sortie/hostile", "sortie/hostile/ledger", "ask", "ledger", "questions"):
        page.goto(address + tail)
        if tail == "sortie/hostile":
            page.wait_for_selector("#tables:not([aria-busy])")
        assert page.title() != "owned"
        assert page.locator("img[src=x]").count() == 0


def test_no_line_is_drawn_over_a_drop_out(page: Any, address: str, programme: Programme, tmp_path: Path) -> None:
    """In the picture itself: the curve's colour stands on both sides of the hole and nowhere inside it."""
    folder = tmp_path / "silent"
    folder.mkdir()
    seconds = [*range(200), *range(300, 600)]
    rows = [f"2031-03-15T09:{s // 60:02d}:{s % 60:02d}Z,{90 + s % 2}.0,3000" for s in seconds]
    (folder / "log.csv").write_text("\n".join(["time_utc,ias_kt,pressure_alt_ft", *rows]) + "\n")
    programme.add([folder])
    page.goto(f"{address}sortie/silent")
    page.wait_for_selector("#charts[data-window]")
    page.wait_for_timeout(300)
    coloured = page.evaluate(
        """() => {
            const canvas = document.querySelector(".panel canvas"), over = document.querySelector(".panel .u-over");
            const scale = devicePixelRatio, left = over.offsetLeft * scale, width = over.offsetWidth * scale, top = over.offsetTop * scale;
            const image = canvas.getContext("2d").getImageData(0, top, canvas.width, over.offsetHeight * scale);
            const ink = [0x0b, 0x5d, 0x7a];  // --c1 of the light theme
            const drawn = (x, y) => { const i = 4 * (y * image.width + x); return image.data[i + 3] > 200 && ink.every((v, k) => Math.abs(image.data[i + k] - v) < 30); };
            const count = (from, to) => {
                let found = 0;
                for (let x = Math.round(left + width * from / 599); x < left + width * to / 599; x++)
                    for (let y = 0; y < image.height; y++) if (drawn(x, y)) found++;
                return found;
            };
            return { before: count(100, 190), inside: count(205, 295), after: count(310, 400) };
        }"""
    )
    assert coloured["before"] > 20
    assert coloured["after"] > 20
    assert coloured["inside"] == 0


def test_a_question_is_answered_where_it_is_asked(
    page: Any, address: str, programme: Programme, tmp_path: Path
) -> None:
    """After a drop the open question stands below what became of it; the answer reads the sortie anew."""
    rows = [f"2031-03-16T09:{m:02d}:{s:02d}Z,{90 + s % 3}.0,{80 + s % 2}" for m in range(5) for s in range(60)]
    (tmp_path / "asks.csv").write_text("\n".join(["time_utc,ias_kt,oil temp [blorg]", *rows]) + "\n")
    page.goto(address + "drop")
    page.set_input_files("#choose-files", str(tmp_path / "asks.csv"))
    page.wait_for_selector("#outcome article.question form.answer")
    assert "delimited text" in page.inner_text("#outcome article.added")
    field = page.locator("#outcome form.answer input[name=value]")
    if field.first.get_attribute("type") == "radio":
        field.first.check()
    else:
        field.first.fill("degC")
    page.click("#outcome form.answer button")
    page.wait_for_selector("#outcome >> text=kept for every later sortie")
    page.click("text=Go to asks")
    page.wait_for_selector("#charts[data-window]")
    assert not programme.questions("asks")


def test_the_next_sortie_is_taken_while_one_is_read(
    page: Any, address: str, programme: Programme, tmp_path: Path
) -> None:
    for name, day in (("next-a", 20), ("next-b", 21)):
        (tmp_path / name).mkdir()
        rows = [f"2031-03-{day}T09:{m:02d}:{s:02d}Z,0.0,1200" for m in range(20) for s in range(60)]
        (tmp_path / name / "log.csv").write_text("\n".join(["time_utc,ias_kt,pressure_alt_ft", *rows]) + "\n")
    page.goto(address + "drop")
    page.set_input_files("#choose-folder", str(tmp_path / "next-a"))
    page.wait_for_selector("#outcome article.working, #outcome article.added")
    page.wait_for_selector("#drop-zone:not([hidden])")
    page.set_input_files("#choose-folder", str(tmp_path / "next-b"))
    for _ in range(200):
        if {"next-a", "next-b"} <= set(programme.sorties()["sortie"]):
            break
        page.wait_for_timeout(100)
    assert {"next-a", "next-b"} <= set(programme.sorties()["sortie"])


def test_a_sortie_without_points_is_told_and_its_refused_candidates_open(
    page: Any, address: str, programme: Programme
) -> None:
    page.goto(f"{address}sortie/next-a")
    page.wait_for_selector("#charts[data-window]")
    page.click("#point-before")
    assert "no stabilised point" in page.inner_text("#detail")
    refused = programme.points(DRAG, refused=True)
    number = int(refused.loc[~refused["accepted"], "number"].iloc[0])
    page.goto(f"{address}sortie/{DRAG}")
    page.wait_for_selector("#tables:not([aria-busy])")
    page.click("#tables details summary")
    row = page.locator(f"#tables details tr[data-point='{number}']")
    row.focus()
    page.keyboard.press("Enter")
    page.wait_for_selector(f"#detail[data-point='{number}'] .reasons")
    assert page.is_checked("#with-refused")


@pytest.mark.parametrize("query", ["from=99999&to=100000", "from=500&to=100", "from=x", "from=-50&to=-10"])
def test_no_address_shows_an_empty_picture(page: Any, address: str, query: str) -> None:
    page.goto(f"{address}sortie/{DRAG}?{query}")
    page.wait_for_selector("#charts[data-window]")
    page.wait_for_selector("#tables:not([aria-busy])")
    start, stop = window_of(page)
    assert 0 <= start < stop


def test_a_stretch_is_marked_without_a_mouse(page: Any, address: str, programme: Programme) -> None:
    page.goto(f"{address}sortie/{DRAG}?from=300&to=330")
    page.wait_for_selector("#tables:not([aria-busy])")
    page.focus("#mark-window")
    page.keyboard.press("Enter")
    page.keyboard.type("steady by eye")
    page.keyboard.press("Tab")
    page.keyboard.type("T. Pilot")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    mark = programme.marks(DRAG)[-1]
    start = programme.sorties().set_index("sortie").loc[DRAG, "start_utc"]
    assert (mark.start_utc - start).total_seconds() == pytest.approx(300, abs=0.1)
    assert (mark.stop_utc - start).total_seconds() == pytest.approx(330, abs=0.1)


def test_a_value_that_is_no_number_is_told_at_its_field(page: Any, address: str) -> None:
    page.goto(address + "ask")
    page.select_option("#builder select[aria-label='channel or state']", "bank")
    page.fill("#builder input[aria-label='value']", "4o")
    assert "4o is not a number" in page.inner_text("#condition-note")
    assert page.get_attribute("#builder input[aria-label='value']", "aria-invalid") == "true"
    page.fill("#builder input[aria-label='value']", "40")
    assert "deg(40)" in page.input_value("#condition")


def test_overlaid_lines_leave_their_drop_outs_open(page: Any, address: str) -> None:
    page.goto(address + "ask")
    made = page.evaluate(
        """async () => { const { overlay } = await import("/assets/overlay.js");
        const lines = [{ t: [0, 1, 5, 9, 10], channels: { a: [1, 2, null, 3, 4] } }, { t: [0.5, 2, 4, 6, 8, 9.5], channels: { a: [7, 7, 7, 7, 7, 7] } }];
        const { times, columns } = overlay(lines, "a"); return { times, first: Array.from(columns[0], (v) => v === undefined ? "across" : v) }; }"""
    )
    assert made["times"] == [0, 0.5, 1, 2, 4, 5, 6, 8, 9, 9.5, 10]
    assert made["first"] == [1, "across", 2, None, None, None, None, None, 3, "across", 4]
