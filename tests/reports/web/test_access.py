"""The key: without it nothing is told, with it a browser gets a cookie; another user's guess or a used key gets nowhere."""

from __future__ import annotations

from collections.abc import Iterator
from http.cookies import SimpleCookie
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from starlette.testclient import TestClient

from trimshot.reports.cli import trimshot
from trimshot.reports.web.access import Access, without_key
from trimshot.reports.web.app import create_app
from trimshot.reports.web.protection import loopback_hosts
from trimshot.store.programme import Programme

from .conftest import DRAG, OURS, PORT


@pytest.fixture
def access() -> Access:
    """The keys of a server that has just begun."""
    return Access(PORT)


@pytest.fixture
def stranger(programme: Programme, access: Access) -> Iterator[TestClient]:
    """Someone on this computer who knows the port and nothing else."""
    app = create_app(programme, loopback_hosts(PORT), access)
    with TestClient(app, base_url=OURS, headers={"Origin": OURS}, follow_redirects=False) as one:
        yield one


@pytest.mark.parametrize(
    "address", ["/", f"/sortie/{DRAG}", "/ledger", "/assets/web.css", "/nowhere", "/?key=", "/?key=guess"]
)
def test_without_the_key_nothing_is_told(stranger: TestClient, address: str) -> None:
    answer = stranger.get(address)
    assert answer.status_code == 403
    assert DRAG not in answer.text
    assert "trimshot serve" in answer.text  # what to do
    assert "set-cookie" not in answer.headers
    assert "script-src 'self'" in answer.headers["content-security-policy"]


def test_a_pages_script_is_told_as_it_reads_errors(stranger: TestClient) -> None:
    told = stranger.get("/jobs/x?format=json")
    assert told.status_code == 403
    assert "key" in told.json()["what"]


@pytest.mark.parametrize(
    "headers", [{"Authorization": "Bearer guess"}, {"Cookie": f"trimshot-{PORT}=guess"}, {"Cookie": "=;;\x7f"}]
)
def test_a_guess_is_turned_away(stranger: TestClient, headers: dict[str, str]) -> None:
    assert stranger.get("/", headers=headers).status_code == 403
    assert stranger.post("/ask/saved", headers=headers).status_code == 403


def test_the_printed_address_hands_over_a_cookie_no_script_and_no_other_site_has(
    stranger: TestClient, access: Access
) -> None:
    answer = stranger.get(f"/points?kind=glide&key={access.key}")
    assert answer.status_code == 303
    assert answer.headers["location"] == "/points?kind=glide"  # the key does not stay in the address
    crumb = SimpleCookie(answer.headers["set-cookie"])[f"trimshot-{PORT}"]
    assert crumb["httponly"] is True
    assert crumb["samesite"] == "Strict"
    assert stranger.get("/points?kind=glide").status_code == 200  # the client keeps the cookie, as a browser does
    assert stranger.get(f"/?key={access.key}").status_code == 303  # the printed address is good more than once


def test_a_program_sends_the_key_as_a_header(stranger: TestClient, access: Access) -> None:
    answer = stranger.get("/?format=json", headers={"Authorization": f"Bearer {access.key}"})
    assert answer.status_code == 200
    assert DRAG in answer.text


def test_the_key_of_the_opened_browser_is_good_once(stranger: TestClient, access: Access) -> None:
    single = access.make_single()
    assert single != access.key
    assert stranger.head(f"/?key={single}").status_code == 403  # does not use it up
    assert stranger.get(f"/?key={single}").status_code == 303
    stranger.cookies.clear()
    assert stranger.get(f"/?key={single}").status_code == 403
    assert stranger.get("/", headers={"Authorization": f"Bearer {access.make_single()}"}).status_code == 403


def test_the_key_does_not_open_another_servers_pages(access: Access) -> None:
    assert not Access(PORT).takes(f"key={access.key}")


@pytest.mark.parametrize(
    ("path", "query", "expected"),
    [
        ("/", "key=x", "/"),
        ("//elsewhere.example", "key=x", "/elsewhere.example"),
        ("/\\elsewhere.example", "key=x", "/elsewhere.example"),
        ("/sortie/a%3Fb", "from=1&key=x&to=2", "/sortie/a%3Fb?from=1&to=2"),
    ],
)
def test_the_way_on_stays_on_this_server(path: str, query: str, expected: str) -> None:
    assert without_key(path, query) == expected


def test_the_browser_is_not_given_the_printed_key(
    programme: Programme, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The list of processes shows every user what a browser was started with."""
    opened: list[str] = []
    monkeypatch.setattr(click, "launch", opened.append)
    monkeypatch.setattr("uvicorn.Server.run", lambda *_, **__: None)
    printed = CliRunner().invoke(trimshot, ["--programme", str(programme.folder), "serve"])
    assert printed.exit_code == 0, printed.output
    address, _, key = opened[0].partition("?key=")
    assert printed.output.startswith(f"{address}?key=")
    assert len(key) >= 32
    assert key not in printed.output
