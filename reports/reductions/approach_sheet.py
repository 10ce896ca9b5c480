"""The approach without power as a sheet: heights at the keys, how predictions held, what doubt they carry."""

from __future__ import annotations

import numpy as np

from ...shared.settings import Settings
from .approach import ApproachResult, reduce_approach
from .approach_height import SOURCES, Heights, Keys
from .approach_history import PastApproach, mean_bank
from .approach_pattern import FLARE_LOAD_FACTOR
from .approach_plan import Plan
from .approach_trials import Trial
from .evidence import Evidence
from .present import say
from .sheet import Axis, Cell, Column, Figure, Series, Sheet, Table, cell_of

NAME, TITLE = "approach", "Height needed for an approach without power"
CAUTIONS = (
    "A planning figure from measured glides, to be tried step by step with power at hand; the programme's own plan, "
    "the authority and licensed practice decide what is flown.",
    "With an engine that is off, windmilling or stopped, or a propeller at another pitch the sink is another than with the one told here.",
    "Wind and its change with height, rising and sinking air, and a turn flown other than planned change the height needed.",
)


RATIO_MARGIN = 0.005  # of engine revolutions per metre


def sheet_of(result: ApproachResult, settings: Settings) -> Sheet:
    """The sheet of a result; what could not be told is said, with the reason."""
    statements: list[str] = []
    missing = list(result.missing)
    figures: list[Figure] = []
    tables: list[Table] = []
    if result.heights is not None and result.plan is not None:
        statements += _height_statements(result, result.heights, result.plan, settings)
        figures.append(_pattern_figure(result.heights))
        tables += [_key_table(result.heights.keys), _leg_table(result.heights), _share_table(result.heights.keys)]
    statements += [f"Not shown: {reason}." for reason in result.refused]
    statements += _outside_statements(result, settings)
    if result.trials:
        statements.append(_trial_statement(result))
        figures.append(_trial_figure(result.trials))
        tables.append(_trial_table(result.trials))
    else:
        missing.append("a recorded approach without power over a known touchdown point, to try predictions on")
    if result.plan is not None:
        tables.append(_plan_table(result.plan, settings))
    tables += [*_past_tables(result), *_glide_tables(result), *_travel_tables(result)]
    used = (() if result.model is None else result.model.used) + tuple(
        dict.fromkeys(t.reference for t in result.trials)
    )
    return Sheet(NAME, TITLE, tuple(statements), tuple(figures), tuple(tables), _cautions(result, settings),
                 tuple(missing), used, tuple(dict.fromkeys(result.left_out)), _facts(result))  # fmt: skip


def _height_statements(result: ApproachResult, heights: Heights, plan: Plan, settings: Settings) -> list[str]:
    out = []
    for key in heights.keys:
        where = "overhead the touchdown point (high key)" if key.name == "high key" else "abeam it (low key)"
        source, share = max(key.shares.items(), key=lambda item: item[1])
        out.append(
            f"{where[0].upper()}{where[1:]}: {say(key.height, 'altitude', settings)} above the touchdown point, "
            f"nine of ten approaches need less than {say(key.nine_in_ten, 'altitude', settings)}; "
            f"most of the doubt ({100 * share:.0f} %) is {SOURCES[source]}."
        )
    model = result.model
    assert model is not None
    out.append(
        f"Flown at {say(plan.speed, 'speed', settings)} and {say(plan.final_speed, 'speed', settings)} on final, "
        f"{say(plan.bank, 'angle', settings)} of bank, {_legs_text(plan, settings)}, {say(plan.mass, 'mass', settings)}, wind on the nose at landing "
        f"{say(plan.headwind, 'speed', settings)}; from {len(model.used)} glides of {model.flights} flights, {result.propulsion}, propeller {result.propeller}."
    )
    out.append(
        f"A full circle more takes {say(heights.circle, 'altitude', settings)}; the flare at {FLARE_LOAD_FACTOR} g is "
        f"{say(heights.flare, 'altitude', settings)} of it; final is {say(heights.final, 'distance', settings)} long."
    )
    low, high = model.ratios
    if plan.ratio > high * (1 + RATIO_MARGIN) or plan.ratio < low * (1 - RATIO_MARGIN):
        out.append(
            "For its airspeed the propeller turned otherwise on own approaches than on any glide measured: what it brakes there is carried on from "
            "the glides; glides near the pattern's height would tell it."
        )
    if heights.assumed:
        out.append(f"Not measured: {'; '.join(heights.assumed)}.")
    return out


def _legs_text(plan: Plan, settings: Settings) -> str:
    """Where the legs are flown, which makes much of the height."""
    abeam = f"abeam at {say(plan.abeam, 'distance', settings)}" if plan.abeam > 0 else "abeam at the turn's own width"
    if not plan.downwind > 0:
        return f"{abeam}, base begun there"
    return f"{abeam}, downwind carried on for {say(plan.downwind, 'distance', settings)}"


