"""Sorties made up for the store's tests: a folder whose file names a seed, and what it is read as.

The store is tested apart from the reading and the detecting: `read_made_up` and `look_made_up`
take their place. The same file content gives the same sortie, in any process.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import importlib.util
import json
import shutil
import sys
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from trimshot.shared.errors import ParseError
from trimshot.shared.findings import (
    ConfigState,
    Detection,
    Event,
    Finding,
    Phase,
    Reason,
    Run,
    Segment,
    StabilisedPoint,
    Statistic,
)
from trimshot.shared.recording import Clock, Column, Recording, Source, TestCard, Track
from trimshot.shared.settings import Settings
from trimshot.store.frame import state_runs

START = dt.datetime(2025, 5, 6, 9, 0, tzinfo=dt.UTC)


def write_folder(folder: Path, seed: int = 1, rows: int = 600, **more: Any) -> Path:
    """A sortie's folder with one file that says what it holds. more: gap, no_engine, fail, angle."""
    folder.mkdir(parents=True, exist_ok=True)
    # the sentence makes the folder one with logs; it is the usual textbook example of an RMC
    sentence = "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n"
    (folder / "log.nmea").write_text(sentence * 3, encoding="ascii", newline="")
    (folder / "facts.json").write_text(json.dumps({"seed": seed, "rows": rows, **more}), encoding="utf-8")
    return folder


@dataclass(frozen=True)
class MadeUp:
    """Stands for a reading whose channels are still to be derived and sensors checked: there are none."""

    recording: Recording
    is_large: bool = False

    def derive(self) -> Recording:
        return self.recording

    def check(self) -> tuple[Finding, ...]:
        return ()

    def finish(self, derived: Recording, checked: tuple[Finding, ...]) -> Recording:
        return derived


