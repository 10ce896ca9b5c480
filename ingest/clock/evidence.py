"""Everything that tells one stretch's clock: shared quantities first, else the airframe's response."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from ...shared.recording import Track
from .air import Airframe, Balance
from .compare import Estimate, compare_shared
from .drivers import LATE, QUICK, Drivers, read_drivers
from .line import ClockLine
from .response import HOW, explain, fine_response
from .wheels import FLOOR_S, coarse_wheels, fine_wheels
from .witnesses import likeliest_error, response_witness

BALANCES = ("pitch", "energy_climb_rate")
WEIGHED = 100  # clock errors, a second apart
GOOD_S = 0.5  # with a shared quantity as sure as this the response is not asked


@dataclass(frozen=True, slots=True, eq=False)
class Reference:
    """A track whose times are UTC, and how well (one standard deviation)."""

    track: Track
    uncertainty_s: float


@dataclass(slots=True, eq=False)
class Known:
    """What stands on UTC already. settled: tracks whose channels may explain the airframe's response."""

    references: list[Reference]
    main: Reference | None = None
    airframe: Airframe | None = None
    settled: dict[str, Track] = field(default_factory=dict)


def find_evidence(own: Track, known: Known, starts: Sequence[float] = ()) -> Estimate | None:
    """The clock of a track (rows of one clock setting) against what is known; None when it stays open.

    starts: clock errors in seconds, good to a second or two, that comparison has shown already.
    """
    found: list[Estimate] = []
    for reference in known.references:
        near = starts or [e.line.offset_s for e in found if e.floor_s < GOOD_S]
        shared = compare_shared(own, reference.track, near)
        if shared is not None:
            found.append(_with_reference(shared, reference))
    best = min(found, key=lambda e: e.uncertainty_s, default=None)
    if best is not None and best.uncertainty_s <= GOOD_S:
        return best
    return _combine([*found, *_ask_airframe(own, known, starts)])


def _with_reference(estimate: Estimate, reference: Reference) -> Estimate:
    return replace(estimate, floor_s=float(np.hypot(estimate.floor_s, reference.uncertainty_s)))


def _ask_airframe(own: Track, known: Known, starts: Sequence[float]) -> list[Estimate]:
    """One estimate for every kind of response that answers: wheels, incidence, energy."""
    if known.airframe is None or known.main is None or known.main.track.name == own.name:
        return []
    found: list[tuple[ClockLine, float, str, str]] = []
    explained = {name: e for name in BALANCES if (e := explained_balances(own, known, name)) is not None}
    start_s = starts[0] if starts else _likeliest(explained)
    if start_s is None:
        start_s = coarse_wheels(own, known.airframe)
    if start_s is not None:
        line = fine_wheels(own, known.main.track, known.airframe, start_s)
        if line is not None:
            found.append((line, FLOOR_S, "weight_on_wheels", f"wheels on the ground at {line.windows} edges"))
        for name, one in explained.items():
            answers = [fine_response(balance, one.drivers, start_s) for balance in one.balances]
            line = _between([a for a in answers if a is not None], len(answers))
            if line is not None:
                words = ", ".join(dict.fromkeys(one.drivers.names)).replace("_", " ")
                found.append((line, HOW[name].floor_s, name, f"{name.replace('_', ' ')} answers {words}"))
    return [
        _with_reference(Estimate(line, floor_s, known.main.track.name, channel, evidence), known.main)
        for line, floor_s, channel, evidence in found
    ]


@dataclass(frozen=True, slots=True, eq=False)
class Explained:
    """What drives a balance in one recorder, and the balance (one or two ways to see it) that the others leave."""

    drivers: Drivers
    balances: tuple[Balance, ...]


def explained_balances(own: Track, known: Known, name: str) -> Explained | None:
    """The named balance as far as the settled recorders explain it, with `own`'s drivers; None without either."""
    assert known.airframe is not None
    energy = name == "energy_climb_rate"
    balances = (known.airframe.energy, known.airframe.gusty) if energy else (known.airframe.incidence,)
    drivers = read_drivers(own, name)
    # drag of gear and flap goes with what the pilot does at the same time: it takes power to tell time
    if drivers is None or (energy and not set(drivers.names) & (QUICK | LATE)):
        return None
    others = (read_drivers(track, name) for other, track in known.settled.items() if other != own.name)
    theirs = [d for d in others if d is not None]
    explained = tuple(explain(balance, theirs) for balance in balances if balance is not None)
    return Explained(drivers, explained) if explained else None


def _likeliest(explained: Mapping[str, Explained]) -> float | None:
    """The clock error, to a second, that the responses together find likeliest; None when none stands out."""
    weights = [response_witness(e.balances[0], e.drivers, ()).weigh((0,)) for e in explained.values()]
    total = np.sum(weights, axis=0)
    # hardly any error could be weighed where the two recorders hardly overlap: nothing to stand out from
    return likeliest_error(total) if weights and np.isfinite(total).sum() > WEIGHED else None


def _between(lines: Sequence[ClockLine], wanted: int) -> ClockLine | None:
    """The middle of two ways of looking at the same data; half their difference is uncertainty of its own."""
    if len(lines) < wanted:
        return None
    first, last = lines[0], lines[-1]
    if first is last:
        return first
    both = first.drift_ppm != 0.0 and last.drift_ppm != 0.0
    middle = np.array([0.5 * (first.middle_s + last.middle_s)])
    drift = 0.5 * (first.drift_ppm + last.drift_ppm) if both else 0.0
    errors = [float(line.error_at(middle)[0]) for line in lines]
    offset = 0.5 * sum(errors) - drift * 1e-6 * float(middle[0])
    apart = 0.5 * abs(errors[0] - errors[1])
    uncertainty = float(np.hypot(max(first.uncertainty_s, last.uncertainty_s), apart))
    drift_error = max(first.drift_uncertainty_ppm, last.drift_uncertainty_ppm)
    return ClockLine(offset, uncertainty, drift, drift_error, float(middle[0]), first.windows)


def _combine(found: Sequence[Estimate]) -> Estimate | None:
    """Weighted mean of independent estimates, widened when they scatter more than they claim (Birge 1932)."""
    if not found:
        return None
    best = min(found, key=lambda e: e.uncertainty_s)
    agreeing = [e for e in found if e is best or (e.line.drift_ppm == 0.0 and e.uncertainty_s < 3 * best.uncertainty_s)]
    if len(agreeing) == 1 or best.line.drift_ppm != 0.0:
        return best
    weight = np.array([1 / e.uncertainty_s**2 for e in agreeing])
    offset = np.array([e.line.offset_s for e in agreeing])
    mean = float(np.sum(weight * offset) / weight.sum())
    scatter = float(np.sum(weight * (offset - mean) ** 2) / (len(agreeing) - 1))
    uncertainty = float(np.sqrt(max(scatter, 1.0) / weight.sum()))
    line = replace(best.line, offset_s=mean, uncertainty_s=uncertainty)
    return Estimate(line, 0.0, best.reference, best.channel, "; ".join(e.evidence for e in agreeing))
