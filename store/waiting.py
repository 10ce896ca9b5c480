"""Who waits says so: a writer that finds another one at work tells the face above, then goes on waiting."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

Tell = Callable[[str], None]

_TELL: ContextVar[Tell | None] = ContextVar("tell", default=None)


@contextmanager
def tell_waits(tell: Tell) -> Iterator[None]:
    """Inside the block, `tell(text)` is called when something has to be waited for."""
    token = _TELL.set(tell)
    try:
        yield
    finally:
        _TELL.reset(token)


def tell_wait(text: str) -> None:
    """Tell what is waited for, when anybody wants to know."""
    tell = _TELL.get()
    if tell is not None:
        tell(text)
