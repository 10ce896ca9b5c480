"""Damaged inputs by the thousand through every adapter: python -m tests.fuzz --inputs 10000 --seed 1

Allowed is a reading that keeps the rules of ingest.raw, or an error of ours that names the file.
Anything else is a fault: another exception, a warning, more than 5 s, more than 500 MB, a dead
process, a rule broken. The smallest input found for each fault is written to --keep. The same
seed gives the same inputs. Ends with code 1 when there was a fault.
"""

from __future__ import annotations

import argparse
import re
import sys
import tempfile
import time
import warnings
from collections import Counter
from pathlib import Path

from trimshot.ingest.raw import Adapter
from trimshot.ingest.registry import ADAPTERS

from .seeds import adapter_named, every_seed, seeds_of
from .smallest import shrink
from .trial import Outcome, make_input
from .worker import try_stretch

CHUNK = 2000


def main() -> int:
    """Run what the command line asks for; 1 when a fault was found."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--inputs", type=int, default=10_000, help="inputs in total, shared by the adapters")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--adapter", action="append", help="only this one; may be given several times")
    parser.add_argument("--only", type=int, help="one input by its number, with its whole traceback")
    parser.add_argument("--keep", type=Path, help="folder for the smallest input of every fault")
    asked = parser.parse_args()
    adapters = [adapter_named(name) for name in asked.adapter] if asked.adapter else list(ADAPTERS)
    each = -(-asked.inputs // len(adapters))
    faults = 0
    for adapter in adapters:
        start, stop = (asked.only, asked.only + 1) if asked.only is not None else (0, each)
        found = run_adapter(adapter, asked.seed, start, stop)
        report(found, adapter, asked.seed, keep=asked.keep)
        faults += sum(len(outcomes) for outcomes in found.values())
    return 1 if faults else 0


def run_adapter(adapter: Adapter, seed: int, start: int, stop: int) -> dict[str, list[Outcome]]:
    """Faults by signature; prints what became of the others."""
    kinds: Counter[str] = Counter()
    faults: dict[str, list[Outcome]] = {}
    begin = time.monotonic()
    for low in range(start, stop, CHUNK):
        for outcome in try_stretch(seed, adapter.name, low, min(stop, low + CHUNK)):
            kinds[outcome.kind] += 1
            if outcome.kind == "fault":
                faults.setdefault(outcome.signature, []).append(outcome)
    counts = ", ".join(f"{count} {kind}" for kind, count in sorted(kinds.items()))
    print(f"{adapter.name}: {sum(kinds.values())} inputs, {time.monotonic() - begin:.0f} s: {counts}", flush=True)
    return faults


def report(faults: dict[str, list[Outcome]], adapter: Adapter, seed: int, *, keep: Path | None) -> None:
    """Every kind of fault once, with its traceback; the smallest input of it where it is to be kept."""
    own, everything = seeds_of(adapter), list(every_seed())
    for signature, outcomes in faults.items():
        inputs = [make_input(seed, adapter, o.number, own=own, all_seeds=everything) for o in outcomes[:50]]
        one = min(inputs, key=lambda each: len(each.content))
        print(f"\n{adapter.name}: {signature}: {len(outcomes)} times, numbers {[o.number for o in outcomes[:10]]}")
        print(f"  {len(one.content)} bytes, {one.changes}, profile {one.profile}, whole way {one.whole_way}")
        print(next(o.text for o in outcomes if o.number == one.number), flush=True)
        if keep is None or signature.startswith(("the process died", "hang", "memory")):
            continue
        with tempfile.TemporaryDirectory(prefix="fuzz-") as folder, warnings.catch_warnings():
            warnings.simplefilter("error")
            one = shrink(one, adapter, Path(folder) / "sortie", signature)
        place = keep / adapter.name.lower().replace(" ", "-")
        place.mkdir(parents=True, exist_ok=True)
        name = re.sub(r"[^a-z0-9]+", "-", signature.lower())[:60].strip("-")
        (place / f"{name}{Path(one.name).suffix}").write_bytes(one.content)


if __name__ == "__main__":
    sys.exit(main())