def _outside_statements(result: ApproachResult, settings: Settings) -> list[str]:
    return [
        f"Not shown: {say(speed, 'speed', settings)} {leg} with gear {key[0]}, flap {key[1]} lies outside the speeds measured "
        f"({say(low, 'speed', settings)} to {say(high, 'speed', settings)})."
        for leg, key, speed, (low, high) in result.speeds_outside
    ]


def _trial_statement(result: ApproachResult) -> str:
    errors = np.array([t.error for t in result.trials if np.isfinite(t.error)])
    approaches = len({(t.sortie, t.approach_s) for t in result.trials})
    inferred = len({(t.sortie, t.approach_s) for t in result.trials if t.inferred})
    text = (
        f"Tried on {approaches} recorded approaches ({len(errors)} stretches, flights: {len({t.sortie for t in result.trials})}): predicted less "
        f"achieved height loss {round(100 * float(np.median(errors))):+d} % in the middle, at most {100 * float(np.max(np.abs(errors))):.0f} % off; "
        f"the bands hold {sum(t.holds for t in result.trials)} of {len(result.trials)}."
    )
    if any(t.own_flight for t in result.trials):
        text += " Where no other flight's glides tell the configuration, the flight's own are in its prediction."
    if inferred:
        text += f" On {inferred} of them gear or flap was told from the response, not recorded: they count less."
    return text


def _key_table(keys: tuple[Keys, ...]) -> Table:
    columns = (
        Column("key", "key"),
        Column("height", "height needed", "altitude"),
        Column("nine_in_ten", "nine in ten need less than", "altitude"),
    )
    rows = tuple((Cell(k.name), cell_of(k.height), Cell(k.nine_in_ten)) for k in keys)
    return Table("Height needed above the touchdown point", columns, rows, "tapeline height; band 95 %")


def _leg_table(heights: Heights) -> Table:
    columns = (
        Column("leg", "leg"),
        Column("time", "time", "time"),
        Column("height", "height lost", "altitude", difference=True),
    )
    rows = [(Cell(leg.name), cell_of(leg.seconds), cell_of(leg.height)) for leg in heights.legs]
    rows.append((Cell("flare"), Cell(None), cell_of(heights.flare)))
    note = "band 95 % of each leg alone; legs share their doubt, so that the whole's band is not their sum"
    return Table("Height lost leg by leg", columns, tuple(rows), note)


def _share_table(keys: tuple[Keys, ...]) -> Table:
    columns = (Column("source", "source of doubt"), *(Column(k.name.replace(" ", "_"), k.name, "share") for k in keys))
    ordered = sorted(SOURCES, key=lambda s: -keys[0].shares[s])
    rows = tuple((Cell(SOURCES[s]), *(Cell(k.shares[s]) for k in keys)) for s in ordered)
    return Table("What the doubt is made of", columns, rows, "share of the variance, each source alone")


def _trial_table(trials: tuple[Trial, ...]) -> Table:
    columns = (
        Column("sortie", "sortie"), Column("stretch", "stretch"), Column("seconds", "time", "time"),
        Column("predicted", "predicted", "altitude", difference=True), Column("achieved", "achieved", "altitude", difference=True),
        Column("error", "predicted less achieved", "share"), Column("configuration", "configuration"),
    )  # fmt: skip
    rows = tuple(
        (Cell(t.sortie, origin=(t.reference,)), Cell(t.stretch), Cell(t.seconds), cell_of(t.band), Cell(t.achieved),
         Cell(t.error), Cell("inferred" if t.inferred else "recorded"))
        for t in trials
    )  # fmt: skip
    return Table("Predictions tried on recorded approaches", columns, rows,
                 "from other flights' glides, with the approach's own speeds, bank, mass and times; band 95 %: sink, mass, bank, instruments and the air")  # fmt: skip


def _plan_table(plan: Plan, settings: Settings) -> Table:
    shown = (("speed", "speed before final", "speed"), ("final_speed", "speed on final", "speed"), ("bank", "bank", "angle"),
             ("headwind", "wind on the nose at landing", "speed"), ("abeam", "distance abeam", "distance"),
             ("downwind", "downwind past the touchdown point", "distance"), ("mass", "mass", "mass"))  # fmt: skip
    rows = [
        (Cell(head), Cell(say(getattr(plan, name), quantity, settings)), Cell(plan.origin.get(name, "")))
        for name, head, quantity in shown
    ]
    rows.append(
        (
            Cell("density over that of sea level"),
            Cell(f"{plan.density_ratio:.3f}"),
            Cell(plan.origin.get("density", "")),
        )
    )
    moves = "; ".join(f"{m.device} {m.word} at {m.position}" for m in plan.schedule) or "nothing is moved"
    rows.append((Cell("gear and flap"), Cell(moves), Cell(plan.origin.get("schedule", ""))))
    return Table(
        "How it is flown", (Column("value", "value"), Column("taken", "taken"), Column("from", "from")), tuple(rows)
    )


