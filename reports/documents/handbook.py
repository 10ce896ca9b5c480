"""The handbook draft: speeds and performance by configuration with bands and conditions, from the reductions' sheets."""

from __future__ import annotations

from typing import Any

from ..reductions.evidence import Evidence
from ..reductions.present import context_of, counted, say
from ..reductions.registry import REDUCTIONS
from ..reductions.sheet import Sheet

# reduction -> heading in the handbook, how many of its tables (the first ones) belong there
SECTIONS: tuple[tuple[str, str, int], ...] = (
    ("calibration", "Airspeed correction", 1),
    ("stalls", "Stall speeds", 1),
    ("drag", "Glide", 2),
    ("increments", "What gear, flaps and propeller add", 1),
    ("windmilling", "Engine speed with the throttle closed", 1),
    ("slow-down", "Slowing down", 1),
    ("approach", "Approach without power", 1),
    ("landings", "Landing", 1),
    ("climb", "Climb", 3),
    ("level", "Level flight", 1),
)


def handbook_context(evidence: Evidence) -> dict[str, Any]:
    """The draft's data, display units: a section per reduction that has something to say, and those that have not."""
    known = {one.name: one for one in REDUCTIONS}
    sections, empty = [], []
    for name, heading, most in SECTIONS:
        if name not in known:
            continue
        sheet = known[name].run(evidence)
        section = _section(sheet, heading, most, evidence)
        if section is None:
            empty.append({"heading": heading, "missing": list(sheet.missing) or ["nothing measured"]})
        else:
            sections.append(section)
    settings = evidence.settings
    mass = evidence.standard_mass
    return {
        "title": "Speeds and performance",
        "aircraft": evidence.aircraft or "aircraft not named",
        "conditions": (
            f"Stated at {say(mass, 'mass', settings)} where it says so, else as flown; "
            f"{counted(len(evidence.points), 'stabilised point')} of {counted(len(evidence.sorties), 'flight')}; "
            f"settings {settings.digest()}"
        ),
        "sections": sections,
        "empty": empty,
    }


def _section(sheet: Sheet, heading: str, most: int, evidence: Evidence) -> dict[str, Any] | None:
    context = context_of(sheet, evidence.settings)
    tables = [table for table in context["tables"] if table["rows"]][:most]
    if not tables and not context["statements"]:
        return None
    return {
        "heading": heading,
        # all of them: a configuration that went unsaid would look as if it had not been measured
        "statements": context["statements"],
        "tables": tables,
        "cautions": context["cautions"],
        "rests_on": f"{counted(len(sheet.used), 'point or stretch', 'points and stretches')} of {counted(context['flights'], 'flight')}",
    }
