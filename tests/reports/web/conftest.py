"""A server's application on a programme of its own, as a browser on this computer meets it."""

from __future__ import annotations

import shutil
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest

with warnings.catch_warnings():  # the client asks for another library of the same kind; ours does all it needs
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

from trimshot.reports.web.app import create_app
from trimshot.reports.web.protection import loopback_hosts
from trimshot.store.programme import Programme

PORT = 8123
OURS = f"http://127.0.0.1:{PORT}"
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
    app = create_app(programme, loopback_hosts(PORT))
    with TestClient(app, base_url=OURS, headers={"Origin": OURS}) as one:
        yield one


@pytest.fixture
def empty_programme(tmp_path: Path) -> Programme:
    """A programme without sorties."""
    from trimshot.store.programme import create_programme

    return create_programme(tmp_path / "empty")
