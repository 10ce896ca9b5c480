"""A programme in an object store, against a server on this machine: read and written as one in a folder is."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import shutil
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pyarrow.fs as pafs
import pytest

from tests.answers import hash_answers
from tests.small_sorties import write_sortie
from trimshot.shared.errors import LockedError, NoProgrammeError, StoreError
from trimshot.store import lease, remote
from trimshot.store.bucket import Bucket, bucket_of, is_remote
from trimshot.store.check import check_programme
from trimshot.store.lease import LEASE, hold_lease
from trimshot.store.places import SORTIES
from trimshot.store.programme import Programme, create_programme, open_programme
from trimshot.store.saved import SavedCondition, save_condition
from trimshot.store.signing import Keys, _signed_headers
from trimshot.store.waiting import tell_waits

moto_server = pytest.importorskip("moto.server")


@pytest.fixture(scope="module")
def endpoint() -> Iterator[str]:
    server = moto_server.ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    yield f"http://{host}:{port}"
    server.stop()


@pytest.fixture
def address(endpoint: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """An empty bucket, and a cache of its own."""
    for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
        monkeypatch.setenv(name, "testing")
    monkeypatch.delenv("AWS_SESSION_TOKEN", raising=False)
    monkeypatch.setenv("TRIMSHOT_CACHE", str(tmp_path / "here"))
    name = f"b{abs(hash(tmp_path)):x}"
    files = pafs.S3FileSystem(
        endpoint_override=endpoint.partition("://")[2], scheme="http", region="us-east-1", allow_bucket_creation=True
    )
    files.create_dir(name)
    return f"s3://{name}/flights/programme?endpoint_override={endpoint}&region=us-east-1"


@pytest.fixture
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Inside, this is another computer: it has nothing in its cache."""
    with monkeypatch.context() as patch:
        patch.setenv("TRIMSHOT_CACHE", str(tmp_path / "elsewhere"))
        yield


def logs_of(folder: Path, *days: int) -> Path:
    for day in days:
        write_sortie(folder / f"S{day}", day, rows=90)
    return folder


