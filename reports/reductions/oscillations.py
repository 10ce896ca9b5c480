"""Phugoids against their first approximations; short period and Dutch roll as found.

Lanchester: period pi sqrt(2) V / g, damping 1 / (sqrt(2) L/D) (see shared.physics.oscillation). L/D of the
configuration is that of its glides, where those reach the speed: the draggier, the better damped.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ...shared.physics.oscillation import phugoid_damping, phugoid_period
from ...shared.settings import Settings
from .approach_sink import GlideModel, fit_without_misread, gear_words, glides_of, sink_of
from .bands import UNKNOWN, Band, band_of
from .evidence import Evidence
from .present import say
from .sheet import Axis, Cell, Column, Figure, LeftOut, Reference, Series, Sheet, Table, cell_of

NAME, TITLE = "oscillations", "Phugoid, short period and Dutch roll"
KINDS = ("phugoid", "short_period", "dutch_roll")
ENOUGH_CYCLES = 3.0  # 14 CFR Part 60, Table A2A 2.c.9: a phugoid is recorded over three cycles, or six overshoots
# standard uncertainty beside the fit's where fewer were flown; that table lets a simulator differ by 10 % and 0.02; common practice, no source
FEW_PERIOD_SHARE, FEW_DAMPING = 0.02, 0.01
CAUTIONS = (
    "Stick free and stick fixed are not told apart by a log; a phugoid is compared with approximations that leave out drag, compressibility and the propeller.",
    "The lift-to-drag ratio is that of glides, the idling propeller's drag in it: with power the aircraft itself is a little less draggy.",
    "Three peaks or fewer tell a damping poorly; with fewer samples than some ten in a period no figure is given.",
)


@dataclass(frozen=True, slots=True)
class Oscillation:
    """One oscillation, SI. period, damping: by the fit, band of fit and peaks together; expected: approximations, NaN unknown."""

    kind: str
    reference: Reference
    configuration: str
    true_airspeed: float
    period: Band
    damping: Band
    damping_by_peaks: float
    time_to_half: float
    cycles: float
    dead_beat: bool
    settled_s: float
    expected_period: float
    expected_damping: float
    lift_to_drag: float


@dataclass(frozen=True, slots=True)
class OscillationsResult:
    """All oscillations in time order; what was left out, what is missing."""

    oscillations: tuple[Oscillation, ...]
    missing: tuple[str, ...]
    left_out: tuple[LeftOut, ...]

    def of_kind(self, kind: str) -> tuple[Oscillation, ...]:
        """Those of a kind."""
        return tuple(one for one in self.oscillations if one.kind == kind)


def reduce_oscillations(evidence: Evidence) -> OscillationsResult:
    """Every oscillation of the evidence with what theory expects of it."""
    found = evidence.programme.manoeuvres()
    found = found[found["sortie"].isin(evidence.sorties) & found["kind"].isin(KINDS)]
    glides, _ = glides_of(evidence)
    models = [
        fit_without_misread(part.reset_index(drop=True), evidence.standard_mass)[0]
        for _, part in glides.groupby("fine")
    ]
    told = tuple(_oscillation(row, evidence, [m for m in models if m is not None]) for row in found.to_dict("records"))
    missing = []
    if not told:
        missing.append("a recorded oscillation: displaced and left alone for some cycles")
    if any(one.kind == "phugoid" and not np.isfinite(one.expected_damping) for one in told):
        missing.append("glides of the phugoids' configuration at their speed, for the damping to expect")
    return OscillationsResult(told, tuple(missing), evidence.left_out)


def _oscillation(row: Mapping[str, Any], evidence: Evidence, models: list[GlideModel]) -> Oscillation:
    facts = row["facts"]
    where = Reference(str(row["sortie"]), None, float(row["start_s"]), float(row["stop_s"]))
    key = _configuration(where, evidence)
    true = _number(facts, "true_airspeed")
    lift_to_drag = _lift_to_drag(key, where, evidence, models) if row["kind"] == "phugoid" else float("nan")
    few = 1.0 if row["kind"] == "phugoid" and not _number(facts, "cycles") >= ENOUGH_CYCLES else 0.0
    return Oscillation(
        str(row["kind"]), where, f"gear {key[0]}, flap {key[1]}", true,
        _band(facts, "period", "s", by_peaks=facts.get("period_by_peaks_s"), few=few * FEW_PERIOD_SHARE * _number(facts, "period_s")),
        _band(facts, "damping_ratio", "1", by_peaks=facts.get("damping_ratio_by_peaks"), few=few * FEW_DAMPING),
        _number(facts, "damping_ratio_by_peaks"), _number(facts, "time_to_half_s"), _number(facts, "cycles"),
        bool(facts.get("dead_beat", False)), _number(facts, "settled_s"),
        float(phugoid_period(true)) if row["kind"] == "phugoid" else float("nan"),
        float(phugoid_damping(lift_to_drag)) if np.isfinite(lift_to_drag) else float("nan"), lift_to_drag,
    )  # fmt: skip


def _number(facts: Mapping[str, Any], name: str) -> float:
    value = facts.get(name)
    return float("nan") if value is None else float(value)


def _band(facts: Mapping[str, Any], name: str, unit: str, *, by_peaks: Any, few: float) -> Band:
    """The fit's figure; how far the peaks' is off counts as type B, as neither method is the truth, and so do few cycles."""
    suffix = "_s" if unit == "s" else ""
    value = _number(facts, f"{name}{suffix}")
    if not np.isfinite(value):
        return UNKNOWN
    error = facts.get(f"{name}_error{suffix}")
    other = 0.0 if by_peaks is None else abs(float(by_peaks) - value)
    return band_of(
        value,
        0.0 if error is None else float(error),
        float(np.hypot(other / np.sqrt(3), few if np.isfinite(few) else 0.0)),
        unit=unit,
    )


def _configuration(where: Reference, evidence: Evidence) -> tuple[str, str]:
    samples = evidence.programme.samples(where.sortie, ["gear", "flap"], start=where.start_s, stop=where.stop_s)
    if not len(samples):
        return "unknown", "unknown"
    middle = samples.iloc[len(samples) // 2 : len(samples) // 2 + 1]
    return str(gear_words(middle["gear"], evidence).iloc[0]), str(middle["flap"].iloc[0])


def _lift_to_drag(key: tuple[str, str], where: Reference, evidence: Evidence, models: list[GlideModel]) -> float:
    """L/D of the glides of this configuration at this speed; NaN outside the speeds measured. Least drag of the propeller's classes."""
    samples = evidence.programme.samples(where.sortie, start=where.start_s, stop=where.stop_s)
    if "equivalent_airspeed" not in samples or samples["equivalent_airspeed"].isna().all():
        return float("nan")
    speed = float(samples["equivalent_airspeed"].mean())
    ratios = [
        float(speed / sink_of(model, key, np.array([speed]))[0])
        for model in models
        if key in model.keys and model.speeds[key][0] <= speed <= model.speeds[key][1]
    ]
    return max(ratios, default=float("nan"))


