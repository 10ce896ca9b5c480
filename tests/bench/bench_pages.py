"""How fast the pages are: python -m tests.bench.bench_pages PROGRAMME SORTIE [CHANNELS] [picture]

Serves the programme as `trimshot serve` does, asks for every page twice (results are kept after the first time), then opens the
sortie in chromium with so many channels chosen: from the address to the first picture, then zooms and moves by the keys;
per step the milliseconds until what is held is drawn at the new range, and until the finer samples are. The first step comes
at once after the picture. With `picture` the pages are not asked for.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

from playwright.sync_api import sync_playwright

_PAGES = (
    "/", "/points", "/ask", "/ask?condition=bank>deg(40)", "/ask?condition=flap='full'+AND+vertical_speed<0&at_least=5s",
    "/limits", "/questions", "/ledger", "/results", "/results/coverage", "/results/next",
)  # fmt: skip
# the first eight within what the page holds after the first picture, the last of windows the server is asked for
_STEPS = ("+", "+", "+", "ArrowRight", "-", "-", "+", "+", "+", "+", "+", "ArrowLeft")
_ZOOM = """async (steps) => {
    const box = document.getElementById("charts"), out = [];
    for (const key of steps) {
        const was = box.dataset.window, begun = performance.now();
        document.body.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true }));
        await Promise.resolve(); await Promise.resolve();
        const held = performance.now() - begun;
        while (box.dataset.window === was) await new Promise((go) => setTimeout(go, 1));
        await new Promise(requestAnimationFrame);
        out.push([Math.round(held), Math.round(performance.now() - begun)]);
    }
    return out;
}"""


def main() -> None:
    """Print the figures."""
    programme, sortie, count = sys.argv[1], sys.argv[2], int((*sys.argv, "30")[3])
    command = [str(Path(sys.executable).with_name("trimshot")), "--programme", programme, "serve", "--no-browser"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        found = re.match(r"(http://\S+)/\?key=(\S+) ", server.stdout.readline())
        assert found is not None
        try:
            if "picture" not in sys.argv:
                _pages(found[1], found[2], sortie)
            _picture(found[1], found[2], sortie, count)
        finally:
            server.terminate()


def _pages(address: str, key: str, sortie: str) -> None:
    print("    first   again     size")
    for tail in (*_PAGES, f"/sortie/{sortie}", f"/sortie/{sortie}/ledger"):
        times = []
        for _ in range(2):
            begun = time.perf_counter()
            asked = urllib.request.Request(address + tail, headers={"Authorization": f"Bearer {key}"})
            with urllib.request.urlopen(asked) as answer:
                size = len(answer.read())
            times.append(1000 * (time.perf_counter() - begun))
        print(f"{times[0]:6.0f} ms {times[1]:4.0f} ms {size / 1000:5.0f} kB  {tail}")


def _picture(address: str, key: str, sortie: str, count: int) -> None:
    chromium = shutil.which("chromium") or shutil.which("google-chrome")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_context(viewport={"width": 1440, "height": 950}).new_page()
        page.goto(f"{address}/sortie/{sortie}?key={key}")
        page.wait_for_selector("#charts[data-window]")
        names = page.evaluate("JSON.parse(document.getElementById('picture').textContent).channels.map((c) => c.name)")
        page.evaluate("(n) => localStorage.setItem('trimshot.channels', JSON.stringify(n))", names[:count])
        for _ in range(5):
            page.goto(f"{address}/sortie/{sortie}")
            page.wait_for_selector("#charts[data-window]")
            first = page.evaluate("performance.now()")
            panels = page.locator(".panel").count()
            print(f"first picture {first:.0f} ms, {min(count, len(names))} channels in {panels} panels")
            print("zoom, [held, finer] ms:", page.evaluate(_ZOOM, list(_STEPS)))
        browser.close()


if __name__ == "__main__":
    main()
