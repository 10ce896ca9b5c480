"""`trimshot mark` and `trimshot serve` on the command line."""

from __future__ import annotations

import datetime as dt
import json
import shutil
import socket
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from trimshot.reports.cli import trimshot
from trimshot.store.programme import Programme

DRAG = "S250506-01-drag_survey"
SAID = ("--reason", "thermal", "--by", "A. Pilot")


@pytest.fixture
def programme(demo_programme: Programme, tmp_path: Path) -> Programme:
    """The demo programme, copied."""
    folder = tmp_path / "p"
    shutil.copytree(demo_programme.folder, folder)
    return Programme(folder)


def run(programme: Programme, *arguments: str) -> Result:
    return CliRunner().invoke(trimshot, ["--programme", str(programme.folder), *arguments])


def test_a_mark_is_kept_and_listed(programme: Programme) -> None:
    done = run(programme, "mark", DRAG, "2", "reject", *SAID)
    assert done.exit_code == 0, done.output
    assert "thermal" in done.output
    listed = json.loads(run(programme, "mark", DRAG, "--format", "json").output)
    assert [(one["action"], one["reason"], one["by"]) for one in listed] == [("reject", "thermal", "A. Pilot")]
    assert "1 mark" in run(programme, "mark").output
    assert not programme.judged_points(DRAG, refused=True).set_index("number").loc[2, "accepted"]
    assert "as found: 1 judgement of people is kept beside it" in run(programme, "points", DRAG).output
    withdrawn = run(programme, "mark", DRAG, programme.marks(DRAG)[0].id, "withdraw", *SAID)
    assert withdrawn.exit_code == 0, withdrawn.output
    assert "as found" not in run(programme, "points", DRAG).output


def test_a_new_stretch_is_added_by_time_of_day(programme: Programme) -> None:
    done = run(programme, "mark", DRAG, "new", "add", "--start", "13:50:00", "--stop", "13:50:40", *SAID)
    assert done.exit_code == 0, done.output
    (mark,) = programme.marks(DRAG)
    assert mark.start_utc.isoformat() == "2025-05-06T13:50:00+00:00"
    assert (mark.stop_utc - mark.start_utc).total_seconds() == 40


def test_a_point_is_moved_by_full_times(programme: Programme) -> None:
    start = programme.points(DRAG).set_index("number").loc[1, "start_utc"]
    stop = start + dt.timedelta(seconds=15)
    moment = (start.isoformat(), stop.isoformat())
    done = run(programme, "mark", DRAG, "1", "move", "--start", moment[0], "--stop", moment[1], *SAID)
    assert done.exit_code == 0, done.output
    (mark,) = programme.marks(DRAG)
    assert (mark.new_start_utc, mark.new_stop_utc) == (start, stop)


@pytest.mark.parametrize(
    "arguments",
    [
        (DRAG, "2", "reject"),  # no reason, no name
        (DRAG, "2", "reject", "--reason", "x"),
        (DRAG, "two", "reject", *SAID),
        (DRAG, "2", "approve", *SAID),
        (DRAG, "9999", "reject", *SAID),
        ("nobody", "1", "reject", *SAID),
        (DRAG, "new", "add", "--start", "13:50:00", *SAID),
        (DRAG, "new", "add", "--start", "later", "--stop", "13:50:00", *SAID),
        (DRAG, "new", "add", "--start", "2025-05-06T13:50:00", "--stop", "13:51:00", *SAID),
    ],
)
def test_what_is_no_judgement_is_refused(programme: Programme, arguments: tuple[str, ...]) -> None:
    done = run(programme, "mark", *arguments)
    assert done.exit_code == 2
    assert programme.marks() == []


def test_a_port_that_is_taken_is_told(programme: Programme) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        done = run(programme, "serve", "--no-browser", "--port", str(other.getsockname()[1]))
    assert done.exit_code == 2
    assert "port" in done.output


def test_one_mark_is_taken_back_by_its_identity(programme: Programme) -> None:
    assert run(programme, "mark", DRAG, "2", "reject", *SAID).exit_code == 0
    made = programme.marks(DRAG)[-1]
    assert made.id in run(programme, "mark", DRAG).output
    done = run(programme, "mark", DRAG, made.id, "withdraw", *SAID)
    assert done.exit_code == 0, done.output
    assert programme.marks(DRAG)[-1].of == made.id
    assert programme.judged_points(DRAG, refused=True)["judgement"].isna().all()
    assert run(programme, "mark", DRAG, made.id, "withdraw", *SAID).exit_code == 2


def test_marks_of_a_sortie_there_is_not_are_no_empty_list(programme: Programme) -> None:
    done = run(programme, "mark", DRAG[:-1])
    assert done.exit_code == 2
    assert f"did you mean {DRAG}" in done.output
