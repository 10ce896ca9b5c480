"""Dropping files: names made harmless, progress, nothing left of a cancelled drop, hostile content as plain text."""

from __future__ import annotations

import contextlib
import html
import io
import subprocess
import sys
import time
import zipfile
from pathlib import Path
from typing import Any

import anyio
import pytest
from starlette.requests import ClientDisconnect
from starlette.testclient import TestClient

from trimshot.reports.web.app import create_app
from trimshot.reports.web.jobs import Jobs
from trimshot.reports.web.protection import loopback_hosts
from trimshot.reports.web.uploads import LONGEST_PART, Uploads, clean_name
from trimshot.shared.errors import InputError
from trimshot.store.programme import Programme

from .conftest import ACCESS, KEY, OURS, PORT

ROOT = Path(__file__).parents[3]
PATTERNS = ROOT / "reports" / "demo_data" / "S250507-02-patterns.zip"
MARKUP = "<img src=x onerror=alert(1)>"


def log_lines(header: str = "time_utc,ias_kt,pressure_alt_ft", day: int = 14) -> str:
    """Three minutes of a log at 1 Hz, standing still."""
    rows = [f"2031-03-{day}T09:{m:02d}:{s:02d}Z,0.0,1200" for m in range(3) for s in range(60)]
    return "\n".join([header, *rows]) + "\n"


@pytest.fixture
def page(empty_programme: Programme) -> Any:
    """A page of a server on an empty programme."""
    with TestClient(
        create_app(empty_programme, loopback_hosts(PORT), ACCESS), base_url=OURS, headers={"Origin": OURS, **KEY}
    ) as one:
        yield one


def finish(page: TestClient, job: dict[str, Any]) -> dict[str, Any]:
    """The job once it is over."""
    end = time.monotonic() + 60
    while job["state"] in ("waiting", "working"):
        assert time.monotonic() < end
        time.sleep(0.05)
        job = page.get(f"/jobs/{job['id']}").json()
    return job


def drop(page: TestClient, files: dict[str, bytes], name: str = "") -> dict[str, Any]:
    """Send the files as a page does and wait for what became of them."""
    identity = page.post("/drop").json()["id"]
    for file, content in files.items():
        sent = page.put(f"/drop/{identity}/file", params={"name": file}, content=content)
        assert sent.status_code == 201, sent.text
    job = page.post(f"/drop/{identity}/add", data={"name": name}).json()
    return finish(page, job)


def test_a_dropped_zip_is_added_and_leads_to_its_sortie(page: TestClient, empty_programme: Programme) -> None:
    job = drop(page, {PATTERNS.name: PATTERNS.read_bytes()})
    assert job["state"] == "done", job
    (sortie,) = job["result"]["sorties"]
    assert sortie["status"] == "added"
    assert sortie["address"] == "/sortie/S250507-02-patterns"
    assert {one["file"] for one in sortie["files"]} == set(empty_programme.ledger("S250507-02-patterns")["file"])
    assert page.get(sortie["address"]).status_code == 200
    again = drop(page, {PATTERNS.name: PATTERNS.read_bytes()})["result"]["sorties"][0]
    assert (again["status"], again["address"]) == ("unchanged", "/sortie/S250507-02-patterns")


def test_a_dropped_folder_keeps_its_tree(page: TestClient, empty_programme: Programme) -> None:
    with zipfile.ZipFile(PATTERNS) as archive:
        contents = {Path(one).name: archive.read(one) for one in archive.namelist() if not one.endswith("/")}
    first, *others = sorted(contents)
    job = drop(
        page, {f"2025-05-07/{first}": contents[first], **{f"2025-05-07/deep/{one}": contents[one] for one in others}}
    )
    assert [one["sortie"] for one in job["result"]["sorties"]] == ["2025-05-07"]
    assert set(empty_programme.ledger("2025-05-07")["file"]) == {first, *(f"deep/{one}" for one in others)}


