"""A server's application on a programme of its own, as a browser on this computer meets it."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

with warnings.catch_warnings():  # the client asks for another library of the same kind; ours does all it needs
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

from trimshot.reports.web.access import Access
from trimshot.reports.web.app import create_app
from trimshot.reports.web.protection import loopback_hosts
from trimshot.store.programme import Programme

PORT = 8123
OURS = f"http://127.0.0.1:{PORT}"
ACCESS = Access(PORT)
ACCESS.key = "known-to-the-tests"
KEY = {"Authorization": f"Bearer {ACCESS.key}"}
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
TRIMSHOT = Path(sys.executable).with_name("trimshot")
DRAG = "S250506-01-drag_survey"


@pytest.fixture(scope="module")
def programme(demo_programme: Programme, tmp_path_factory: pytest.TempPathFactory) -> Programme:
    """The demo programme, copied: tests of a module may write to it."""
    folder = tmp_path_factory.mktemp("served") / "demo"
    shutil.copytree(demo_programme.folder, folder)
    return Programme(folder)


@pytest.fixture(scope="module")
def client(programme: Programme) -> Iterator[TestClient]:
    """Requests from a page of the server itself."""
    app = create_app(programme, loopback_hosts(PORT), ACCESS)
    with TestClient(app, base_url=OURS, headers={"Origin": OURS, **KEY}) as one:
        yield one


@pytest.fixture
def empty_programme(tmp_path: Path) -> Programme:
    """A programme without sorties."""
    from trimshot.store.programme import create_programme

    return create_programme(tmp_path / "empty")


@pytest.fixture(scope="module")
def served(programme: Programme) -> Iterator[str]:
    """The address `trimshot serve` prints, with its key; the server is ended as a user ends it."""
    command = [str(TRIMSHOT), "--programme", str(programme.folder), "serve", "--no-browser"]
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment
    ) as server:
        assert server.stdout is not None
        line = server.stdout.readline()
        found = re.match(r"http://127\.0\.0\.1:\d+/\?key=\S{32}", line)
        assert found, line
        yield found[0]
        server.send_signal(signal.SIGINT)
        server.wait(timeout=30)
        assert server.stderr is not None
        assert "Traceback" not in server.stderr.read()


@pytest.fixture(scope="module")
def address(served: str) -> str:
    """The server's address alone."""
    return served.partition("?")[0]


class Watch:
    """What a page must not do, collected: console errors, failures, requests to anywhere else."""

    def __init__(self, page: Any, address: str) -> None:
        self.wrong: list[str] = []
        page.on("console", lambda m: self.wrong.append(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: self.wrong.append(str(error)))
        page.on(
            "request", lambda r: None if r.url.startswith((address, "data:", "blob:")) else self.wrong.append(r.url)
        )
        page.on("response", lambda r: self.wrong.append(f"{r.status} {r.url}") if r.status >= 400 else None)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Chromium."""
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine")
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as play:
        started = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture
def page(browser: Any, served: str, address: str) -> Iterator[Any]:
    """A page of a window of its own, watched, that came by the printed address."""
    context = browser.new_context(viewport={"width": 1400, "height": 900}, accept_downloads=True)
    opened = context.new_page()
    opened.set_default_timeout(60_000)
    watch = Watch(opened, address)
    opened.goto(served)
    yield opened
    context.close()
    assert watch.wrong == []
