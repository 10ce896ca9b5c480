"""Who may ask what: this computer's own address, our own pages for writes, nothing written by reading."""

from __future__ import annotations

import re

import pytest
from starlette.routing import Route
from starlette.testclient import TestClient

from trimshot.reports.web.app import create_app
from trimshot.reports.web.protection import loopback_hosts
from trimshot.store.programme import Programme

from .conftest import ACCESS, DRAG, KEY, OURS, PORT

WRITES = (
    ("POST", "/drop"),
    ("PUT", "/drop/x/file"),
    ("DELETE", "/drop/x"),
    ("POST", f"/sortie/{DRAG}/marks"),
    ("POST", "/ask/saved"),
)


@pytest.mark.parametrize(
    "host", ["evil.example", f"evil.example:{PORT}", "127.0.0.1:1", "127.0.0.1", "", f"127.0.0.1.evil.example:{PORT}"]
)
def test_a_foreign_host_name_is_refused(client: TestClient, host: str) -> None:
    answer = client.get("/", headers={"Host": host})
    assert answer.status_code == 403
    assert DRAG not in answer.text


@pytest.mark.parametrize("host", [f"localhost:{PORT}", f"[::1]:{PORT}", f"127.0.0.1:{PORT}"])
def test_this_computers_own_names_are_answered(client: TestClient, host: str) -> None:
    assert client.get("/", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(("method", "address"), WRITES)
@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": f"https://127.0.0.1:{PORT}"},
        {"Origin": f"http://localhost:{PORT}"},  # another origin than the host it is sent to
        {"Origin": OURS, "Sec-Fetch-Site": "cross-site"},
        {"Origin": OURS, "Sec-Fetch-Site": "same-site"},
        {},
    ],
)  # fmt: skip
def test_a_write_from_elsewhere_is_refused(
    programme: Programme, method: str, address: str, headers: dict[str, str]
) -> None:
    with TestClient(create_app(programme, loopback_hosts(PORT), ACCESS), base_url=OURS, headers=KEY) as stranger:
        assert stranger.request(method, address, headers=headers).status_code == 403


def test_no_address_writes_when_it_is_read(client: TestClient, programme: Programme) -> None:
    """Every route that takes POST, PUT or DELETE and nothing else refuses GET."""
    app = create_app(programme, loopback_hosts(PORT), ACCESS)
    reads = {route.path for route in app.routes if isinstance(route, Route) and "GET" in (route.methods or ())}
    for route in app.routes:
        if isinstance(route, Route) and route.path not in reads:
            address = re.sub(r"\{[a-z]+(:[a-z]+)?\}", "1", route.path)
            assert client.get(address).status_code == 405, route.path
    before = {
        path: path.stat().st_mtime_ns
        for path in programme.folder.rglob("*")
        if path.is_file() and path.suffix != ".lock"
    }
    for address in (
        "/",
        f"/sortie/{DRAG}",
        f"/sortie/{DRAG}/points/1",
        "/ask?condition=gear='down'",
        "/questions",
        "/limits",
        "/ledger",
    ):
        assert client.get(address).status_code == 200
    after = {
        path: path.stat().st_mtime_ns
        for path in programme.folder.rglob("*")
        if path.is_file() and path.suffix != ".lock"
    }
    assert after == before


@pytest.mark.parametrize("address", ["/", f"/sortie/{DRAG}", "/ask", "/nowhere", "/assets/web.css"])
def test_every_answer_carries_the_policy(client: TestClient, address: str) -> None:
    policy = client.get(address).headers["content-security-policy"]
    rules = dict(part.strip().split(" ", 1) for part in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["script-src"] == rules["style-src"] == "'self'"
    assert "unsafe" not in policy
    assert client.get(address).headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize(
    "address", ["/assets/../app.py", "/assets/%2e%2e/cli.py", "/sortie/..%2f..%2fsettings.toml", "/sortie/%2e%2e"]
)
def test_no_address_leads_out(client: TestClient, address: str) -> None:
    answer = client.get(address)
    assert answer.status_code in (400, 404)
    assert "import" not in answer.text.split("<main", 1)[-1].split("</main", 1)[0]


def test_a_form_that_is_too_long_is_refused(client: TestClient) -> None:
    answer = client.post(f"/sortie/{DRAG}/marks", content=b"reason=" + b"x" * 100_000)
    assert answer.status_code == 400
    assert "too long" in answer.text


def test_a_fault_of_the_program_is_told_and_the_server_goes_on(
    programme: Programme, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise RuntimeError("<b>out of order</b>")

    monkeypatch.setattr("trimshot.reports.web.home_routes.home_context", fail)
    app = create_app(programme, loopback_hosts(PORT), ACCESS)
    with TestClient(app, base_url=OURS, headers=KEY, raise_server_exceptions=False) as client:
        answer = client.get("/")
        assert answer.status_code == 500
        assert "a fault of the program" in answer.text
        assert "<b>out" not in answer.text
        assert "script-src 'self'" in answer.headers["content-security-policy"]
        assert client.get("/ledger").status_code == 200