def test_loose_files_become_one_sortie_of_the_name_given(page: TestClient, empty_programme: Programme) -> None:
    job = drop(page, {"a.csv": log_lines().encode(), "b.csv": log_lines(day=15).encode()}, name="My flight/2")
    assert [one["sortie"] for one in job["result"]["sorties"]] == ["My-flight-2"]
    assert set(empty_programme.ledger("My-flight-2")["file"]) == {"a.csv", "b.csv"}


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ("../../etc/passwd", "etc/passwd"),
        ("/etc/passwd", "etc/passwd"),
        ("..\\..\\windows\\x.csv", "windows/x.csv"),
        ("C:\\logs\\x.csv", "C-/logs/x.csv"),
        ("a/./b//c.csv", "a/b/c.csv"),
        ("a\x00b\nc.csv", "abc.csv"),
        ("evil\u202evsc.exe", "evilvsc.exe"),  # right-to-left override: looks like another ending
        (f"{MARKUP}.csv", "-img src=x onerror=alert(1)-.csv"),
        ("=cmd|'/c calc'!A1.csv", "=cmd-'/c calc'!A1.csv"),
        (".hidden/.x.csv", "hidden/x.csv"),
        ("...", None),
        ("", None),
        ("\u202e", None),
        ("/".join("abcdefghijklmn"), None),
    ],
)
def test_names_are_made_harmless(given: str, expected: str | None) -> None:
    if expected is None:
        with pytest.raises(InputError):
            clean_name(given)
    else:
        assert clean_name(given) == expected


def test_a_long_name_keeps_its_ending() -> None:
    cleaned = clean_name("x" * 500 + ".csv")
    assert len(cleaned) <= LONGEST_PART
    assert cleaned.endswith(".csv")


def test_no_name_reaches_outside_the_drops_own_folder(page: TestClient, tmp_path: Path) -> None:
    identity = page.post("/drop").json()["id"]
    uploads: Uploads = page.app.state.uploads  # type: ignore[attr-defined]
    folder = uploads.find(identity).folder
    for name in ("../out.csv", "..%2fout.csv", "a/../../out.csv", str(tmp_path / "out.csv"), "..\\out.csv"):
        assert page.put(f"/drop/{identity}/file", params={"name": name}, content=b"x").status_code in (201, 400)
    written = [path for path in folder.rglob("*") if path.is_file()]
    assert written
    assert not list(folder.parent.glob("out.csv"))
    assert not list(tmp_path.glob("out.csv"))


def test_a_cancelled_drop_leaves_nothing(page: TestClient, empty_programme: Programme) -> None:
    identity = page.post("/drop").json()["id"]
    page.put(f"/drop/{identity}/file", params={"name": "f/a.csv"}, content=log_lines().encode())
    folder = page.app.state.uploads.find(identity).folder  # type: ignore[attr-defined]
    assert folder.is_dir()
    assert page.delete(f"/drop/{identity}").status_code == 200
    assert not folder.exists()
    assert page.post(f"/drop/{identity}/add").status_code == 400
    assert not len(empty_programme.sorties())


def test_what_was_added_leaves_no_copy_behind(page: TestClient) -> None:
    identity = page.post("/drop").json()["id"]
    page.put(f"/drop/{identity}/file", params={"name": "f/a.csv"}, content=log_lines().encode())
    folder = page.app.state.uploads.find(identity).folder  # type: ignore[attr-defined]
    finish(page, page.post(f"/drop/{identity}/add").json())
    assert not folder.exists()


def test_the_end_of_the_server_clears_what_is_under_way(empty_programme: Programme) -> None:
    with TestClient(
        create_app(empty_programme, loopback_hosts(PORT), ACCESS), base_url=OURS, headers={"Origin": OURS, **KEY}
    ) as page:
        identity = page.post("/drop").json()["id"]
        page.put(f"/drop/{identity}/file", params={"name": "a.csv"}, content=b"x")
        folder = page.app.state.uploads.find(identity).folder  # type: ignore[attr-defined]
    assert not folder.exists()