def read_made_up(folder: Path, settings: Settings, **_: object) -> MadeUp:
    """Stands for read_unchecked: 10 rows a second, speeds quantised to 0.1 kt, an engine at 1 row a second."""
    del settings
    content = (folder / "facts.json").read_bytes()
    facts = json.loads(content)
    if facts.get("fail") == "parse":
        raise ParseError("the file is not what it says", where="log.nmea line 3")
    if facts.get("fail") == "program":
        raise ValueError("planted")
    random = np.random.default_rng(facts["seed"])
    n = facts["rows"]
    time_s = np.arange(n) / 10.0
    if facts.get("gap"):
        time_s[n // 2 :] += 30.0
    source = Source(
        "log.nmea",
        hashlib.sha256((folder / "log.nmea").read_bytes()).hexdigest(),
        (folder / "log.nmea").stat().st_size,
        "made up",
        1,
        "layout",
        Clock("utc", offset_s=0.25, offset_uncertainty_s=0.05),
        {"rows_in": n, "rows_out": n, "rows_dropped": 0, "rows_repaired": 0, "evidence": {"zone": 'it\'s "said" <b>'}},
    )
    speed = np.round(95 + np.cumsum(random.normal(0, 0.3, n)), 1) * (1852 / 3600)
    climb = np.round(random.normal(-3, 2, n), 2)
    climb[random.random(n) < 0.05] = np.nan
    flap = np.clip(np.round(np.sin(time_s / 9.0) * 2, 1), 0, 1)
    columns = {
        "calibrated_airspeed": Column("calibrated_airspeed", speed, "m/s", "IAS", "kt", 0.1 * 1852 / 3600),
        "vertical_speed": Column("vertical_speed", climb, "m/s", "VS", "m/s", 0.01),
        "pressure_altitude": Column("pressure_altitude", 1500 + np.cumsum(random.normal(0, 1, n)), "m", "ALT", "m"),
        "heading_true": Column("heading_true", random.uniform(0, 0.2, n) - 0.1, "rad", "HDG", "deg"),
        "flap_position": Column("flap_position", flap, "1", "FLAP", "%"),
        "raw_x'y": Column("raw_x'y", random.normal(size=n), None, "x'y"),
        "gear_reported": Column(
            "gear_reported", np.array(["down" if f > 0.5 else None for f in flap], dtype=object), None, "GEAR"
        ),
    }
    index = np.zeros(n, dtype=np.int16)
    tracks = [Track("display", time_s, columns, (source,), np.arange(2, n + 2), index)]
    if not facts.get("no_engine"):
        slow = np.arange(0, time_s[-1] + 1.0, 1.0)
        rpm = {"engine_speed": Column("engine_speed", np.full(len(slow), 40.0), "1/s", "RPM", "rpm")}
        zero = np.zeros(len(slow), dtype=np.int16)
        tracks.append(Track("engine ../' <b>", slow, rpm, (source,), np.arange(len(slow)) + 1, zero))
    recording = Recording(
        sortie_id=folder.name,
        start_utc=START + dt.timedelta(days=int(facts["seed"])),
        tracks=tuple(tracks),
        main="display",
        card=TestCard(aircraft="made up", notes=("<b>'; DROP TABLE sortie; --",)),
        sources=(source,),
        findings=(Finding("GAP", "a gap; 'quoted' <i>", where="log.nmea:12", facts={"nan": float("nan")}),),
    )
    return MadeUp(recording)


def detect_made_up(recording: Recording, settings: Settings) -> Detection:
    """Flap runs from the position, gear by the clock, two points and a refused one."""
    track = recording.track("display")
    time_s, flap = track.time_s, track.columns["flap_position"].values
    words = np.where(flap <= 0.01, "up", np.where(flap >= 0.99, "full", "transit"))
    edges = [0, *(np.flatnonzero(words[1:] != words[:-1]) + 1), len(words)]
    end = float(time_s[-1]) + 0.1
    runs = [
        Run("flap", str(words[a]), Segment(float(time_s[a]), float(time_s[b]) if b < len(words) else end))
        for a, b in pairwise(edges)
    ]
    runs += [Run("gear", "up", Segment(0.0, end / 3)), Run("gear", "down", Segment(end / 3, end))]
    state = ConfigState(Segment(5.0, 25.0), "down", "full", "idle", "windmilling")
    statistics = {
        "calibrated_airspeed": Statistic(48.9, 0.2, 0.001, 0.03, 200, "m/s", 48.0, 49.5),
        "sink_rate": Statistic(3.1, 0.5, float("nan"), 0.1, 200, "m/s"),
    }
    reason = Reason("trend", 0.14, 0.1, "m/s2", "trend 0.14 kt/s > 0.10 kt/s")
    points = tuple(
        StabilisedPoint(Segment(a, a + 20.0), "glide", state, statistics, 0.8, "points/1") for a in (30.0, 5.0)
    )
    refused = (StabilisedPoint(Segment(26.0, 30.0), "level", state, statistics, 0.0, "points/1", (reason,)),)
    events = (
        Event("flap_change", 9.0, 12.0, 0.1, "flap_position", "up", "full", 1.0, "flaps/1"),
        Event("rpm_command", 3.0, 3.0, 0.5, "engine_speed", 40.0, 41.0, 0.7, "rpm/1", {"why": "step"}),
    )
    phases = (Phase(Segment(0.0, 10.0), "climb"), Phase(Segment(10.0, end), "descent"))
    findings = (Finding("NOT_ATTEMPTED", "no propeller lever", "doubt", "propeller_lever"),)
    return Detection(points, refused, events, tuple(runs), (state,), phases, findings, settings.digest())


@dataclass(frozen=True)
class MadeUpOutline:
    """What `look` gives: the runs first, all the rest when asked."""

    detection: Detection

    @property
    def runs(self) -> tuple[Run, ...]:
        """States and phases."""
        return state_runs(self.detection)


def look_made_up(recording: Recording, settings: Settings, *, gear_moves: str | None = None) -> MadeUpOutline:
    """Stands for `look`."""
    return MadeUpOutline(detect_made_up(recording, settings))


def use_made_up() -> None:
    """Put the stand-ins in place, for a process of its own."""
    from trimshot.store import prepare

    vars(prepare).update(read_unchecked=read_made_up, look=look_made_up)


@pytest.fixture
def made_up(monkeypatch: pytest.MonkeyPatch) -> Any:
    """The stand-ins in place for one test; gives this module's `write_folder`."""
    from trimshot.store import prepare

    monkeypatch.setattr(prepare, "read_unchecked", read_made_up)
    monkeypatch.setattr(prepare, "look", look_made_up)
    return write_folder


@pytest.fixture(scope="session")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A programme of two made-up sorties, A (seed 1) and B (seed 2, no engine recorded). Read only."""
    from trimshot.store import prepare
    from trimshot.store.programme import create_programme

    folder = tmp_path_factory.mktemp("made_up")
    programme = create_programme(folder / "p")
    write_folder(folder / "logs" / "A", seed=1)
    write_folder(folder / "logs" / "B", seed=2, no_engine=True)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(prepare, "read_unchecked", read_made_up)
        patch.setattr(prepare, "look", look_made_up)
        assert programme.add([folder / "logs"]).count("added") == 2
    return programme.folder


@pytest.fixture
def two(template: Path, tmp_path: Path) -> Any:
    """A programme of one's own with the two sorties of `template`."""
    from trimshot.store.programme import Programme

    return Programme(Path(shutil.copytree(template, tmp_path / "p")))


def load() -> Any:
    """This very file as a module, for processes that tests start."""
    spec = importlib.util.spec_from_file_location("store_conftest", Path(__file__))
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["store_conftest"] = module
    spec.loader.exec_module(module)
    return module
