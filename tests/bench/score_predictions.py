"""`python -m tests.bench.score_predictions FOLDER [FOLDER...] [--keep DIR] [--detail]`: approaches and slow-downs, predicted against flown.

Every folder holds logs/<sortie>/; its sorties are added to a programme of their own without settings, kept in DIR for the next run
when one is given (a programme there already is used as it stands). No truth is needed: each recorded approach without power and
each slow-down is predicted from the rest of the programme and compared with what was flown. Prints a Markdown table.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from pathlib import Path

from trimshot.reports.reductions.approach import reduce_approach
from trimshot.reports.reductions.evidence import Evidence, gather_evidence
from trimshot.reports.reductions.slow_down import SlowTrial, reduce_slow_down

from .reduction_truth import Score, score_approaches, table_of
from .score_reductions import programme_of


def score_slow_downs(where: str, trials: Sequence[SlowTrial]) -> list[Score]:
    """Time of each recorded slow-down as predicted from the others or from steady glides."""
    return [
        Score(where, f"slow-down, {'with' if one.band.is_known else 'without'} a band", f"{one.reference.sortie}, {one.configuration}",
              one.measured, one.predicted, _reach(one))
        for one in trials
    ]  # fmt: skip


def _reach(one: SlowTrial) -> float:
    """Of the band [s], on the side the measured time lies on."""
    return one.band.high - one.predicted if one.measured > one.predicted else one.predicted - one.band.low


def score_evidence(where: str, evidence: Evidence) -> list[Score]:
    """Every prediction of one aircraft."""
    return [
        *score_approaches(where, reduce_approach(evidence)),
        *score_slow_downs(where, reduce_slow_down(evidence).trials),
    ]


def score_folder(folder: Path, keep: Path) -> list[Score]:
    """All aircraft of a folder."""
    programme = programme_of(folder, keep)
    names = sorted(set(programme.sorties()["aircraft"].dropna()))
    where = folder.resolve().name
    return [one for name in names for one in score_evidence(where, gather_evidence(programme, aircraft=str(name)))]


def main(folders: Sequence[Path], keep: Path, detail: bool) -> None:
    """One table for all folders together."""
    found = [one for folder in folders for one in score_folder(folder, keep)]
    print(table_of(found))
    for one in found if detail else ():
        outside = "" if one.holds or one.half_width != one.half_width else "OUT"
        print(
            one.where,
            one.quantity,
            one.what,
            f"flown {one.truth:.4g} told {one.value:.4g} +- {one.half_width:.2g}",
            outside,
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--detail", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        main(given.folders, given.keep or Path(scratch), given.detail)
