"""What must hold after any input: the rules of ingest.raw for a reading, and of a folder with one bad file."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from tests.ingest.test_contract import check_rules
from trimshot.ingest.dry_run import describe
from trimshot.ingest.raw import HEAD_BYTES, Adapter, LogFile
from trimshot.ingest.registry import claims_of
from trimshot.ingest.sortie import read_sortie
from trimshot.shared.errors import TrimshotError
from trimshot.shared.recording import Recording
from trimshot.shared.settings import InstrumentProfile, Settings

GOOD_NAME = "a-good-one.csv"
GOOD_ROWS = 60
GOOD = (
    "time utc,ias kt,pressure altitude ft,rpm\n"
    + "".join(f"2025-05-06T12:00:{k:02d}Z,{90 + k % 3}.0,{5000 - 5 * k},2400\n" for k in range(GOOD_ROWS))
).encode()
PROFILES = (
    None,
    InstrumentProfile(zone="+02:00", date_order="mdy", year=2025),
    InstrumentProfile(zone="UTC", date_order="dmy", altitude_datum="msl", heading_reference="true"),
)


def check_reading(adapter: Adapter, path: Path, profile: InstrumentProfile | None) -> str:
    """'read' or 'refused', and whether the adapter claimed the file; AssertionError for a broken rule.

    Every adapter is asked whether the file is its own; the named one reads it, claimed or not.
    """
    file = log_file(path)
    claims = {other.name: claim for other, claim in claims_of(file)}
    assert all(isinstance(claim.reason, str) and claim.reason for claim in claims.values())
    claimed = "claimed" if claims[adapter.name].yes else "forced"
    try:
        raw = adapter.read(file, profile)
    except TrimshotError as error:
        assert path.name in str(error), f"the error does not name the file: {error}"
        assert "\n" not in str(error), f"the error is not one line: {error!r}"
        return f"{claimed} refused"
    check_rules(raw, adapter)
    return f"{claimed} read"


def check_folder(folder: Path) -> None:
    """A folder with a good file and a damaged one: the good one comes through whole."""
    recording = read_sortie(folder, Settings())
    check_good_rows(recording)
    for track in recording.tracks:
        assert np.isfinite(track.time_s).all() and (np.diff(track.time_s) >= 0).all(), track.name
        assert all(column.values.shape == track.time_s.shape for column in track.columns.values())
    names = {file.relative_to(folder).as_posix() for file in folder.iterdir()}
    assert names <= {source.file for source in recording.sources}, "a file of the folder is not accounted for"
    json.dumps(describe(folder), allow_nan=False)


def check_good_rows(recording: Recording) -> None:
    """All rows of the good file are in the recording."""
    kept = 0
    for track in recording.tracks:
        for index, source in enumerate(track.sources):
            if source.file == GOOD_NAME:
                kept += int((track.source_index == index).sum())
    assert kept == GOOD_ROWS, f"{kept} of the good file's {GOOD_ROWS} rows came through"


def log_file(path: Path) -> LogFile:
    """The file as a folder would list it."""
    with path.open("rb") as stream:
        head = stream.read(HEAD_BYTES)
    return LogFile(path, path.name, path.stat().st_size, head)
