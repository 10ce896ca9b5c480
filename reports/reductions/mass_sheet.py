"""The sheet of mass and centre of gravity: where in the envelope the points were flown."""

from __future__ import annotations

from .evidence import Evidence
from .mass_state import AT_THE_EDGE, MassResult, PointLoading, reduce_mass
from .present import counted, range_text, say
from .sheet import Axis, Cell, Column, Figure, Series, Sheet, Table, cell_of


def run(evidence: Evidence) -> Sheet:
    """The reduction and its sheet."""
    return sheet_of(reduce_mass(evidence), evidence)


def sheet_of(result: MassResult, evidence: Evidence) -> Sheet:
    """The result as sentences, pictures and tables."""
    return Sheet(
        "mass",
        "Mass and centre of gravity",
        statements=tuple(_statements(result, evidence)),
        figures=_figures(result, evidence),
        tables=(_flights(result), _points(result)),
        cautions=(
            "The weighing record and the limits of the aircraft's own papers rule; this is what the cards and the fuel flow say.",
        ),
        missing=result.missing,
        used=tuple(one.reference for one in result.loadings),
        left_out=result.left_out,
    )


def _statements(result: MassResult, evidence: Evidence) -> list[str]:
    settings = evidence.settings
    if not result.loadings:
        return []
    masses = [one.mass.value for one in result.loadings]
    out = [
        f"{counted(len(masses), 'point')} of {counted(len({o.reference.sortie for o in result.loadings}), 'flight')}"
        f" were flown at {range_text(min(masses), max(masses), 'mass', settings)}."
    ]
    arms = [one.arm.value for one in result.loadings if one.arm.is_known]
    if arms:
        out.append(f"The centre of gravity lay at {range_text(min(arms), max(arms), 'arm', settings)}.")
    outside = [one for one in result.loadings if one.envelope == "outside"]
    if outside:
        named = ", ".join(f"{one.reference.sortie} point {one.reference.number}" for one in outside[:6])
        more = f" and {len(outside) - 6} more" if len(outside) > 6 else ""
        out.append(
            f"{counted(len(outside), 'point lies', 'points lie')} outside the loading envelope of the settings: {named}{more}."
        )
    edge = sum(one.envelope == AT_THE_EDGE for one in result.loadings)
    if edge:
        out.append(
            f"{counted(edge, 'point lies', 'points lie')} so near its edge that the bands of mass and centre of gravity reach over it."
        )
    if not outside and any(one.envelope == "inside" for one in result.loadings):
        out.append(f"No {'other ' if edge else ''}point lies outside the loading envelope of the settings.")
    heaviest = max(result.take_off.values(), key=lambda one: one[0], default=None)
    if heaviest is not None:
        out.append(f"The heaviest take-off was at {say(heaviest[0], 'mass', settings)}.")
    return out


def _figures(result: MassResult, evidence: Evidence) -> tuple[Figure, ...]:
    known = [one for one in result.loadings if one.arm.is_known]
    if not known:
        return ()
    series = []
    for word in ("inside", AT_THE_EDGE, "outside", "not known"):
        group = [one for one in known if one.envelope == word]
        if group:
            series.append(_dots(word, group))
    corners = evidence.settings.aircraft.loading_envelope
    if len(corners) >= 3:
        ring = (*corners, corners[0])
        series.append(
            Series(
                "envelope of the settings",
                tuple(float(c.arm) for c in ring),
                tuple(float(c.mass) for c in ring),
                "line",
            )
        )
    return (
        Figure(
            "Where the points were flown",
            Axis("arm of the centre of gravity", "arm"),
            Axis("mass", "mass"),
            tuple(series),
        ),
    )


def _dots(word: str, group: list[PointLoading]) -> Series:
    label = "points" if word == "not known" else f"points {word}"
    return Series(
        label,
        tuple(one.arm.value for one in group),
        tuple(one.mass.value for one in group),
        origin=tuple(one.reference for one in group),
    )


def _flights(result: MassResult) -> Table:
    rows = []
    for sortie, (mass, arm) in sorted(result.take_off.items()):
        own = [one for one in result.loadings if one.reference.sortie == sortie]
        last = own[-1].mass if own else None
        rows.append((Cell(sortie), Cell(mass), Cell(arm), cell_of(last) if last else Cell(None), Cell(len(own))))
    columns = (
        Column("sortie", "sortie"),
        Column("take_off_mass", "take-off mass", "mass"),
        Column("take_off_arm", "CG at take-off", "arm"),
        Column("last_mass", "mass at the last point", "mass"),
        Column("points", "points", "count"),
    )
    return Table("Flights", columns, tuple(rows), "Take-off values as the test card has them.")


def _points(result: MassResult) -> Table:
    columns = (
        Column("sortie", "sortie"),
        Column("number", "point", "count"),
        Column("gear", "gear"),
        Column("mass", "mass", "mass"),
        Column("arm", "CG", "arm"),
        Column("envelope", "envelope"),
    )
    rows = tuple(
        (
            Cell(one.reference.sortie), Cell(one.reference.number), Cell(one.gear), cell_of(one.mass, (one.reference,)),
            cell_of(one.arm, (one.reference,)), Cell(one.envelope),
        )
        for one in result.loadings
    )  # fmt: skip
    # nothing to say of the centre of gravity: no columns of dashes
    width = len(columns) if any(one.arm.is_known for one in result.loadings) else len(columns) - 2
    return Table("Points", columns[:width], tuple(row[:width] for row in rows))
