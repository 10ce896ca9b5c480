"""Every recorder's clock, row by row, against the simulation's truth: python -m tests.bench.bench_clocks [FOLDER ...]

A FOLDER holds `logs/<sortie>/` and `truth/<sortie>.json`, or `<sortie>.zip` and `../truth/<sortie>.json.gz` as in
`tests/data/sorties` (the default). A row's true moment is known from its number: the recorders sample at their rate from
their stated start, drop-outs left out. Reported for every file: the median error of the corrected times in every stretch
between settings of the clock, their scatter, the uncertainty stated, and the worst stretch's error in units of it.
"""

from __future__ import annotations

import argparse
import gzip
import json
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trimshot.ingest.sortie import read_sortie
from trimshot.shared.recording import Recording
from trimshot.shared.settings import Settings

Floats = NDArray[np.float64]
DEFAULT = Path(__file__).parents[1] / "data" / "sorties"
RECEIVERS = ("gps", "igc")


@dataclass(frozen=True)
class Outcome:
    """One file: recorder's kind, error by stretch and scatter in seconds, uncertainty stated (None: open)."""

    sortie: str
    kind: str
    file: str
    error_s: tuple[float, ...]
    scatter_s: float
    uncertainty_s: float | None

    @property
    def sigmas(self) -> float:
        """The worst stretch's error over the uncertainty stated; 0 where the clock is said to be open."""
        return 0.0 if self.uncertainty_s is None else max(abs(e) for e in self.error_s) / self.uncertainty_s


def sorties(folder: Path) -> Iterator[tuple[Path, dict[str, Any]]]:
    """Every sortie of a folder with its truth."""
    for path in sorted((folder / "logs").iterdir()) if (folder / "logs").is_dir() else ():
        yield path, json.loads((folder / "truth" / f"{path.name}.json").read_text())
    for path in sorted(folder.glob("*.zip")):
        with gzip.open(folder.parent / "truth" / f"{path.stem}.json.gz", "rt") as stream:
            yield path, json.load(stream)


def lines_of(sortie: Path, file: str) -> int:
    """Number of lines of a log."""
    if sortie.is_dir():
        return len((sortie / file).read_text().rstrip("\n").split("\n"))
    with zipfile.ZipFile(sortie) as archive:
        name = next(n for n in archive.namelist() if n.endswith(file))
        return len(archive.read(name).decode().rstrip("\n").split("\n"))


def true_times(kind: str, recorder: dict[str, Any], clock: dict[str, Any], faults: list[dict[str, Any]]) -> Floats:
    """UTC of every row of a file, seconds since 1970."""
    rate_hz = recorder["rate_hz"]
    utc: Floats = clock["start"] + np.arange(int((clock["end"] - clock["start"]) * rate_hz + 1e-6)) / rate_hz
    for fault in faults:
        if fault["recorder"] == kind and fault["kind"] == "dropout":
            utc = utc[(utc < fault["start"]) | (utc >= fault["end"])]
    return utc


def outcomes(sortie: Path, truth: dict[str, Any]) -> Iterator[Outcome]:
    """Every file of a sortie but the receivers'."""
    recording = read_sortie(sortie, Settings())
    for kind, recorder in truth["recorders"].items():
        for clock in recorder.get("clock", []) if kind not in RECEIVERS else []:
            utc = true_times(kind, recorder, clock, truth["faults"])
            head = lines_of(sortie, clock["file"]) - len(utc)
            yield _outcome(recording, clock, kind=kind, utc=utc, head=head)


def _outcome(recording: Recording, clock: dict[str, Any], *, kind: str, utc: Floats, head: int) -> Outcome:
    track = next(t for t in recording.tracks for s in t.sources if s.file == clock["file"])
    number = next(k for k, s in enumerate(track.sources) if s.file == clock["file"])
    mine = track.source_index == number
    place = track.row[mine] - head - 1
    known = (place >= 0) & (place < len(utc))
    true_s = utc[place[known]]
    error_s = track.time_s[mine][known] + recording.start_utc.timestamp() - true_s
    bounds = np.searchsorted([step["utc"] for step in clock["steps"]], true_s, side="right")
    stretches = [error_s[bounds == k] for k in np.unique(bounds)]
    medians = tuple(float(np.median(e)) for e in stretches)
    scatter = max(float(np.std(e)) for e in stretches)
    return Outcome(
        recording.sortie_id,
        kind,
        clock["file"],
        medians,
        scatter,
        track.sources[number].clock.offset_uncertainty_s,
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folders", nargs="*", type=Path, default=[DEFAULT])
    found = [o for folder in parser.parse_args().folders for s, truth in sorties(folder) for o in outcomes(s, truth)]
    for o in found:
        errors = ", ".join(f"{e:+.3f}" for e in o.error_s)
        stated = "open" if o.uncertainty_s is None else f"{o.uncertainty_s:.2f}"
        print(f"{o.sortie:26s} {o.kind:10s} {errors:18s} scatter {o.scatter_s:.3f}  stated {stated}  {o.sigmas:.1f}")
    print("recorder    files  median error  worst error  median stated  worst / stated  above 3")
    for kind in sorted({o.kind for o in found}):
        of_kind = [o for o in found if o.kind == kind]
        worst = np.array([max(abs(e) for e in o.error_s) for o in of_kind])
        stated_s = np.array([o.uncertainty_s if o.uncertainty_s is not None else np.inf for o in of_kind])
        sigmas = np.array([o.sigmas for o in of_kind])
        print(
            f"{kind:10s}  {len(of_kind):5d}  {np.median(worst):12.2f}  {worst.max():11.2f}  {np.median(stated_s):13.2f}"
            f"  {sigmas.max():14.1f}  {int((sigmas > 3).sum()):7d}"
        )


if __name__ == "__main__":
    main()
