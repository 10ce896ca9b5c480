"""`python -m tests.bench.score_reductions FOLDER [FOLDER...] [--keep DIR] [--detail]`: drag, increments, engine speed, approaches.

Every folder holds logs/<sortie>/ and truth/ with aircraft_<name>.json. Its sorties are added to a programme of their own
with no settings but the wing area, which is kept in DIR for the next run when one is given (a programme there already
is used as it stands). Prints Markdown tables: how often bands hold the truth and by how much the values miss; --detail also every value.
"""

from __future__ import annotations

import argparse
import dataclasses
import tempfile
from collections.abc import Sequence
from pathlib import Path

from trimshot.reports.reductions.approach import reduce_approach
from trimshot.reports.reductions.drag import reduce_drag
from trimshot.reports.reductions.evidence import Evidence, gather_evidence
from trimshot.reports.reductions.increments import reduce_increments
from trimshot.reports.reductions.instruments import look_at
from trimshot.reports.reductions.windmilling import reduce_windmilling
from trimshot.store.programme import Programme, create_programme, open_programme

from .reduction_truth import (
    Score,
    Truth,
    load_aircraft,
    score_airspeed,
    score_approaches,
    score_drag,
    score_increments,
    score_windmilling,
    static_source,
    table_of,
)


def programme_of(folder: Path, keep: Path) -> Programme:
    """The programme of a folder's sorties, made in `keep` when it is not there yet."""
    place = keep / folder.resolve().name
    if place.exists():
        return open_programme(place)
    programme = create_programme(place)
    report = programme.add(sorted((folder / "logs").iterdir()))
    for one in report.sorties:
        if one.error:
            print(f"{folder.name}: {one.error}")
    return programme


def score_evidence(folder: Path, evidence: Evidence, truth: Truth) -> list[Score]:
    """Every number of the reductions of one aircraft that has a truth."""
    where = folder.resolve().name
    return [
        *score_airspeed(where, look_at(evidence).airspeed, static_source(folder, truth.name)),
        *score_drag(where, reduce_drag(evidence), truth),
        *score_increments(where, reduce_increments(evidence), truth),
        *score_windmilling(where, reduce_windmilling(evidence), truth),
        *score_approaches(where, reduce_approach(evidence)),
    ]


def score_folder(folder: Path, keep: Path) -> list[tuple[str, Score]]:
    """(aircraft, score) of all aircraft of a folder."""
    programme = programme_of(folder, keep)
    named = {_plain(str(one)): str(one) for one in programme.sorties()["aircraft"].dropna()}
    found: list[tuple[str, Score]] = []
    for path in sorted((folder / "truth").glob("aircraft_*.json")):
        truth = load_aircraft(path)
        name = named.get(_plain(truth.name))
        if name is None:
            continue
        evidence = gather_evidence(programme, aircraft=name)
        found += [(name, one) for one in score_evidence(folder, evidence, truth)]
    return found


def _plain(name: str) -> str:
    return "".join(filter(str.isalnum, name)).casefold()


def main(folders: Sequence[Path], keep: Path, detail: bool) -> None:
    """Score every folder; one table for each aircraft."""
    found = [one for folder in folders for one in score_folder(folder, keep)]
    for aircraft in sorted({name for name, _ in found}):
        own = [score for name, score in found if name == aircraft]
        print(f"{aircraft}, {len({one.where for one in own})} programmes\n\n{table_of(own)}\n")
    if detail:
        for name, one in found:
            fields = dataclasses.astuple(one)[:3]
            print(
                name,
                *fields,
                f"true {one.truth:.4g} told {one.value:.4g} +- {one.half_width:.2g}",
                "" if one.holds else "OUT",
            )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--detail", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        main(given.folders, given.keep or Path(scratch), given.detail)
