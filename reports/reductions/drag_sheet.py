"""The sheet of sink and drag by condition: sink against airspeed, polars, best speeds."""

from __future__ import annotations

from functools import partial

import numpy as np

from ...shared.settings import Settings
from .bands import UNKNOWN, Band, band_of
from .calibration_sheet import speeds_inside
from .conditions import STOPPED
from .drag import ConditionDrag, DragResult, braking_of, density_altitude_near, reduce_drag, sink_at_standard
from .evidence import Evidence, inferred_note, references_of
from .instruments_sheet import instrument_cautions, instrument_statements
from .next_points import indicated_for
from .polar_fit import PolarFit, lift_and_drag_areas
from .polar_layout import LIKE_K
from .present import counted, range_text, say
from .propeller import density_ratio_of
from .repeatability import Repeatability, repeatability_of
from .repeatability_sheet import repeatability_statements, repeatability_table
from .sheet import Axis, Cell, Column, Figure, Sheet, Table, banded_curve, cell_of, dots


def run(evidence: Evidence) -> Sheet:
    """The reduction and its sheet."""
    result = reduce_drag(evidence)
    used = {origin.sortie for one in result.conditions for origin in one.origin}
    return sheet_of(result, evidence.settings, inferred_note(evidence, used))


def sheet_of(result: DragResult, settings: Settings, notes: tuple[str, ...] = ()) -> Sheet:
    """The result as sentences, pictures and tables. notes: what to know of the flights used."""
    cautions = list(notes) + (instrument_cautions(result.instruments, settings) if result.conditions else [])
    repeats = repeatability_of(result)
    if any(one.condition.propulsion == "idle" for one in result.conditions):
        cautions.append(
            "Measured with the engine idling: the propeller's drag or rest of thrust is in these numbers, and idle is not "
            "engine-off. A windmilling or stopped propeller sinks differently."
        )
    return Sheet(
        "drag",
        "Sink and drag by configuration",
        statements=(*_statements(result, settings), *repeatability_statements(repeats, settings)),
        figures=_figures(result),
        tables=(
            _sinks(result, settings),
            _polars(result),
            _best(result, settings),
            *_repeats(repeats, settings),
            _points(result),
        ),
        cautions=tuple(cautions),
        missing=tuple(_missing(result, settings)),
        used=tuple(origin for one in result.conditions for origin in one.origin),
        left_out=result.left_out,
        facts={"standard_mass_kg": result.standard_mass, "density_altitude_m": result.density_altitude},
    )


def _missing(result: DragResult, settings: Settings) -> list[str]:
    texts = [f"{one.condition.configuration}: {one.fit}" for one in result.conditions if isinstance(one.fit, str)]
    if not result.conditions:
        texts.append("accepted glides with a known mass and a known configuration")
    elif settings.aircraft.wing_area is None:
        texts.append("aircraft.wing_area in settings.toml: drag is told as area, not as coefficients")
    return texts


def sink_stated(one: ConditionDrag, result: DragResult, speed: float) -> Band:
    """Sink [m/s] of a condition at an equivalent airspeed [m/s], at the mass and density the result is stated at."""
    return one.sink_at(speed, result.standard_mass, density_ratio=result.density_ratio)


def _statements(result: DragResult, settings: Settings) -> list[str]:
    out = []
    for one in result.conditions:
        if isinstance(one.fit, str):
            continue
        low, high = one.speeds(result.standard_mass)
        text = (
            f"{one.condition.configuration}: {say(sink_stated(one, result, (low + high) / 2), 'vertical_speed', settings)} "
            f"at {say((low + high) / 2, 'speed', settings)}"
        )
        if one.best_glide_speed.is_known:
            text += (
                f"; best glide {say(one.best_glide_ratio, 'ratio', settings)} at "
                f"{say(one.best_glide_speed, 'speed', settings)}"
            )
        elif one.not_reached:
            text += f"; {one.not_reached[0]}"
        out.append(f"{text} ({counted(len(one.points), 'point')}, {counted(one.flights, 'flight')}).")
    if out:
        out.append(
            f"Stated at {say(result.standard_mass, 'mass', settings)} and {say(result.density_altitude, 'altitude', settings)} "
            "density altitude; calibrated airspeed."
        )
    speeds = {
        (one.condition.gear, one.condition.flap): one.points["calibrated_airspeed"].mean() for one in result.conditions
    }
    return [
        *out,
        *_airframe_statement(result, settings),
        *instrument_statements(result.instruments, speeds.items(), settings),
        *_density_statements(result, settings),
    ]


