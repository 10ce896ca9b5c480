"""What a request says, checked: numbers, words of a form, a body of limited size."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import parse_qs

from starlette.requests import Request

from ...shared.errors import ConditionError

if TYPE_CHECKING:
    from ...store.programme import Programme

_FORM_BYTES = 64 * 1024


def programme_of(request: Request) -> Programme:
    """The programme this server shows."""
    programme: Programme = request.app.state.programme
    return programme


def number_in(request: Request, name: str, default: float) -> float:
    """A number of the query. Raises ConditionError for something else."""
    text = request.query_params.get(name)
    if text is None or not text.strip():
        return default
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not abs(value) < 1e15:
        raise ConditionError(f"{name} is not a number", found=repr(text[:40]))
    return value


def word_in(request: Request, name: str) -> str | None:
    """A word of the query, None when absent or empty."""
    text = request.query_params.get(name, "").strip()
    return text or None


async def form_of(request: Request) -> dict[str, str]:
    """The fields of a posted form, the first of each name. Raises ConditionError for a body that is too long."""
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > _FORM_BYTES:
            raise ConditionError("the form is too long", allowed=f"{_FORM_BYTES} bytes")
    try:
        fields = parse_qs(bytes(body).decode("utf-8"), keep_blank_values=True, max_num_fields=50)
    except (UnicodeDecodeError, ValueError):
        raise ConditionError("the form cannot be read") from None
    return {name: values[0] for name, values in fields.items()}
