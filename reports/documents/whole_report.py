"""The programme's report: every reduction with its pictures, tables, cautions and what was left out."""

from __future__ import annotations

from typing import Any

from ..reductions.charts import draw
from ..reductions.evidence import Evidence
from ..reductions.present import context_of, counted
from ..reductions.registry import REDUCTIONS


def report_context(evidence: Evidence) -> dict[str, Any]:
    """The report's data, display units; pictures are drawings."""
    chapters = []
    for reduction in REDUCTIONS:
        context = context_of(reduction.run(evidence), evidence.settings)
        chapters.append(
            {
                "question": reduction.question,
                "title": context["title"],
                "statements": context["statements"],
                "cautions": context["cautions"],
                "missing": context["missing"],
                "tables": [table for table in context["tables"] if table["rows"]],
                "pictures": [draw(figure, width_in=6.4, height_in=2.9) for figure in context["figures"]],
                "notes": [figure["note"] for figure in context["figures"]],
                "left_out": [f"{one['what']}: {one['reason']}" for one in context["left_out"]],
                "rests_on": f"{counted(len(context['used']), 'point or stretch', 'points and stretches')} of {counted(context['flights'], 'flight')}",
            }
        )
    return {
        "title": "Flight test report",
        "aircraft": evidence.aircraft or "aircraft not named",
        "flights": list(evidence.sorties),
        "points": len(evidence.points),
        "settings_hash": evidence.settings.digest(),
        "chapters": chapters,
    }