def on_another_computer(address: str, folder: Path) -> Programme:
    """Opened with an empty cache in that folder."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TRIMSHOT_CACHE", str(folder))
        return open_programme(address)


def test_addresses() -> None:
    assert is_remote("s3://b/p") and is_remote(Path("s3://b/p")) and not is_remote("p") and not is_remote(None)
    one = bucket_of(Path("s3://b/some/p?endpoint_override=http://127.0.0.1:9&single_writer=yes"))
    assert (one.root, one.endpoint, one.single_writer) == ("b/some/p", "http://127.0.0.1:9", True)
    for wrong in ("s3://b", "s3://b/p?colour=red", "s3:///p"):
        with pytest.raises(StoreError, match="not the address"):
            bucket_of(wrong)


def test_the_same_answers_as_in_a_folder(address: str, tmp_path: Path) -> None:
    logs = logs_of(tmp_path / "logs", 1, 2, 3)
    plain = create_programme(tmp_path / "plain")
    plain.add([logs])
    with pytest.raises(NoProgrammeError):
        open_programme(address)
    programme = create_programme(address)
    with pytest.raises(StoreError, match="already a programme"):
        create_programme(address)
    assert programme.add([logs]).count("added") == 3
    assert programme.add([logs]).count("unchanged") == 3
    expected = hash_answers(plain)
    assert hash_answers(programme) == expected
    other = on_another_computer(address, tmp_path / "other")
    assert not list((other.folder / SORTIES).iterdir()), "nothing is fetched before it is asked for"
    assert hash_answers(other) == expected
    assert not list((other.folder / SORTIES / "S1").glob("source/*")), "nor is what no answer needs"
    assert other.redetect(["S1"]).count("replaced") == 1
    assert other.rebuild().count("replaced") == 3
    third = on_another_computer(address, tmp_path / "third")
    assert hash_answers(third) == expected
    assert third.source_rows_around("S1", "log.csv", 10.0), "a source file is fetched for its rows"


def test_readers_see_what_another_computer_wrote_when_they_open_again(address: str, tmp_path: Path) -> None:
    programme = create_programme(address)
    programme.add([logs_of(tmp_path / "one", 1, 2)])
    other = on_another_computer(address, tmp_path / "other")
    before = hash_answers(other)
    programme.remove("S1")
    programme.readd([write_sortie(tmp_path / "two" / "S2", 12, rows=90)])
    assert hash_answers(other) == before, "an open copy stays as it was"
    other = on_another_computer(address, tmp_path / "other")
    assert list(other.sorties()["sortie"]) == ["S2"]
    assert hash_answers(other) == hash_answers(open_programme(address)) != before
    fetched = check_programme(programme.folder)
    assert not fetched.faults


def test_a_first_question_fetches_the_frames_it_needs(address: str, tmp_path: Path) -> None:
    programme = create_programme(address)
    programme.add([logs_of(tmp_path / "one", 1, 2)])
    expected = programme.find("pressure_altitude > 0", channels=["indicated_airspeed"])
    assert len(expected.frame) > 0
    other = on_another_computer(address, tmp_path / "other")
    found = other.find("pressure_altitude > 0", channels=["indicated_airspeed"])
    pd.testing.assert_frame_equal(found.frame, expected.frame)
    third = on_another_computer(address, tmp_path / "third")
    assert len(third.find("sortie = 'S1'", channels=["indicated_airspeed"]).frame) == 1
    assert [path.name for path in (third.folder / SORTIES).iterdir()] == ["S1"], "and no others"


def test_a_check_fetches_what_is_not_here_and_tells_what_the_store_has_lost(address: str, tmp_path: Path) -> None:
    programme = create_programme(address)
    programme.add([logs_of(tmp_path / "one", 1, 2)])
    whole = check_programme(programme.folder)
    other = on_another_computer(address, tmp_path / "other")
    assert not list((other.folder / SORTIES).iterdir())
    found = check_programme(other.folder)
    assert (found.faults, found.files, found.bytes) == ((), whole.files, whole.bytes)
    part = on_another_computer(address, tmp_path / "part")
    part.samples("S1", ["indicated_airspeed"])  # of one sortie one file is here, of the other nothing
    assert check_programme(part.folder).faults == ()
    lost = next(key for key in bucket_of(address).keys("sorties/S2") if key.endswith("frame.parquet"))
    bucket_of(address).delete(lost)
    third = on_another_computer(address, tmp_path / "third")
    assert [(one.sortie, one.place) for one in check_programme(third.folder).faults] == [("S2", "frame.parquet")]


def test_old_states_go_and_what_the_newest_has_stays(address: str, tmp_path: Path) -> None:
    programme = create_programme(address)
    for day in range(1, remote.KEPT_HEADS + 3):
        programme.readd([write_sortie(tmp_path / str(day) / "S1", day, rows=90)])
    bucket = bucket_of(address)
    assert len(bucket.keys("heads")) == remote.KEPT_HEADS
    assert len(bucket.keys("catalogs")) <= remote.KEPT_HEADS
    additions = {key.split("/")[2] for key in bucket.keys("sorties")}
    heads = [json.loads(bucket.read(key) or b"") for key in bucket.keys("heads")]
    assert additions == {head["sorties"]["S1"] for head in heads}
    assert hash_answers(on_another_computer(address, tmp_path / "other")) == hash_answers(programme)


def test_a_writer_that_was_overtaken_changes_nothing(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As when its lease ran out while its computer slept."""
    programme = create_programme(address)
    other = on_another_computer(address, tmp_path / "other")
    real = remote._send

    def overtaken(folder: Path, bucket: Bucket, head: remote.Head | None) -> None:
        monkeypatch.setattr(remote, "_send", real)
        bucket.delete(LEASE)
        assert other.add([logs_of(tmp_path / "two", 2)]).count("added") == 1
        real(folder, bucket, head)

    monkeypatch.setattr(remote, "_send", overtaken)
    logs = logs_of(tmp_path / "one", 1)
    with pytest.raises(StoreError, match="another writer was faster"):
        programme.add([logs])
    assert list(open_programme(address).sorties()["sortie"]) == ["S2"]
    assert programme.add([logs]).count("added") == 1
    assert list(on_another_computer(address, tmp_path / "other").sorties()["sortie"]) == ["S1", "S2"]


