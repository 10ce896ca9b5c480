"""Options several commands share."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, TypeVar

import click

from ..listing import FORMATS

if TYPE_CHECKING:
    from ...store.programme import Programme

Command = TypeVar("Command", bound=Callable[..., Any])


class Duration(click.ParamType):  # type: ignore[type-arg,unused-ignore]
    """'10s', '2 min', '1.5h' or plain seconds -> seconds."""

    name = "duration"
    _SECONDS: ClassVar[dict[str, float]] = {
        "": 1.0,
        "s": 1.0,
        "sec": 1.0,
        "min": 60.0,
        "m": 60.0,
        "h": 3600.0,
        "ms": 0.001,
    }

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The duration in seconds; fails with what may be written."""
        if isinstance(value, (int, float)):
            return float(value)
        match = re.fullmatch(r"\s*(\d+(?:\.\d*)?|\.\d+)\s*([a-z]*)\s*", str(value).lower())
        if not match or match[2] not in self._SECONDS:
            self.fail(f"{value!r} is not a duration; write for example 10s, 2min or 1h", param, ctx)
        return float(match[1]) * self._SECONDS[match[2]]


def programme_option(command: Command) -> Command:
    """--programme DIR on a command; the group's own option counts when this one is absent."""
    return click.option(
        "--programme",
        type=click.Path(path_type=Path, file_okay=False),
        help="Programme folder; default: found upwards from here.",
    )(command)


def format_option(command: Command) -> Command:
    """--format table|json|csv."""
    return click.option(
        "--format", "form", type=click.Choice(FORMATS), default="table", show_default=True, help="Form of the listing."
    )(command)


def programme_of(ctx: click.Context, given: Path | None) -> Programme:
    """The programme a command works on. Raises NoProgrammeError with the way out."""
    from ...store.programme import open_programme

    return open_programme(given or ctx.find_root().obj)
