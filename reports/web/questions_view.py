"""Open and answered questions as a page shows them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ...store.programme import Programme
    from ...store.questions import Asked


def questions_context(programme: Programme) -> dict[str, Any]:
    """open: to be answered; answered: with the answer the settings hold."""
    return {
        "open": [question_record(one) for one in programme.questions()],
        "answered": [question_record(one) for one in programme.questions(answered=True)],
    }


def question_record(asked: Asked) -> dict[str, Any]:
    """One question; can_answer is False where only the sortie's own files can settle it."""
    question = asked.question
    answer = asked.answer
    return {
        "id": question.id,
        "kind": question.kind,
        "text": question.text,
        "evidence": question.evidence,
        "effect": question.effect,
        "form": question.form,
        "choices": list(question.choices),
        "can_answer": bool(question.key),
        "files": list(asked.files),
        "sorties": list(asked.sorties),
        "waiting": list(asked.waiting),
        "same_layout": list(asked.same_layout),
        "answer": None if answer is None else ", ".join(answer) if isinstance(answer, list) else str(answer),
        "pending": asked.pending,
    }