def test_a_connection_lost_while_sending_loses_nothing(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    programme = create_programme(address)
    logs = logs_of(tmp_path / "one", 1)
    with monkeypatch.context() as patch:

        def lost(*_: object) -> None:
            raise StoreError("the object store cannot be used")

        patch.setattr(Bucket, "upload", lost)
        with pytest.raises(StoreError, match="cannot be used"):
            programme.add([logs])
    assert not len(on_another_computer(address, tmp_path / "other").sorties())
    assert programme.add([logs]).count("unchanged") == 1, "what was read is kept here, and sent now"
    assert list(on_another_computer(address, tmp_path / "other").sorties()["sortie"]) == ["S1"]


def test_two_writers_at_once(address: str, tmp_path: Path) -> None:
    create_programme(address)
    handles = [on_another_computer(address, tmp_path / name) for name in ("one", "two")]
    threads = [
        threading.Thread(target=handle.add, args=([logs_of(tmp_path / f"logs{day}", day)],))
        for day, handle in enumerate(handles, 1)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert list(open_programme(address).sorties()["sortie"]) == ["S1", "S2"]


def test_saved_conditions_and_marks_travel(address: str, tmp_path: Path) -> None:
    programme = create_programme(address)
    programme.add([logs_of(tmp_path / "one", 1)])
    save_condition(programme.folder, "fast", SavedCondition(condition="indicated_airspeed > kt(90)"))
    start = programme.sorties()["start_utc"][0].to_pydatetime()
    stretch = start + dt.timedelta(seconds=20), start + dt.timedelta(seconds=40)
    with remote.writing(programme.folder):  # blocks in one another are one
        programme.judge("S1", "add", stretch=stretch, words=("steady by eye", "the pilot"))
    other = on_another_computer(address, tmp_path / "other")
    assert list(other.saved()) == ["fast"]
    assert [mark.action for mark in other.marks()] == ["add"]


def test_the_signature_is_the_published_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """Against another implementation of the same published procedure."""
    auth = pytest.importorskip("botocore.auth")
    credentials = pytest.importorskip("botocore.credentials").Credentials("identity", "secret", "token")
    now = dt.datetime(2031, 3, 4, 5, 6, 7, tzinfo=dt.UTC)
    monkeypatch.setattr(auth, "get_current_datetime", lambda **_: now.replace(tzinfo=None))
    body, path = b"content", "/bucket/some prefix/lease.json"
    mine = _signed_headers(
        "http://127.0.0.1:5000", "eu-x", path, body, keys=Keys("identity", "secret", "token"), now=now
    )
    request = pytest.importorskip("botocore.awsrequest").AWSRequest(
        "PUT", "http://127.0.0.1:5000/bucket/some%20prefix/lease.json", {"If-None-Match": "*"}, body
    )
    request.context["client_config"] = None
    request.headers["X-Amz-Content-SHA256"] = hashlib.sha256(body).hexdigest()
    signer = auth.S3SigV4Auth(credentials, "s3", "eu-x")
    monkeypatch.setattr(signer, "_should_sha256_sign_payload", lambda _: True)
    signer.add_auth(request)
    assert mine["Authorization"] == request.headers["Authorization"]


def test_the_lease(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    bucket = bucket_of(address)
    monkeypatch.setattr(lease, "_PAUSE_S", 0.05)
    monkeypatch.setattr(lease, "WAIT_S", 0.3)
    told: list[str] = []
    refused = pytest.raises(LockedError, match="keeps writing")
    with hold_lease(bucket), tell_waits(told.append), refused, hold_lease(bucket):
        pass
    assert len(told) == 1 and told[0].startswith("waiting: process ")
    assert bucket.read(LEASE) is None
    bucket.write(LEASE, json.dumps({"holder": "x", "who": "a dead one", "until": time.time() - 1}).encode())
    with hold_lease(bucket):
        pass
    monkeypatch.setattr(lease, "LEASE_S", 0.4)
    with hold_lease(bucket):
        first = json.loads(bucket.read(LEASE) or b"")
        time.sleep(0.6)
        second = json.loads(bucket.read(LEASE) or b"")
        assert second["holder"] == first["holder"] and second["until"] > first["until"] + 0.05


def test_creation_happens_once(address: str) -> None:
    bucket = bucket_of(address)
    won: list[int] = []

    def attempt(number: int) -> None:
        if bucket.create("heads/one", str(number).encode()):
            won.append(number)

    threads = [threading.Thread(target=attempt, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(won) == 1 and bucket.read("heads/one") == str(won[0]).encode()


def test_without_keys_nothing_is_written_unless_one_writer_is_promised(
    address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    bucket = bucket_of(address)
    alone = bucket_of(f"{address}&single_writer=yes")
    with monkeypatch.context() as patch:
        patch.delenv("AWS_SECRET_ACCESS_KEY")
        with pytest.raises(StoreError, match="keys are needed"):
            bucket.create("x", b"")
    assert alone.create("x", b"1") and not alone.create("x", b"2") and alone.read("x") == b"1"


def test_a_store_that_does_not_answer_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TRIMSHOT_CACHE", str(tmp_path))
    for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
        monkeypatch.setenv(name, "testing")
    bucket = bucket_of("s3://b/p?endpoint_override=http://127.0.0.1:9")
    with pytest.raises(StoreError, match="does not answer"):
        bucket.create("x", b"")
    shutil.rmtree(tmp_path)
