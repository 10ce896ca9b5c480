"""One hash over every answer of a programme, for comparing programmes that were made in different ways."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

import pandas as pd

from trimshot.store.programme import Programme

# when a sortie was added is no answer about the flight
NOT_COMPARED = ("added_utc",)
CONDITION = "calibrated_airspeed > 0"


def hash_answers(programme: Programme, *, with_find: bool = True) -> str:
    """sha256 over listings, statistics, samples, tracks and (with_find) one found condition, sorties in order of name."""
    digest = hashlib.sha256()
    for name, frame in _answers(programme, with_find):
        digest.update(f"{name} {frame.shape}\n".encode())
        kept = frame.drop(columns=[column for column in NOT_COMPARED if column in frame])
        digest.update(kept.to_csv(index=False).encode())
    return digest.hexdigest()


def _answers(programme: Programme, with_find: bool) -> Iterator[tuple[str, pd.DataFrame]]:
    sorties = programme.sorties().sort_values("sortie")
    yield "sorties", sorties
    for sortie in sorties["sortie"]:
        for ask in (
            "points",
            "statistics",
            "events",
            "manoeuvres",
            "findings",
            "states",
            "phases",
            "channels",
            "ledger",
        ):
            yield f"{sortie} {ask}", getattr(programme, ask)(sortie)
        yield f"{sortie} refused", programme.points(sortie, refused=True)
        yield f"{sortie} samples", programme.samples(sortie)
        channels = programme.channels(sortie)
        for track in sorted(set(channels["track"]) - {"frame"}):
            yield f"{sortie} track {track}", programme.track(sortie, track)
    if with_find and len(sorties):
        yield "find", programme.find(CONDITION, 5.0, join_s=2.0).frame
