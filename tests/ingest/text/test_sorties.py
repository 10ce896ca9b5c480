"""Every display, engine and switch log of the sample sorties: claimed, reconciled, in order, with its date and zone.

Truth: the simulator's own truth files (clock offset and zone per recorder), beside the logs.
"""

from __future__ import annotations

import gzip
import json
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from trimshot.ingest.raw import HEAD_BYTES, LogFile
from trimshot.ingest.text.adapter import DelimitedText
from trimshot.shared.units import find_unit

SORTIES = Path(__file__).parents[2] / "data" / "sorties"
RECORDERS = ("display", "engine", "motor", "discretes")


def _logs() -> list[tuple[str, str]]:
    out = []
    for archive in sorted(SORTIES.glob("*.zip")):
        with zipfile.ZipFile(archive) as opened:
            names = [n for n in opened.namelist() if n.rsplit("/", 1)[-1].startswith(RECORDERS)]
        out += [(archive.name, name) for name in names]
    return out


def _extract(archive: str, name: str, folder: Path) -> Path:
    with zipfile.ZipFile(SORTIES / archive) as opened:
        path = folder / name.rsplit("/", 1)[-1]
        path.write_bytes(opened.read(name))
    return path


def test_there_are_logs() -> None:
    assert len(_logs()) >= 29


@pytest.mark.parametrize(("archive", "name"), _logs())
def test_log_is_read_whole(archive: str, name: str, tmp_path: Path, read_log: Any) -> None:
    path = _extract(archive, name, tmp_path)
    content = path.read_bytes()
    assert DelimitedText().claims(LogFile(path, path.name, len(content), content[:HEAD_BYTES])).yes
    raw = read_log(path)
    (track,) = raw.tracks
    lines = content.count(b"\n") + (not content.endswith(b"\n"))
    assert raw.ledger["rows_in"] == lines
    assert raw.ledger["rows_dropped"] == (not content.endswith(b"\n"))
    assert len(track.row) > 2000
    assert (np.diff(track.time.seconds) > 0).all()
    for column in track.columns:
        assert np.isfinite(column.values).all(), column.header
        assert column.unit is None or find_unit(column.unit) is not None, column.unit
    assert not [f for f in raw.findings if f.level == "fault"]
    _check_clock(archive, path.name, track.time)


def _check_clock(archive: str, file: str, time: Any) -> None:
    truth = json.loads(gzip.decompress((SORTIES.parent / "truth" / archive.replace(".zip", ".json.gz")).read_bytes()))
    clocks = [c for r in truth["recorders"].values() for c in r.get("clock", ()) if c["file"] == file]
    (clock,) = clocks
    zone_s = clock["zone_h"] * 3600.0
    step = sum(s["added_s"] for s in clock["steps"])
    last = (
        clock["end"] + zone_s + clock["offset_s"] + step + clock["drift_ppm"] * 1e-6 * (clock["end"] - clock["start"])
    )
    if time.basis == "elapsed":
        assert time.start is not None
        span = clock["end"] - clock["start"]
        assert time.seconds[-1] - time.seconds[0] == pytest.approx(span, abs=2.0)
        return
    assert time.basis == "local"
    assert time.zone_s in (None, zone_s)
    assert time.seconds[-1] == pytest.approx(last, abs=5.0)  # the last row comes up to some seconds before the end


def test_the_same_recorder_has_one_fingerprint(tmp_path: Path, read_log: Any) -> None:
    prints: dict[str, set[str]] = {}
    for archive, name in _logs():
        short = name.rsplit("/", 1)[-1]
        if archive.startswith("S2505") and "22-01" not in archive and short.startswith(("display", "engine")):
            raw = read_log(_extract(archive, name, tmp_path))
            prints.setdefault(short[:6], set()).add(raw.tracks[0].fingerprint)
    assert {kind: len(found) for kind, found in prints.items()} == {"displa": 1, "engine": 1}
