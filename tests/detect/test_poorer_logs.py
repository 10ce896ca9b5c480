"""The bench's poorer logs: paced, rounded and cut as the fit says, and read back by the readers as what they are."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.bench.poorer_logs import AIR, Fit, write_poorer
from trimshot.ingest.sortie import read_sortie
from trimshot.shared.settings import Settings

KNOT, FOOT = 1852.0 / 3600.0, 0.3048


@pytest.fixture
def recording(make_recording: Any) -> Any:
    time_s = np.arange(0.0, 600.0, 0.2)
    return make_recording(
        display={
            "time_s": time_s,
            "indicated_airspeed": (80.0 + 10.0 * np.sin(time_s / 60.0)) * KNOT,
            "pressure_altitude": (3000.0 + 2.0 * time_s) * FOOT,
            "pitch": np.zeros(len(time_s)),
        }
    )


def test_rows_are_paced_and_rounded_and_the_rest_left_out(recording: Any, tmp_path: Path) -> None:
    write_poorer(recording, Fit(5.0, AIR), tmp_path / "poor", seed=1)
    lines = (tmp_path / "poor" / "panel.csv").read_text().splitlines()
    assert lines[0] == "UTC Date,UTC Time,Pressure Altitude [ft],IAS [kt]"
    assert lines[13] == "2031-03-14,00:01:00,3120,88"  # 80 + 10 sin 1 = 88.4; 3000 + 2 x 60
    back = read_sortie(tmp_path / "poor", Settings())
    track = back.track(back.main)
    assert track.median_step_s == 5.0
    assert track.columns["pressure_altitude"].step == pytest.approx(10 * FOOT)
    assert "pitch" not in back.channels()


def test_gusts_have_the_size_asked_for(recording: Any, tmp_path: Path) -> None:
    fit = Fit(1.0, {"indicated_airspeed": ("IAS", "kt", 0.01)}, {"indicated_airspeed": (2.0, 1.0)})
    write_poorer(recording, fit, tmp_path / "rough", seed=1)
    rows = (tmp_path / "rough" / "panel.csv").read_text().splitlines()[1:]
    gusts = np.array([float(r.split(",")[2]) for r in rows]) - (80.0 + 10.0 * np.sin(np.arange(len(rows)) / 60.0))
    # 600 values of memory e^-1 are some 276 independent ones: their deviation is known to 4 %
    assert np.std(gusts) == pytest.approx(2.0, rel=0.15)