def sheet_of(result: OscillationsResult, settings: Settings) -> Sheet:
    """The sheet of a result."""
    phugoids = result.of_kind("phugoid")
    statements = [_say_phugoid(one, settings) for one in phugoids]
    statements += [
        s
        for kind, words in (("short_period", "Short period"), ("dutch_roll", "Dutch roll"))
        if (s := _say_quick(result.of_kind(kind), words, settings))
    ]
    tables = [t for t in (_phugoid_table(phugoids), _quick_table(result)) if t.rows]
    figures = (_figure(phugoids),) if phugoids else ()
    used = tuple(one.reference for one in result.oscillations)
    return Sheet(
        NAME, TITLE, tuple(statements), figures, tuple(tables), CAUTIONS, result.missing, used, result.left_out
    )


def _say_phugoid(one: Oscillation, settings: Settings) -> str:
    ratio = one.period.value / one.expected_period if one.expected_period > 0 else float("nan")
    text = (
        f"Phugoid at {say(one.true_airspeed, 'speed', settings)} true, {one.configuration}: period {say(one.period, 'time', settings)}, "
        f"{ratio:.2f} times the first approximation's {say(one.expected_period, 'time', settings)}; damping ratio {say(one.damping, 'ratio', settings)}"
    )
    if np.isfinite(one.expected_damping):
        text += f", {one.expected_damping:.3f} expected of a lift-to-drag ratio of {one.lift_to_drag:.1f}"
    few = "" if one.cycles >= ENOUGH_CYCLES else f", fewer than {ENOUGH_CYCLES:.0f}: provisional"
    return f"{text} ({one.cycles:.1f} cycles{few})."


