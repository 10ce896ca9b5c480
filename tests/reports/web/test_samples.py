"""What the picture holds for its zooms: as fine as is asked for, extremes kept, drop-outs open, no question to the server.

The expected samples are worked out here with numpy from the numbers the page is given.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from .conftest import DRAG
from .test_browser import window_of

# a source of samples over numbers made in the page: 8,000 times, a sine with one spike and one hole
SOURCE = """async ([count, spike, hole, span, buckets]) => {
    const { samplesOf } = await import("/assets/samples.js");
    const t = Float64Array.from({ length: count }, (_, i) => 0.5 * i), v = Float32Array.from(t, (x) => Math.sin(x / 40));
    v[spike] = 9; v.fill(NaN, hole[0], hole[1]);
    const bytes = new Uint8Array(12 * count), asked = [];
    bytes.set(new Uint8Array(t.buffer)); bytes.set(new Uint8Array(v.buffer), 8 * count);
    window.fetch = async (address) => { asked.push(address); return new Response(bytes.buffer.slice(0)); };
    const source = samplesOf("/sortie/x");
    await source.whole(["v"], 700); await source.deepen();
    const held = source.held(span, buckets);
    return { asked: asked.length, t: held && [...held.t], v: held && held.channels.v };
}"""
COUNT, SPIKE, HOLE = 8000, 3210, (4000, 4100)


@pytest.fixture
def visitor(browser: Any, served: str) -> Iterator[Any]:
    """A window in which expressions of ours run: the policy of the pages forbids them in a common one."""
    context = browser.new_context(bypass_csp=True, viewport={"width": 1400, "height": 900})
    page = context.new_page()
    page.goto(served)
    yield page
    context.close()


def held_of(page: Any, span: tuple[float, float], buckets: int) -> dict[str, Any]:
    held: dict[str, Any] = page.evaluate(SOURCE, [COUNT, SPIKE, list(HOLE), list(span), buckets])
    return held


def test_a_window_of_what_is_held_keeps_extremes_and_drop_outs(visitor: Any) -> None:
    held = held_of(visitor, (1000.0, 2600.0), 300)
    assert held["asked"] == 2  # the whole, and the whole finer: nothing more
    t, v = np.array(held["t"]), np.array([np.nan if one is None else one for one in held["v"]], float)
    assert len(t) == len(v)
    assert 300 <= len(t) <= 2 * 330
    assert (np.diff(t) >= 0).all()
    time = 0.5 * np.arange(COUNT)
    curve = np.sin(time / 40)
    inside = (time >= 1000) & (time <= 2600)
    hole = (time >= time[HOLE[0]]) & (time < time[HOLE[1]])
    assert np.nanmax(v) == 9.0  # the spike of one sample
    assert np.nanmin(v) == pytest.approx(curve[inside & ~hole].min(), abs=1e-6)
    assert t[0] <= 1000.0 + 10 and t[-1] >= 2600.0 - 10
    # in the drop-out nothing is drawn, and it begins and ends within a bucket of where it does
    bucket = 2 * (t[2] - t[0])
    dark = (t > time[HOLE[0]] + bucket) & (t < time[HOLE[1]] - bucket)
    assert dark.sum() > 3
    assert np.isnan(v[dark]).all()
    bright = (t < time[HOLE[0]] - bucket) | (t > time[HOLE[1]] + bucket)
    assert np.isfinite(v[bright]).all()
    # every sample drawn is one that was recorded, near the time it is drawn at
    for when, value in zip(t[bright & (v < 2)], v[bright & (v < 2)], strict=True):
        near = np.abs(time - when) <= bucket
        assert np.abs(curve[near] - value).min() < 1e-6


def test_a_window_finer_than_what_is_held_is_left_to_the_server(visitor: Any) -> None:
    assert held_of(visitor, (1000.0, 1100.0), 300)["t"] is None


def test_zooms_out_of_what_is_held_ask_nothing(page: Any, address: str) -> None:
    asked: list[str] = []
    page.on("request", lambda one: asked.append(one.url) if "/samples?" in one.url else None)
    page.goto(f"{address}sortie/{DRAG}")
    page.wait_for_selector("#tables:not([aria-busy])", state="attached")
    page.wait_for_selector("#charts[data-window]")
    before, whole = len(asked), window_of(page)
    assert before == 2
    page.keyboard.press("+")
    page.wait_for_function(
        "w => document.getElementById('charts').dataset.window.split(' ')[0] !== w", arg=f"{whole[0]:.2f}"
    )
    near = window_of(page)
    assert near[1] - near[0] == pytest.approx((whole[1] - whole[0]) / 2, rel=0.01)
    assert len(asked) == before
    for _ in range(4):  # to a thirty-second of it: finer than what is held
        page.keyboard.press("+")
    page.wait_for_function(
        "w => Number(document.getElementById('charts').dataset.window.split(' ')[0]) > w", arg=near[0] + 100
    )
    page.wait_for_timeout(300)
    assert len(asked) > before
