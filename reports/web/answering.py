"""What an answer did, as plain values."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ..listing import utc_text

if TYPE_CHECKING:
    from ...store.answers import AnswerReport, Change


def answer_context(report: AnswerReport) -> dict[str, Any]:
    """The question, its value, and per sortie what changed."""
    failed = [one for one in report.report.sorties if one.status == "failed"]
    return {
        "question": report.question.text,
        "value": str(report.value),
        "profile": report.profile,
        "changes": [_change(one) for one in report.changes],
        "failed": [{"sortie": one.sortie, "error": one.error.text() if one.error else ""} for one in failed],
        "missing": list(report.missing),
    }


def _change(change: Change) -> dict[str, Any]:
    before, after = change.before, change.after
    return {
        "sortie": change.sortie,
        "is_new": before.start_utc is None,
        "rows": [before.rows, after.rows],
        "channels": [len(before.channels), len(after.channels)],
        "points": [before.points, after.points],
        "gained": sorted(after.channels - before.channels),
        "lost": sorted(before.channels - after.channels),
        "start": [utc_text(before.start_utc), utc_text(after.start_utc)],
    }