def _say_quick(found: tuple[Oscillation, ...], words: str, settings: Settings) -> str | None:
    if not found:
        return None
    beats = [one for one in found if one.dead_beat]
    told = [one for one in found if not one.dead_beat and one.period.value == one.period.value]
    parts = [f"{words}: {len(found)} found"]
    if beats:
        parts.append(f"{len(beats)} dead beat within {say(max(one.settled_s for one in beats), 'time', settings)}")
    parts += [
        f"period {say(one.period, 'time', settings)}, damping ratio {say(one.damping, 'ratio', settings)}"
        for one in told
    ]
    return "; ".join(parts) + "."


def _phugoid_table(phugoids: tuple[Oscillation, ...]) -> Table:
    columns = (
        Column("sortie", "sortie"), Column("configuration", "configuration"), Column("speed", "true airspeed", "speed"), Column("period", "period", "time"),
        Column("expected_period", "first approximation", "time"), Column("damping", "damping ratio", "ratio"), Column("peaks", "by peaks", "ratio"),
        Column("expected_damping", "expected of L/D", "ratio"), Column("half", "time to half", "time"), Column("cycles", "cycles", "count"),
    )  # fmt: skip
    rows = tuple(
        (Cell(one.reference.sortie, origin=(one.reference,)), Cell(one.configuration), Cell(one.true_airspeed), cell_of(one.period),
         Cell(one.expected_period), cell_of(one.damping), Cell(one.damping_by_peaks), Cell(one.expected_damping), Cell(one.time_to_half), Cell(one.cycles))
        for one in phugoids
    )  # fmt: skip
    return Table("Phugoids", columns, rows, "real aircraft lie some 10 to 25 % above the first approximation's period")


def _quick_table(result: OscillationsResult) -> Table:
    columns = (
        Column("sortie", "sortie"), Column("kind", "kind"), Column("configuration", "configuration"), Column("period", "period", "time"),
        Column("damping", "damping ratio", "ratio"), Column("half", "time to half", "time"), Column("settled", "dead beat within", "time"),
    )  # fmt: skip
    quick = [one for one in result.oscillations if one.kind != "phugoid"]
    rows = tuple(
        (Cell(one.reference.sortie, origin=(one.reference,)), Cell(one.kind.replace("_", " ")), Cell(one.configuration), cell_of(one.period),
         cell_of(one.damping), Cell(one.time_to_half), Cell(one.settled_s if one.dead_beat else None))
        for one in quick
    )  # fmt: skip
    return Table("Short period and Dutch roll", columns, rows)


def _figure(phugoids: tuple[Oscillation, ...]) -> Figure:
    known = [one for one in phugoids if one.period.is_known]
    speeds = tuple(one.true_airspeed for one in known)
    measured = Series("measured", speeds, tuple(one.period.value for one in known), "points", tuple(one.period.low for one in known),
                      tuple(one.period.high for one in known), tuple(one.reference for one in known))  # fmt: skip
    order = sorted(known, key=lambda one: one.true_airspeed)
    line = Series(
        "first approximation",
        tuple(one.true_airspeed for one in order),
        tuple(one.expected_period for one in order),
        "line",
    )
    return Figure(
        "Phugoid period against speed", Axis("true airspeed", "speed"), Axis("period", "time"), (measured, line)
    )


def run(evidence: Evidence) -> Sheet:
    """The answer as a sheet."""
    return sheet_of(reduce_oscillations(evidence), evidence.settings)
