"""Reading a text or a file with the adapter, and the invariants every reading must keep."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from trimshot.ingest.raw import HEAD_BYTES, LogFile, RawFile
from trimshot.ingest.text.adapter import DelimitedText
from trimshot.shared.codes import CODES
from trimshot.shared.settings import InstrumentProfile

Reader = Callable[..., RawFile]


def open_log(path: Path) -> LogFile:
    """The file as the folder reader would hand it over."""
    content = path.read_bytes()
    return LogFile(path, path.name, len(content), content[:HEAD_BYTES])


def check_invariants(raw: RawFile) -> None:
    """Shapes agree, time never falls, every line is accounted for, the ledger is JSON, codes exist."""
    ledger = raw.ledger
    rows = sum(len(track.row) for track in raw.tracks)
    if "tables" not in ledger:  # several tables in one share rows
        assert ledger["rows_out"] == rows
    assert ledger["rows_in"] == ledger["rows_out"] + ledger["rows_dropped"] + sum(ledger["not_rows"].values())
    assert json.loads(json.dumps(ledger)) == ledger
    for track in raw.tracks:
        assert (np.diff(track.time.seconds) >= 0).all()
        assert (track.row > 0).all()
        assert track.fingerprint
        for column in track.columns:
            assert column.values.shape == track.time.seconds.shape == track.row.shape
            assert column.values.dtype in (np.float64, np.object_)
            assert column.step is None or column.step > 0
    for finding in raw.findings:
        assert finding.code in CODES
        json.dumps(dict(finding.facts))


@pytest.fixture
def read_log() -> Reader:
    """read_log(path, profile=None): the adapter's reading of a file, invariants checked."""

    def read(path: Path, profile: InstrumentProfile | None = None) -> RawFile:
        raw = DelimitedText().read(open_log(path), profile)
        check_invariants(raw)
        return raw

    return read


@pytest.fixture
def read_text(tmp_path: Path, read_log: Reader) -> Reader:
    """read_text(text or bytes, profile=None, name="log.csv"): the reading of a text, invariants checked."""

    def read(text: str | bytes, profile: InstrumentProfile | None = None, name: str = "log.csv") -> RawFile:
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_log(path, profile)

    return read
