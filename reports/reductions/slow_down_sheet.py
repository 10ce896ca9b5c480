"""Slow-downs as a sheet."""

from __future__ import annotations

import numpy as np

from ...shared.settings import Settings
from .evidence import Evidence
from .present import say
from .sheet import Axis, Cell, Column, Figure, Series, Sheet, Table, cell_of
from .slow_down import SlowDownResult, Slowing, SlowTrial, Stage, configuration_of, reduce_slow_down

NAME, TITLE = "slow-down", "Slowing down to the gear's and the flap's speed"
CAUTIONS = (
    "Wings level, the configuration left alone; power that is left on, a turn or a wind that changes with height make it another time.",
    "Gear and flap are moved within the limits of the aircraft's own papers, whatever is written here.",
)
CURVE = 40


def sheet_of(result: SlowDownResult, settings: Settings) -> Sheet:
    """The sheet of a result."""
    statements = [_say_stage(s, result.propulsion, settings) for s in result.stages if not s.reason]
    statements += _not_shown(result.stages, settings)
    if result.trials:
        statements.append(_say_trials(result.trials))
    tables = [t for t in (_stage_table(result.stages), _trial_table(result.trials)) if t.rows]
    figures = (_figure(result.models),) if any(m.runs for m in result.models) else ()
    used = tuple(dict.fromkeys(r.reference for m in result.models for r in m.runs))
    return Sheet(
        NAME,
        TITLE,
        tuple(statements),
        figures,
        tuple(tables),
        (*CAUTIONS, *result.notes),
        result.missing,
        used,
        result.left_out,
    )


def _path(stage: Stage, settings: Settings) -> str:
    return "level" if stage.sink == 0.0 else f"sinking at {say(stage.sink, 'vertical_speed', settings)}"


def _not_shown(stages: tuple[Stage, ...], settings: Settings) -> list[str]:
    """Why a stage has no number; a descent that lacks it for the reason the level one does is not said twice."""
    level = {(s.configuration, s.start, s.stop): s.reason for s in stages if s.sink == 0.0}
    return [
        f"Not shown: {s.configuration}, {say(s.start, 'speed', settings)} to {say(s.stop, 'speed', settings)}, "
        f"{_path(s, settings)}: {s.reason}."
        for s in stages
        if s.reason and (s.sink == 0.0 or s.reason != level.get((s.configuration, s.start, s.stop)))
    ]


def _say_stage(stage: Stage, engine: str, settings: Settings) -> str:
    return (
        f"From {say(stage.start, 'speed', settings)} to {say(stage.stop, 'speed', settings)}, {stage.configuration}, {_path(stage, settings)}: "
        f"{say(stage.time, 'time', settings)}, {say(stage.distance, 'distance', settings)} through the air ({stage.rests_on}; {engine})."
    )


def _say_trials(trials: tuple[SlowTrial, ...]) -> str:
    errors = np.array([t.predicted / t.measured - 1 for t in trials])
    known = errors[np.isfinite(errors)]
    if not len(known):
        return "No recorded slow-down could be predicted from the others."
    return (
        f"Recorded slow-downs predicted from the others: {len(known)}, time {round(100 * float(np.median(known))):+d} % in the middle, "
        f"at most {100 * float(np.max(np.abs(known))):.0f} % off; {_say_held(trials)}"
    )


def _say_held(trials: tuple[SlowTrial, ...]) -> str:
    """How many of the bands hold the measured time; steep descents, where the speed might not fall, have none."""
    banded = [t for t in trials if t.band.is_known]
    text = f"the bands hold {sum(t.holds for t in banded)} of {len(banded)}"
    without = len(trials) - len(banded)
    return f"{text}, {without} in steep descents without any." if without else f"{text}."


def _stage_table(stages: tuple[Stage, ...]) -> Table:
    columns = (
        Column("configuration", "configuration"), Column("from", "from", "speed"), Column("to", "to", "speed"),
        Column("sink", "sink", "vertical_speed"), Column("time", "time", "time"), Column("distance", "through the air", "distance"),
        Column("rests_on", "rests on"), Column("not_shown", "not shown because"),
    )  # fmt: skip
    width = len(columns) if any(s.reason for s in stages) else len(columns) - 1
    rows = tuple(
        (Cell(s.configuration), Cell(s.start), Cell(s.stop), Cell(s.sink), cell_of(s.time, s.used), cell_of(s.distance, s.used),
         Cell(s.rests_on), Cell(s.reason))[:width]
        for s in stages
    )  # fmt: skip
    return Table(
        "Time and distance",
        columns[:width],
        rows,
        "standard mass unless given; distance through the air: wind moves it over the ground",
    )


def _predicted(trial: SlowTrial) -> Cell:
    return cell_of(trial.band) if trial.band.is_known else Cell(trial.predicted)


def _trial_table(trials: tuple[SlowTrial, ...]) -> Table:
    columns = (
        Column("sortie", "sortie"), Column("configuration", "configuration"), Column("from", "from", "speed"), Column("to", "to", "speed"),
        Column("predicted", "predicted", "time"), Column("measured", "measured", "time"), Column("rests_on", "predicted from"),
    )  # fmt: skip
    rows = tuple(
        (Cell(t.reference.sortie, origin=(t.reference,)), Cell(t.configuration), Cell(t.start), Cell(t.stop), _predicted(t),
         Cell(t.measured), Cell(t.rests_on))
        for t in trials
    )  # fmt: skip
    return Table("Recorded slow-downs, each predicted from the others", columns, rows)


def _figure(models: tuple[Slowing, ...]) -> Figure:
    series = []
    for model in models:
        if not model.runs:
            continue
        name = configuration_of(model.key)
        x = tuple(float(v) for r in model.runs for v in r.speed)
        y = tuple(float(v) for r in model.runs for v in r.steepness)
        origin = tuple(r.reference for r in model.runs for _ in r.speed)
        series.append(Series(name, x, y, "points", origin=origin, pair=name))
        speeds = np.linspace(*model.speeds, CURVE)
        curve = model.steepness(speeds, 1.0)
        series.append(Series(f"{name}: fit", tuple(map(float, speeds)), tuple(map(float, curve)), "line", pair=name))
    return Figure("Drag less thrust over weight while slowing down", Axis("equivalent airspeed", "speed"), Axis("drag less thrust over weight", "ratio"),
                  tuple(series), "each dot some two seconds of a run")  # fmt: skip


def run(evidence: Evidence) -> Sheet:
    """The answer as a sheet."""
    return sheet_of(reduce_slow_down(evidence), evidence.settings)
