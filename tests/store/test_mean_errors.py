"""Bands of the means over stretches found, against a computation of its own from the stored samples."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest
from click.testing import CliRunner

from trimshot.reports.cli import trimshot
from trimshot.store.mean_errors import mean_errors
from trimshot.store.programme import Programme

DRAG = "S250506-01-drag_survey"
CONDITION = "gear = 'down' AND vertical_speed < -500 fpm"


def test_a_rate_wanders_as_much_as_means_of_batches_of_it_do(demo_programme: Programme) -> None:
    """Independent: batch means (G. Fishman, Principles of Discrete Event Simulation, 1978), ten batches of a long stretch;
    nine degrees of freedom leave the ratio within a factor of about two."""
    found = demo_programme.find(CONDITION, 60.0, sortie=DRAG)
    errors = mean_errors(demo_programme.folder, found.columns, ["engine_speed"], most_values=1e9)["engine_speed"]
    assert len(errors) >= 2
    for k, error in enumerate(errors.tolist()):
        start, stop = (float(found.columns[name][k]) for name in ("start_s", "stop_s"))
        samples = (
            demo_programme.fetch_stretches(found.frame.iloc[[k]], ["engine_speed"]).frame["engine_speed"].to_numpy()
        )
        batches = [part.mean() for part in np.array_split(samples[np.isfinite(samples)], 10)]
        assert stop - start >= 60.0
        assert 0.3 < error / (np.std(batches, ddof=1) / np.sqrt(10)) < 3.0
        assert error > 3 * np.nanstd(samples) / np.sqrt(len(samples))  # as if every sample stood for itself


def test_a_stretch_beyond_what_may_be_read_has_no_error(demo_programme: Programme) -> None:
    found = demo_programme.find(CONDITION, 10.0, sortie=DRAG)
    first = float(found.columns["rows"][0])
    errors = mean_errors(demo_programme.folder, found.columns, ["pitch", "gear"], most_values=first)
    assert list(errors) == ["pitch"]
    assert np.isfinite(errors["pitch"][0])
    assert np.isnan(errors["pitch"][1:]).all()


def test_the_calibration_stands_in_the_band_of_an_airspeed(demo_programme: Programme) -> None:
    """Without a position error table 1.5 kt of standard uncertainty is the settings' default: ± 3.0 kt with k = 2."""
    command = ["--programme", str(demo_programme.folder), "find", CONDITION, "--at-least", "10s", "--sortie", DRAG]
    table = CliRunner().invoke(trimshot, command)
    assert table.exit_code == 0, table.output
    assert " ± 3.0 " in table.output
    assert "± is k = 2" in table.output
    written = CliRunner().invoke(trimshot, [*command, "--format", "csv"])
    rows = list(csv.DictReader(io.StringIO(written.stdout)))
    assert rows
    for row in rows:
        assert float(row["calibrated_airspeed_band"]) == pytest.approx(3.0, rel=0.05)
        assert float(row["calibrated_airspeed_band"]) > 3.0  # the samples' part is in it
