"""`python -m tests.bench.score_detection FOLDER [FOLDER...] [--settings FILE] [--detail]`: detection against the truth.

Every folder holds logs/<sortie>/ and truth/<sortie>.json. Its sorties are added to a programme of their own, with no
settings (or those of FILE), by the code as it stands; two folders at a time. Prints Markdown tables: points, edges,
errors and bands, events by kind, causes of missed power and rpm events, confidence of what is told from the response, near misses. --detail lists every miss.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

from tests.scoring import Count, load_truth
from trimshot.store.programme import create_programme

from .detection_scores import Scores, score_sortie


def score_folder(folder: Path, settings: Path | None = None) -> Scores:
    """Add the folder's sorties that have a truth to a scratch programme and score what was found."""
    logs = [p for p in sorted((folder / "logs").iterdir()) if (folder / "truth" / f"{p.stem}.json").exists()]
    total = Scores()
    with tempfile.TemporaryDirectory() as scratch:
        programme = create_programme(Path(scratch) / "programme")
        if settings is not None:
            (programme.folder / "settings.toml").write_bytes(settings.read_bytes())
        report = programme.add(logs)
        assert not [s.error for s in report.sorties if s.error], [s.error for s in report.sorties if s.error]
        for sortie in sorted(programme.sorties()["sortie"]):
            total += score_sortie(programme, sortie, load_truth(folder / "truth" / f"{sortie}.json"))
    return total


def main(folders: Sequence[Path], settings: Path | None, detail: bool) -> None:
    """Score every folder, print the tables of all together."""
    total = Scores()
    with ProcessPoolExecutor(2) as pool:
        for scores in pool.map(score_folder, folders, [settings] * len(folders)):
            total += scores
    for table in (
        _points(total),
        _errors(total),
        _events(total),
        _unseen(total),
        _rpm(total),
        _confidence(total),
        _near(total),
    ):
        print(table, end="\n\n")
    if detail:
        print("\n".join(total.remarks))


def _points(total: Scores) -> str:
    rows = ["| points (glide and level) | sorties | found | false | missed | precision | recall |", "|" + "---|" * 7]
    rows.append(f"| all | {total.sorties} | {_counted(total.points)} |")
    held = Count(total.points.true + total.longer, total.points.false, total.points.missed - total.longer)
    rows.append(f"| those too that lie in a longer one, steady by relaxed criteria | | {_counted(held)} |")
    rows.append(f"| rough air (cross_country) | {total.rough_sorties} | {_counted(total.rough)} |")
    for name, errors in (("start", total.starts), ("end", total.ends)):
        if errors:
            middle, most = np.percentile(errors, (50, 90))
            rows.append(f"| sharp {name}: median {middle:.1f} s, 90 % {most:.1f} s | | {len(errors)} | | | | |")
    return "\n".join(rows)


def _errors(total: Scores) -> str:
    rows = [
        "| points | against | unit | n | mean | mean size | band 2 s holds | median s | rms z |",
        "|" + "---|" * 9,
    ]
    for (kind, channel, against, unit), pairs in sorted(total.errors.items()):
        error, sigma = np.array(pairs).T
        known = np.isfinite(sigma) & (sigma > 0)
        z = error[known] / sigma[known]
        held = f"{np.mean(np.abs(z) <= 2):.1%} | {np.median(sigma[known]):.2f} | {np.sqrt(np.mean(z**2)):.2f}"
        rows.append(
            f"| {kind}: {channel} | {against} | {unit} | {len(error)} | {error.mean():+.2f} "
            f"| {np.abs(error).mean():.2f} | {held if known.any() else ' | | '} |"
        )
    return "\n".join(rows)


def _events(total: Scores) -> str:
    rows = ["| events | found | false | missed | precision | recall | F1 |", "|" + "---|" * 7]
    rows += [f"| {name} | {_counted(count)} | {count.f1:.3f} |" for name, count in sorted(total.events.items())]
    return "\n".join(rows)


def _unseen(total: Scores) -> str:
    rows = ["| power events missed | number |", "|---|---|"]
    rows += [f"| {why} | {number} |" for why, number in sorted(total.unseen.items())]
    return "\n".join(rows)


def _rpm(total: Scores) -> str:
    rows = ["| rpm commands missed and false | number |", "|---|---|"]
    rows += [f"| {why} | {number} |" for why, number in sorted(total.rpm.items())]
    return "\n".join(rows)


def _confidence(total: Scores) -> str:
    rows = ["| told from the response with confidence | moves | right |", "|---|---|---|"]
    rows += [
        f"| {kind} {confidence:.1f} | {len(told)} | {np.mean(told):.0%} |"
        for (kind, confidence), told in sorted(total.told.items())
    ]
    return "\n".join(rows)


def _near(total: Scores) -> str:
    answers = ("right", "in a point steady by relaxed criteria", "accepted", "other reason", "no candidate")
    rows = ["| near misses | " + " | ".join(answers) + " | share right |", "|" + "---|" * 7]
    sums = dict.fromkeys(answers, 0)
    for why in sorted({why for why, _ in total.near}):
        counts = [total.near.get((why, answer), 0) for answer in answers]
        sums = {answer: sums[answer] + n for answer, n in zip(answers, counts, strict=True)}
        rows.append(_near_row(why, counts))
    return "\n".join([*rows, _near_row("all", list(sums.values()))])


def _near_row(name: str, counts: list[int]) -> str:
    share = f"{counts[0] / sum(counts):.0%}" if sum(counts) else ""
    return f"| {name} | {' | '.join(map(str, counts))} | {share} |"


def _counted(count: Count) -> str:
    told, true = count.true + count.false, count.true + count.missed
    precision = f"{count.true / told:.3f}" if told else ""
    recall = f"{count.true / true:.3f}" if true else ""
    return f"{count.true} | {count.false} | {count.missed} | {precision} | {recall}"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--settings", type=Path, help="a settings.toml for the scratch programmes")
    parser.add_argument("--detail", action="store_true", help="list every miss and false find")
    arguments = parser.parse_args()
    main(arguments.folders, arguments.settings, arguments.detail)