def _airframe_statement(result: DragResult, settings: Settings) -> list[str]:
    """What can be told of the airframe's own drag: no glide is flown without a propeller."""
    fitted = [one for one in result.conditions if one.parasite_area.is_known]
    if not fitted:
        return []
    clean = min(fitted, key=lambda one: one.parasite_area.value)
    area = say(clean.parasite_area, "area", settings)
    stopped = [one for one in fitted if one.condition.propulsion == STOPPED]
    if not stopped:
        return [
            f"The airframe's own drag is not told: {area} of drag area at no lift ({clean.condition.configuration}) is airframe and propeller "
            "together, and an idling engine may brake or still pull. Glides with the propeller stopped or feathered would part them as far as "
            "can be; `increments` has what one way of turning adds to another."
        ]
    least = min(stopped, key=lambda one: one.parasite_area.value)
    return [
        f"With the propeller stopped ({least.condition.configuration}) the drag area at no lift is {say(least.parasite_area, 'area', settings)}: "
        "the airframe's own and that of blades standing still, which no glide parts from it. What the turning propeller adds to it or "
        "pulls stands in `increments`."
    ]


def _density_statements(result: DragResult, settings: Settings) -> list[str]:
    """What the glides tell of a propeller that brakes otherwise in thicker air, for each way it turns."""
    out = []
    for state, density in sorted({braking_of(one.condition): one.density for one in result.conditions}.items()):
        tenth = band_of(density.slope / 10, density.error / 10, unit="m2")
        own = np.concatenate(
            [density_ratio_of(one.points) for one in result.conditions if braking_of(one.condition) == state]
        )
        heights = range_text(
            density_altitude_near(float(own.max())), density_altitude_near(float(own.min())), "altitude", settings
        )
        if density.told:
            out.append(
                f"{state}: in air thinner by a tenth of sea level's density the drag area is {say(tenth, 'area', settings)} larger, "
                f"told by glides from {heights} density altitude; it is taken out of every glide."
            )
        else:
            out.append(
                f"{state}: what thinner air does to the propeller's drag is not told by these glides, flown from {heights} "
                f"density altitude (drag area {say(tenth, 'area', settings)} larger for a tenth of sea level's density): glides of one "
                "configuration some thousands of feet apart would tell it."
            )
    return out


def _figures(result: DragResult) -> tuple[Figure, ...]:
    if not result.conditions:
        return ()
    sink, residual = [], []
    for one in result.conditions:
        name = one.condition.configuration
        speed, value, error = sink_at_standard(one.points, result.standard_mass, density_ratio=result.density_ratio)
        sink.append(dots(name, speed, value, half=2 * error, origin=one.origin))
        if isinstance(one.fit, PolarFit):
            span = one.speeds(result.standard_mass)
            sink.append(banded_curve(f"{name}, fitted", span, partial(sink_stated, one, result), pair=name))
            lift, area, own = lift_and_drag_areas(one.points)
            left = (area - one.fit.at(lift)) / area
            residual.append(dots(name, speed, left, half=2 * own / area, origin=one.origin))
    figures = [
        Figure(
            "Sink at standard mass and the density altitude told above",
            Axis("calibrated airspeed", "speed"),
            Axis("sink", "vertical_speed"),
            tuple(sink),
            "Curves run only between the slowest and the fastest point of their condition; shaded, k = 2.",
        )
    ]
    if residual:
        figures.append(
            Figure(
                "What the points leave over: drag area less the curve's, as a share of it",
                Axis("calibrated airspeed", "speed"),
                Axis("residual", "share", difference=True),
                tuple(residual),
            )
        )
    return tuple(figures)


def _sinks(result: DragResult, settings: Settings) -> Table:
    columns = (
        Column("condition", "configuration"),
        Column("speed", "calibrated airspeed", "speed"),
        Column("sink", "sink", "vertical_speed"),
        Column("ratio", "glide ratio", "ratio"),
    )
    rows = []
    for one in result.conditions:
        if isinstance(one.fit, str):
            continue
        for speed in speeds_inside(*one.speeds(result.standard_mass), settings):
            sink = sink_stated(one, result, speed)
            ratio = glide_ratio(sink, speed / result.density_ratio**0.5)
            rows.append(
                (Cell(one.condition.configuration), Cell(speed), cell_of(sink, one.origin), cell_of(ratio, one.origin))
            )
    return Table(
        "Sink at standard mass and the density altitude told above",
        columns,
        tuple(rows),
        "Density altitude: see above; the option density_altitude states it at another one the glides reach. What density does to "
        "the propeller's drag is in it, with its uncertainty.",
    )


def glide_ratio(sink: Band, true_airspeed: float) -> Band:
    """Distance over height of a sink [m/s] at a true airspeed [m/s], wings level and no wind."""
    if not sink.is_known or sink.low <= 0:
        return UNKNOWN
    values = [(true_airspeed**2 - w**2) ** 0.5 / w for w in (sink.value, sink.high, sink.low)]
    return Band(values[0], values[1], values[2], "1")