def test_a_drop_has_limits(page: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("trimshot.reports.web.uploads.MOST_FILES", 2)
    monkeypatch.setattr("trimshot.reports.web.drop_routes.MOST_BYTES", 100)
    identity = page.post("/drop").json()["id"]
    assert page.put(f"/drop/{identity}/file", params={"name": "a"}, content=b"x" * 90).status_code == 201
    assert page.put(f"/drop/{identity}/file", params={"name": "A"}, content=b"x").status_code == 400  # one name twice
    assert page.put(f"/drop/{identity}/file", params={"name": "b"}, content=b"x" * 20).status_code == 400
    folder = page.app.state.uploads.find(identity).folder  # type: ignore[attr-defined]
    assert [path.name for path in folder.rglob("*")] == ["a"]
    assert page.put(f"/drop/{identity}/file", params={"name": "c"}, content=b"x").status_code == 201
    assert page.put(f"/drop/{identity}/file", params={"name": "d"}, content=b"x").status_code == 400


def test_a_file_broken_off_leaves_nothing(empty_programme: Programme) -> None:
    """The browser goes away in the middle of a file: the server is told of a disconnection."""
    app = create_app(empty_programme, loopback_hosts(PORT), ACCESS)
    uploads: Uploads = app.state.uploads
    drop_ = uploads.begin()
    said = iter([{"type": "http.request", "body": b"time_utc,ias", "more_body": True}, {"type": "http.disconnect"}])
    scope: dict[str, Any] = {
        "type": "http", "http_version": "1.1", "method": "PUT", "scheme": "http", "root_path": "", "app": app, "server": ("127.0.0.1", PORT),
        "path": f"/drop/{drop_.id}/file", "raw_path": b"", "query_string": b"name=a.csv", "client": ("127.0.0.1", 5),
        "headers": [(b"host", f"127.0.0.1:{PORT}".encode()), (b"origin", OURS.encode()), (b"authorization", KEY["Authorization"].encode())],
    }  # fmt: skip

    async def receive() -> Any:
        return next(said)

    async def send(message: Any) -> None:
        pass

    with contextlib.suppress(ClientDisconnect):
        anyio.run(app, scope, receive, send)
    assert not list(drop_.folder.rglob("*"))
    assert drop_.files == {}
    uploads.close()
    assert not drop_.folder.exists()


def hostile_zip() -> bytes:
    """A sortie whose every word is markup, a way out or a formula."""
    content = io.BytesIO()
    header = f'time_utc,ias_kt,pressure_alt_ft,"{MARKUP}",=HYPERLINK("x"),</script><script>alert(1)</script>'
    lines = log_lines(header).splitlines()
    rows = [lines[0], *(f"{line},=1+1,{MARKUP},'\"><svg onload=alert(1)>" for line in lines[1:])]
    with zipfile.ZipFile(content, "w") as archive:
        archive.writestr(f"{MARKUP.replace('<', '').replace('>', '')}.csv", "\n".join(rows) + "\n")
        archive.writestr("javascript alert(1) onclick=.csv", log_lines(day=15))
        archive.writestr(
            "card.toml",
            f"purpose = '''{MARKUP}{{{{ 7 * 7 }}}}'''\nsortie = '''</script>'''\naircraft = '''\"><b>x</b>'''\n",
        )
    return content.getvalue()


def test_a_hostile_sortie_is_shown_as_plain_text(page: TestClient, empty_programme: Programme) -> None:
    job = drop(page, {f"{MARKUP}.zip": hostile_zip()})
    (sortie,) = job["result"]["sorties"]
    assert sortie["status"] == "added", sortie["error"]
    name = sortie["sortie"]
    empty_programme.judge(
        name,
        "add",
        stretch=tuple(empty_programme.sorties().iloc[0][["start_utc", "stop_utc"]]),
        words=(f"{MARKUP}</script>", "=cmd|' /c calc'!A1"),
    )
    for tail in ("", "/tables", "/ledger", "/marks", "/points/10001"):
        text = page.get(f"/sortie/{name}{tail}").text
        assert "<img" not in text, tail
        assert "<svg onload" not in text, tail
        assert "alert(1)</script>" not in text, tail
        assert "49" not in text.split("purpose", 1)[-1][:40]
    for address in ("/", "/ledger", "/ask", "/limits", "/questions", f"/ask?condition={html.escape('ias')}"):
        assert "<img" not in page.get(address).text, address
    assert html.escape(MARKUP) in page.get(f"/sortie/{name}/marks").text
    file = next(iter(empty_programme.ledger(name)["file"]))
    assert page.get(f"/sortie/{name}/row", params={"file": file, "row": 3}).status_code == 200
    assert page.get(f"/sortie/{name}/row", params={"file": MARKUP, "row": 3}).text.count("<img") == 0


def test_pages_are_read_while_another_sortie_is_added(page: TestClient) -> None:
    identity = page.post("/drop").json()["id"]
    page.put(f"/drop/{identity}/file", params={"name": PATTERNS.name}, content=PATTERNS.read_bytes())
    job = page.post(f"/drop/{identity}/add").json()
    answered = 0
    while page.get(f"/jobs/{job['id']}").json()["state"] in ("waiting", "working"):
        assert page.get("/").status_code == 200
        answered += 1
    assert answered > 1
    assert page.get(f"/jobs/{job['id']}").json()["state"] == "done"


def test_jobs_are_done_one_after_the_other_and_faults_are_told() -> None:
    order: list[str] = []
    jobs = Jobs()

    def work(name: str) -> Any:
        def run(report: Any) -> dict[str, Any]:
            order.append(f"{name} begins")
            report(name, 0, 1)
            time.sleep(0.05)
            order.append(f"{name} ends")
            if name == "b":
                raise InputError("the file is empty", where="b.csv")
            return {"name": name}

        return run

    made = [jobs.start(name, work(name)) for name in "abc"]
    jobs._worker.submit(lambda: None).result(timeout=10)
    assert order == [f"{name} {word}" for name in "abc" for word in ("begins", "ends")]
    assert [job.state for job in made] == ["done", "failed", "done"]
    assert "b.csv" in made[1].error
    jobs.close()


def test_a_question_is_answered_in_place(page: TestClient, empty_programme: Programme) -> None:
    """A column whose unit nobody named: asked, answered on the page, and the sortie read anew."""
    rows = [f"2031-03-14T09:{m:02d}:{s:02d}Z,{90 + s % 3}.0,{3000 + s}" for m in range(6) for s in range(60)]
    content = "\n".join(["time_utc,ias_kt,oil temp [blorg]", *rows]) + "\n"
    job = drop(page, {"asks/log.csv": content.encode()})
    (sortie,) = job["result"]["sorties"]
    assert sortie["questions"], sortie
    identity = sortie["questions"][0]
    assert f'id="question-{identity}"' in page.get("/questions").text
    wrong = finish(page, page.post(f"/questions/{identity}", data={"value": "nonsense"}).json())
    assert wrong["state"] == "failed"
    asked = next(one for one in page.get("/questions?format=json").json()["open"] if one["id"] == identity)
    value = asked["choices"][0] if asked["choices"] else "degC"
    right = finish(page, page.post(f"/questions/{identity}", data={"value": value}).json())
    assert right["state"] == "done", right
    assert [one["sortie"] for one in right["result"]["changes"]] == ["asks"]
    listed = page.get("/questions?format=json").json()
    assert identity not in {one["id"] for one in listed["open"]}
    assert next(one for one in listed["answered"] if one["id"] == identity)["answer"] == value


def test_pages_are_read_while_another_process_adds(page: TestClient, empty_programme: Programme) -> None:
    """The command line at work on the same programme: every page is answered meanwhile."""
    command = [
        str(Path(sys.executable).with_name("trimshot")),
        "--programme",
        str(empty_programme.folder),
        "add",
        str(PATTERNS.parent),
    ]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as adding:
        answered = 0
        while adding.poll() is None:
            assert page.get("/").status_code == 200
            answered += 1
        assert adding.returncode == 0
    assert answered > 2
    assert len(page.get("/?format=json").json()["sorties"]) == 4


def test_a_name_that_is_taken_is_told_and_can_be_replaced(page: TestClient, empty_programme: Programme) -> None:
    drop(page, {"one/log.csv": log_lines().encode()})
    other = {"one/log.csv": log_lines(day=15).encode()}
    refused = drop(page, other)["result"]["sorties"][0]
    assert refused["status"] == "failed"
    assert "--replace" not in refused["error"]
    assert "“replace” ticked" in refused["error_short"]
    identity = page.post("/drop").json()["id"]
    for file, content in other.items():
        page.put(f"/drop/{identity}/file", params={"name": file}, content=content)
    done = finish(page, page.post(f"/drop/{identity}/add", data={"name": "", "replace": "yes"}).json())
    assert [one["status"] for one in done["result"]["sorties"]] == ["replaced"]
    assert list(empty_programme.sorties()["start_utc"].dt.day) == [15]


def test_a_file_that_is_no_log_is_told_shortly_and_exactly(page: TestClient) -> None:
    one = drop(page, {"letter.doc": b"Dear Sir, the cowling rattles.\n"})["result"]["sorties"][0]
    assert one["status"] == "failed"
    assert len(one["error_short"]) < 200
    assert "as they came" in one["error_short"], "what to do"
    assert "letter.doc" in one["error"]


def test_sorties_of_other_settings_are_found_anew_from_the_page(page: TestClient, empty_programme: Programme) -> None:
    drop(page, {"one/log.csv": log_lines().encode()})
    assert "find-anew" not in page.get("/").text
    settings = empty_programme.folder / "settings.toml"
    settings.write_text(settings.read_text() + '\n[points]\nminimum_duration = "40 s"\n')
    assert page.get("/?format=json").json()["outdated"] == 1
    assert 'id="find-anew"' in page.get("/").text
    done = finish(page, page.post("/rebuild").json())
    assert done["result"] == {"sorties": 1, "failed": []}
    assert page.get("/?format=json").json()["outdated"] == 0


def test_an_aircraft_nobody_named_is_no_number(page: TestClient) -> None:
    drop(page, {"one/log.csv": log_lines().encode()})
    assert page.get("/?format=json").json()["sorties"][0]["aircraft"] == "–"
    assert page.get("/sortie/one?format=json").json()["headline"].startswith("aircraft not named · ")
    again = page.get("/sortie/one?already=1").text
    assert "nothing was added" in again
    assert "nothing was added" not in page.get("/sortie/one").text
