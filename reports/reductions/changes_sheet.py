"""The sheet of what changed between two flights or groups of flights."""

from __future__ import annotations

from ...shared.settings import Settings
from .bands import Band
from .changes import COMPARED, HEIGHT_WINDOW, SPEED_WINDOW, ChangesResult, Difference, reduce_changes
from .changes_metadata import MetadataChange, metadata_changes
from .evidence import Evidence
from .present import counted, probability_text, say
from .sheet import Axis, Cell, Column, Figure, Series, Sheet, Table, cell_of


def run(evidence: Evidence) -> Sheet:
    """The reduction and its sheet."""
    result = reduce_changes(evidence)
    written = metadata_changes(evidence, result.before[-1], result.after[0]) if result.before and result.after else ()
    return sheet_of(result, written, evidence.settings)


def sheet_of(result: ChangesResult, written: tuple[MetadataChange, ...], settings: Settings) -> Sheet:
    """The result as sentences, a picture and tables."""
    missing = []
    if not result.before or not result.after:
        missing.append("two flights with accepted points")
    elif not result.differences:
        missing.append(
            f"points of one condition, within {say(SPEED_WINDOW, 'speed', settings)} and "
            f"{say(HEIGHT_WINDOW, 'altitude', settings)} of each other, on both sides"
        )
    cautions = ["Points at one moment share the air: what all of them show may be the day and not the aircraft."]
    if result.differences and not result.has_flight_scatter:
        cautions.append("Neither side has three flights: how much flights differ by themselves is not in these bands.")
    return Sheet(
        "changes",
        f"What changed: {_names(result.before)} to {_names(result.after)}",
        statements=tuple(_statements(result, written, settings)),
        figures=_figures(result),
        tables=(*(_table(result, quantity) for quantity in _quantities(result)), _written(written)),
        cautions=tuple(cautions),
        missing=tuple(missing),
        used=tuple(dict.fromkeys(one for d in result.differences for one in d.origin)),
        left_out=result.left_out,
        facts={"before": list(result.before), "after": list(result.after)},
    )


def _names(sorties: tuple[str, ...]) -> str:
    if len(sorties) <= 2:
        return " and ".join(sorties) or "nothing"
    return f"{len(sorties)} flights ({sorties[0]} to {sorties[-1]})"


def _statements(result: ChangesResult, written: tuple[MetadataChange, ...], settings: Settings) -> list[str]:
    seen = [one for one in result.differences if one.seen]
    out = []
    if result.differences:
        out.append(
            f"{counted(len(seen), 'difference stands out', 'differences stand out')} of "
            f"{counted(len(result.differences), 'comparison')} (false discovery rate 5 %)."
        )
    out += [
        f"{one.words}, {one.condition} at {say(one.airspeed, 'speed', settings)}: {said_difference(one, settings)} from "
        f"{_before(one, settings)} "
        f"({counted(one.pairs, 'matched point')}, {_chance(one.p_value)})."
        for one in seen[:8]
    ]
    if written:
        out.append(f"{counted(len(written), 'thing')} recorded or written down differently: see the last table.")
    return out


def _chance(p_value: float) -> str:
    """How often chance alone would show as much, in the usual letter p."""
    text = probability_text(p_value)
    return f"p {text}" if text.startswith("below") else f"p = {text}"


def _before(one: Difference, settings: Settings) -> str:
    if one.quantity not in settings_quantities():
        return f"{one.before:.1f} V"
    return say(one.before, one.quantity, settings, difference=one.quantity == "temperature")


def settings_quantities() -> frozenset[str]:
    """Quantities of the comparisons that have a display unit."""
    return frozenset(quantity for _, quantity, _ in COMPARED.values() if quantity != "voltage")


def said_difference(one: Difference, settings: Settings) -> str:
    """'+0.7 ± 0.3 deg': a difference with its sign, band and unit."""
    if one.quantity not in settings_quantities():
        return f"{one.difference.value:+.2f} ± {one.difference.half_width:.2f} V"
    text = say(one.difference, one.quantity, settings, difference=True)
    return text if text.startswith("-") else f"+{text}"


def _quantities(result: ChangesResult) -> list[str]:
    return list(dict.fromkeys(one.quantity for one in result.differences))


def _table(result: ChangesResult, quantity: str) -> Table:
    own = [(i + 1, one) for i, one in enumerate(result.differences) if one.quantity == quantity]
    known = None if quantity == "voltage" else quantity
    columns = (
        Column("rank", "rank", "count"),
        Column("channel", "of"),
        Column("condition", "condition"),
        Column("airspeed", "at", "speed"),
        Column("before", "before", known, difference=quantity == "temperature"),  # a rise above the air
        Column("difference", "after less before", known, difference=True),
        Column("p_value", "p", "probability"),
        Column("seen", "stands out"),
        Column("pairs", "matched points", "count"),
    )
    rows = tuple(
        (
            Cell(rank), Cell(one.words), Cell(one.condition), Cell(one.airspeed), Cell(one.before),
            cell_of(one.difference, one.origin), Cell(one.p_value), Cell("yes" if one.seen else "no"), Cell(one.pairs),
        )
        for rank, one in own
    )  # fmt: skip
    return Table(
        f"Differences of {own[0][1].words}"
        if len({o.words for _, o in own}) == 1
        else f"Differences ({quantity.replace('_', ' ')})",
        columns,
        rows,
    )


def _figures(result: ChangesResult) -> tuple[Figure, ...]:
    shown = [one for one in result.differences if one.difference.standard_uncertainty > 0][:12]
    if not shown:
        return ()
    scaled = [_in_sigmas(one.difference) for one in shown]
    return (
        Figure(
            "The surest differences, in their own standard uncertainties",
            Axis("rank in the tables, the surest first"),
            Axis("difference / standard uncertainty"),
            (
                Series(
                    "differences",
                    tuple(float(i) for i in range(len(shown))),
                    tuple(b.value for b in scaled),
                    y_low=tuple(b.low for b in scaled),
                    y_high=tuple(b.high for b in scaled),
                ),
            ),
            "Bars are k = 2; one that reaches zero is no difference.",
            tuple(str(i + 1) for i in range(len(shown))),
        ),
    )


def _in_sigmas(band: Band) -> Band:
    one = band.standard_uncertainty
    return Band(band.value / one, band.low / one, band.high / one, "1")


def _written(written: tuple[MetadataChange, ...]) -> Table:
    columns = (Column("what", "what"), Column("before", "before"), Column("after", "after"))
    rows = tuple((Cell(one.what), Cell(one.before), Cell(one.after)) for one in written)
    return Table(
        "Recorded or written down differently", columns, rows, "The last flight before against the first after."
    )
