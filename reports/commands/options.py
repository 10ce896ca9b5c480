"""Options several commands share."""

from __future__ import annotations

import functools
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, TypeVar, cast

import click

from ..listing import FILE_FORMS, FORMATS

if TYPE_CHECKING:
    from ...store.engine import Engine
    from ...store.narrowing import Narrowing
    from ...store.programme import Programme

Command = TypeVar("Command", bound=Callable[..., Any])

_ENDINGS = {".csv": "csv", ".json": "json", ".parquet": "parquet", ".xlsx": "xlsx", ".txt": "table"}


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


def narrowing_options(command: Command) -> Command:
    """--within WHAT, --after KIND SPAN, --before KIND SPAN, each as often as wanted; `narrowing_of` takes the three."""
    within = click.option(
        "--within",
        multiple=True,
        metavar="WHAT",
        help="Only inside what was found: points, points:glide, phase:approach, events:gear_down, manoeuvres:turn.",
    )
    after = click.option(
        "--after",
        type=(str, Duration()),
        multiple=True,
        metavar="KIND SPAN",
        help="Only stretches that begin at most so long after such an event: gear_down 30s.",
    )
    before = click.option(
        "--before",
        type=(str, Duration()),
        multiple=True,
        metavar="KIND SPAN",
        help="Only stretches that begin at most so long before such an event.",
    )
    return within(after(before(command)))


def narrowing_of(
    within: tuple[str, ...], after: tuple[tuple[str, float], ...], before: tuple[tuple[str, float], ...]
) -> Narrowing:
    """What the three options say."""
    from ...store.narrowing import Narrowing

    return Narrowing(within, after, before)


def output_options(command: Command) -> Command:
    """--format table|json|csv|parquet|xlsx and --out FILE; the command gets `form` and `out`.

    Without --format the file's ending tells the form.
    """

    @functools.wraps(command)
    def wrapped(*words: Any, form: str | None, out: Path | None, **others: Any) -> Any:
        return command(*words, form=form or _form_of(out), out=out, **others)

    out_option = click.option(
        "--out",
        type=click.Path(path_type=Path, dir_okay=False),
        metavar="FILE",
        help="Write to this file; its ending tells the form: .csv, .json, .parquet, .xlsx, .txt.",
    )
    form_option = click.option(
        "--format", "form", type=click.Choice([*FORMATS, *FILE_FORMS]), help="Form of the listing; default: table."
    )
    return cast(Command, form_option(out_option(wrapped)))


def _form_of(out: Path | None) -> str:
    if out is None:
        return "table"
    form = _ENDINGS.get(out.suffix.lower())
    if form is None:
        raise click.UsageError(f"{out.name!r} does not tell the form: end it in {', '.join(_ENDINGS)}, or add --format")
    return form


def sortie_choice(what: str) -> Callable[[Command], Command]:
    """[SORTIE] or --sortie SORTIE, whichever way it is written; the command gets `sortie`, None for all."""

    def choice(command: Command) -> Command:
        @functools.wraps(command)
        def wrapped(*words: Any, sortie: str | None, named: str | None, **others: Any) -> Any:
            if sortie and named and sortie != named:
                raise click.UsageError(f"two sorties, {named!r} and {sortie!r}; name one, or none for all")
            return command(*words, sortie=sortie or named, **others)

        option = click.option("--sortie", help=f"{what} of this sortie alone; the same as naming it.")
        return cast(Command, click.argument("named", required=False, metavar="[SORTIE]")(option(wrapped)))

    return choice


def engine_options(command: Command) -> Command:
    """--workers N or --cluster ADDRESS on a command that can share its work out."""
    workers = click.option(
        "--workers", type=click.IntRange(min=1), metavar="N", help="Processes of this machine to share the work among."
    )
    cluster = click.option(
        "--cluster", metavar="ADDRESS", help="Scheduler of a Dask cluster that shares the work, tcp://host:port."
    )
    return workers(cluster(command))


@contextmanager
def engine_of(workers: int | None, cluster: str | None) -> Iterator[Engine]:
    """The engine these options name; who has to wait for another process is told on the error channel."""
    from ...store.engine_choice import open_engine
    from ...store.waiting import tell_waits

    with tell_waits(lambda text: click.echo(text, err=True)), open_engine(workers, cluster) as engine:
        yield engine


def programme_of(ctx: click.Context, given: Path | None) -> Programme:
    """The programme a command works on. Raises NoProgrammeError with the way out."""
    from ...store.programme import open_programme

    return open_programme(given or ctx.find_root().obj)