def _past_tables(result: ApproachResult) -> list[Table]:
    if not result.past:
        return []
    columns = (
        Column("sortie", "sortie"), Column("high_key", "height at the high key", "altitude"), Column("low_key", "height at the low key", "altitude"),
        Column("lowest", "lowest height", "altitude"), Column("abeam", "distance abeam", "distance"), Column("bank", "mean bank", "angle"),
        Column("ended", "ended in"),
    )  # fmt: skip
    rows = tuple(
        (Cell(one.sortie, origin=(one.reference,)), _fact(one, "overhead_height_m"), _fact(one, "abeam_height_m"), _fact(one, "lowest_height_m"),
         _fact(one, "abeam_distance_m"), Cell(mean_bank(one)), Cell(str(one.facts.get("ends_in", "")).replace("_", " ")))
        for one in result.past
    )  # fmt: skip
    return [
        Table(
            "Own approaches without power",
            columns,
            rows,
            "heights above the touchdown point in the height channel's own datum, as recorded",
        )
    ]


def _fact(one: PastApproach, name: str) -> Cell:
    value = one.facts.get(name)
    return Cell(None if value is None else float(value))


def _glide_tables(result: ApproachResult) -> list[Table]:
    model = result.model
    if model is None:
        return []
    columns = (Column("gear", "gear"), Column("flap", "flap"), Column("points", "glides", "count"), Column("flights", "flights", "count"),
               Column("lowest", "slowest", "speed"), Column("highest", "fastest", "speed"))  # fmt: skip
    rows = tuple(
        (
            Cell(k[0]),
            Cell(k[1]),
            Cell(model.counts[k][0]),
            Cell(model.counts[k][1]),
            Cell(model.speeds[k][0]),
            Cell(model.speeds[k][1]),
        )
        for k in model.keys
    )
    note = f"a flight's own share of sink {100 * model.day:.1f} %, a point's {100 * model.residual:.1f} % (one standard deviation)"
    return [Table("Glides the sink is taken from", columns, rows, note)]


def _travel_tables(result: ApproachResult) -> list[Table]:
    if not result.travels:
        return []
    columns = (
        Column("movement", "movement"),
        Column("time", "travel time", "time"),
        Column("count", "times", "count"),
        Column("how", "how"),
    )
    rows = tuple(
        (
            Cell(t.movement),
            cell_of(t.time, t.used),
            Cell(t.count),
            Cell("recorded" if t.recorded else "told from the response"),
        )
        for t in result.travels
    )
    return [Table("Gear and flap travel", columns, rows)]


def _pattern_figure(heights: Heights) -> Figure:
    time, middle = tuple(map(float, heights.time)), tuple(map(float, heights.median))
    band = Series(
        "height needed", time, middle, "band", tuple(map(float, heights.low)), tuple(map(float, heights.high))
    )
    keys = Series("keys", (time[0], time[heights.low_key]), (middle[0], middle[heights.low_key]), "points")
    return Figure("Height along the pattern", Axis("time from the high key", "time"), Axis("above the touchdown point", "altitude"),
                  (band, keys), "band 95 %; ends at the flare")  # fmt: skip


def _trial_figure(trials: tuple[Trial, ...]) -> Figure:
    series = []
    for inferred, label in ((False, "configuration recorded"), (True, "configuration inferred")):
        chosen = [t for t in trials if t.inferred == inferred]
        if chosen:
            series.append(Series(label, tuple(t.achieved for t in chosen), tuple(t.predicted for t in chosen), "points",
                                 tuple(t.band.low for t in chosen), tuple(t.band.high for t in chosen),
                                 origin=tuple(t.reference for t in chosen)))  # fmt: skip
    top = max(max(t.achieved, t.predicted) for t in trials)
    series.append(Series("equal", (0.0, top), (0.0, top), "line"))
    return Figure(
        "Predicted against achieved height loss",
        Axis("achieved", "altitude", True),
        Axis("predicted", "altitude", True),
        tuple(series),
    )


def _cautions(result: ApproachResult, settings: Settings) -> tuple[str, ...]:
    if np.isfinite(result.lowest_m):
        lowest = f"Not validated below {say(result.lowest_m, 'altitude', settings)} above the touchdown point: the lowest practised without power."
    else:
        lowest = "Not validated at any height: no approach without power is recorded."
    return (lowest, *CAUTIONS)


def _facts(result: ApproachResult) -> dict[str, object]:
    facts: dict[str, object] = {"trial_spread": result.trial_spread if np.isfinite(result.trial_spread) else None,
                                "lowest_m": result.lowest_m if np.isfinite(result.lowest_m) else None}  # fmt: skip
    if result.heights is not None:
        for key in result.heights.keys:
            name = key.name.replace(" ", "_")
            facts |= {f"{name}_m": key.height.value, f"{name}_nine_in_ten_m": key.nine_in_ten}
    return facts


def run(evidence: Evidence) -> Sheet:
    """The answer as a sheet."""
    return sheet_of(reduce_approach(evidence), evidence.settings)