def _polars(result: DragResult) -> Table:
    columns = (
        Column("condition", "configuration"),
        Column("points", "points", "count"),
        Column("flights", "flights", "count"),
        Column("area", "drag area at no lift", "area"),
        Column("cd0", "CD0", "ratio"),
        Column("k", "K", "ratio"),
        Column("k_told", "K told by its flap setting's own glides", "share"),
    )
    rows = tuple(
        (
            Cell(one.condition.configuration), Cell(len(one.points)), Cell(one.flights), cell_of(one.parasite_area, one.origin),
            cell_of(one.zero_lift_coefficient, one.origin), cell_of(one.induced_factor, one.origin),
            Cell(one.fit.told if isinstance(one.fit, PolarFit) else None),
        )
        for one in result.conditions
    )  # fmt: skip
    return Table(
        "Polars, CD = CD0 + K CL²",
        columns,
        rows,
        "Apparent: drag less thrust. Conditions with one flap setting share K; what its glides do not tell of it is taken from "
        f"the other flap settings, whose K is thought to be alike within {100 * LIKE_K:.0f} % (one standard deviation). "
        "Bands hold airspeed, mass, sink and temperature.",
    )


def _best(result: DragResult, settings: Settings) -> Table:
    columns = (
        Column("condition", "configuration"),
        Column("best_glide", "best glide at", "speed"),
        Column("best_glide_shown", "shown on the indicator as", "speed"),
        Column("best_ratio", "ratio", "ratio"),
        Column("least_sink_at", "least sink at", "speed"),
        Column("least_sink", "least sink", "vertical_speed"),
        Column("not_reached", "not stated"),
    )
    rows = tuple(
        (
            Cell(one.condition.configuration), cell_of(one.best_glide_speed, one.origin),
            _shown(one, result, settings), cell_of(one.best_glide_ratio, one.origin),
            cell_of(one.least_sink_speed, one.origin), cell_of(one.least_sink, one.origin), Cell("; ".join(one.not_reached)),
        )
        for one in result.conditions
        if isinstance(one.fit, PolarFit)
    )  # fmt: skip
    return Table("Speeds", columns, rows, "Only where the measured speeds lie on both sides.")


def _shown(one: ConditionDrag, result: DragResult, settings: Settings) -> Cell:
    """Indicated airspeed at best glide: less the correction found here, or by the settings' table."""
    speed = one.best_glide_speed.value
    if not one.best_glide_speed.is_known:
        return Cell(None)
    if result.instruments.airspeed is not None:
        speed -= result.instruments.airspeed.correction(one.condition.gear, one.condition.flap, speed).value
    return Cell(indicated_for(speed, settings.aircraft))


def _repeats(found: Repeatability | None, settings: Settings) -> tuple[Table, ...]:
    return () if found is None else (repeatability_table(found, settings),)


def _points(result: DragResult) -> Table:
    columns = (
        Column("sortie", "sortie"),
        Column("number", "point", "count"),
        Column("condition", "configuration"),
        Column("calibrated", "airspeed as flown", "speed"),
        Column("altitude", "pressure altitude", "altitude"),
        Column("mass", "mass", "mass"),
        Column("as_flown", "sink as flown", "vertical_speed"),
        Column("standard", "sink at standard", "vertical_speed"),
        Column("correction", "of it speed change", "vertical_speed", difference=True),
    )
    rows = []
    for one in result.conditions:
        _, sink, error = sink_at_standard(one.points, result.standard_mass, density_ratio=result.density_ratio)
        for index, row in enumerate(one.points.to_dict("records")):
            origin = references_of(one.points.iloc[[index]])
            own = 2 * float(row["sink_rate_error"] or 0.0)
            correction = float(row["sink_rate"]) + float(row.get("geometric_climb_rate", float("nan")))
            rows.append(
                (
                    Cell(str(row["sortie"])), Cell(int(row["number"])), Cell(one.condition.configuration),
                    Cell(float(row["calibrated_airspeed"])), Cell(float(row.get("pressure_altitude", float("nan")))),
                    Cell(float(row["mass"])), Cell(float(row["sink_rate"]), row["sink_rate"] - own, row["sink_rate"] + own, origin),
                    Cell(float(sink[index]), float(sink[index] - 2 * error[index]), float(sink[index] + 2 * error[index]), origin),
                    Cell(correction),
                )
            )  # fmt: skip
    return Table(
        "Points",
        columns,
        tuple(rows),
        "Sink is corrected for speed change; the last column says how much of it that was.",
    )
