"""The reference page: every command, channel, unit, finding code, setting and reader, from the code itself.

`docs/reference.md` is this page's text; a test holds the two equal, so nothing can go undocumented.
"""

from __future__ import annotations

from collections.abc import Iterator
from inspect import cleandoc
from typing import TYPE_CHECKING, Any

import click

from ..ingest.registry import ADAPTERS
from ..shared.codes import CODES
from ..shared.criteria_presets import PRESETS
from ..shared.settings import DISPLAY_DEFAULTS, Settings
from ..shared.units import SI, UNITS, from_si
from ..shared.vocabulary import CHANNELS
from ..store.schema import view_table
from ..store.units import unit_function_table
from ..store.views import SAMPLES_COMMENT
from .cli import COMMANDS, trimshot
from .display import number
from .reductions.registry import REDUCTIONS

if TYPE_CHECKING:
    from pydantic import BaseModel


def reference_page() -> str:
    """The whole page as Markdown."""
    parts = [
        "# Reference",
        "Made from the program by `trimshot reference`; a test fails when this page and the program differ.",
        *_section("Commands", _commands()),
        *_section("Reductions", _reductions()),
        *_section("Readers", _readers()),
        *_section("Channels", _channels()),
        *_section("Unit functions", _unit_functions()),
        *_section("Views for SQL", _views()),
        *_section("Units a log may spell", _units()),
        *_section("Settings", _settings()),
        *_section("Criteria", _criteria()),
        *_section("Finding codes", _codes()),
    ]
    return "\n\n".join(parts) + "\n"


def _section(title: str, body: Iterator[str]) -> list[str]:
    return [f"## {title}", *body]


def _table(head: tuple[str, ...], rows: Iterator[tuple[str, ...]]) -> str:
    lines = [" | ".join(head), " | ".join("---" for _ in head)]
    lines += [" | ".join(cell.replace("|", "\\|") for cell in row) for row in rows]
    return "\n".join(f"| {line} |" for line in lines)


def _commands() -> Iterator[str]:
    yield "`trimshot [--programme DIR] COMMAND`; every command ends with code 0, or 2 and one readable line; `check` with 1 when something is wrong."
    context = click.Context(trimshot, info_name="trimshot")
    for name in COMMANDS:
        command = trimshot.get_command(context, name)
        if command is None:
            continue
        options = "\n".join(
            f"- `{', '.join(p.opts)}` {p.help or ''}" for p in command.params if isinstance(p, click.Option)
        )
        arguments = " ".join(p.make_metavar(context) for p in command.params if isinstance(p, click.Argument))
        text = cleandoc(command.help or "")  # docstrings keep their indentation before Python 3.13
        yield f"### `trimshot {name}{' ' + arguments if arguments else ''}`"
        yield text
        if options:
            yield options


def _reductions() -> Iterator[str]:
    yield "`trimshot reduce NAME`; an option is given as `--with OPTION=VALUE`, quantities with their unit."
    rows = (
        (
            f"`{one.name}`",
            one.question,
            "; ".join(f"`{option.name}`: {option.meaning}" for option in one.options) or "–",
        )
        for one in REDUCTIONS
    )
    yield _table(("reduction", "answers", "options"), rows)


def _readers() -> Iterator[str]:
    yield _table(("reader", "version", "what it reads"), ((a.name, str(a.version), _first_line(a)) for a in ADAPTERS))


def _first_line(thing: object) -> str:
    return (type(thing).__doc__ or "").strip().splitlines()[0]


def _channels() -> Iterator[str]:
    yield (
        "Samples are held in the SI unit; listings and pages show the unit in the last column unless the settings choose"
        " another. A numbered channel has `_1`, `_2` ... behind its name. A column no channel fits is kept as `raw_` and its header."
    )
    rows = (
        (f"`{c.name}{'_n' if c.numbered else ''}`", c.unit or "word", c.meaning, c.display or "–")
        for c in CHANNELS.values()
    )
    yield _table(("channel", "SI unit", "meaning", "shown in"), rows)


def _unit_functions() -> Iterator[str]:
    yield "In a condition, `kt(95)` is 95 knots in SI. Channels stay as they are: `indicated_airspeed > kt(95)`."
    yield _table(("function", "unit", "kind of quantity"), ((f"`{f}`", u, k) for f, u, k in unit_function_table()))


def _views() -> Iterator[str]:
    yield (
        "`trimshot sql` answers one SELECT over these. They lie in `programme.duckdb`, so any DuckDB client sees them, with"
        " a comment on every column; `samples` alone is there in `trimshot sql` and `Programme.sql` only, elsewhere write"
        " `samples_in('FOLDER')` with the programme's folder. Values are SI: `kt(95)` is 95 knots in SI, and in `trimshot"
        " sql` `in_kt(x)` is an SI value in knots, so for every unit function. Nothing can be written and no other file be"
        " read; a question ends after 60 s (`--time-limit`), 2 GB of memory or 1,000,000 rows."
    )
    for name, comment, columns in view_table():
        yield f"`{name}`: {comment}."
        yield _table(("column", "meaning"), ((f"`{column}`", meaning) for column, meaning in columns))
    yield (
        "`samples`: "
        + SAMPLES_COMMENT
        + ". Columns `sortie`, `i` (row), `t` (seconds since the sortie's start), `until`"
        " (start of the next row), `gap` (data gaps before the row), then every channel above that some sortie has."
    )


def _units() -> Iterator[str]:
    yield "Compared without case, blanks and dots. A spelling not listed here is a question, never a factor of one."
    yield _table(
        ("unit", "kind", "SI unit", "spellings"),
        ((u.symbol, u.kind, SI[u.kind], ", ".join(f"`{s}`" for s in u.spellings)) for u in UNITS.values()),
    )


def _settings() -> Iterator[str]:
    yield '`settings.toml` in the programme\'s folder. Quantities are written with their unit, `"95 kt"`; an unknown key is an error.'
    yield _table(("key", "default", "meaning"), _setting_rows(Settings, ""))
    yield "Keys of `[display]`, each the unit people are shown:"
    yield _table(("key", "default"), ((f"`display.{k}`", u) for k, u in DISPLAY_DEFAULTS.items()))


def _setting_rows(model: type[BaseModel], prefix: str) -> Iterator[tuple[str, ...]]:
    for name, field in model.model_fields.items():
        inner, mark = _inner_model(field.annotation)
        path = f"{prefix}{name}{mark}"
        if inner is not None:
            yield from _setting_rows(inner, f"{path}.")
        elif path != "display":
            yield f"`{path}`", _default_text(field.default, name), field.description or "–"


def _inner_model(annotation: Any) -> tuple[type[BaseModel] | None, str]:
    from pydantic import BaseModel

    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation, ""
    for argument in getattr(annotation, "__args__", ()):
        if isinstance(argument, type) and issubclass(argument, BaseModel):
            return argument, ".NAME" if getattr(annotation, "__origin__", None) is dict else "[]"
    return None, ""


def _default_text(value: Any, name: str) -> str:
    if value is None or value == {} or value == ():
        return "–"
    for word, unit in _DEFAULT_UNITS.items():
        if word in name and isinstance(value, float):
            return f"{number(from_si(value, unit), unit)} {unit}"
    return str(value)


# words of the point criteria's keys -> the unit their default is told in
_DEFAULT_UNITS = {
    "duration": "s",
    "trend": "m/s2",
    "share": "%",
    "vertical_speed": "fpm",
    "altitude": "ft",
    "airspeed": "kt",
    "bank": "deg",
    "heading": "deg",
}


def _criteria() -> Iterator[str]:
    yield "Named sets of point criteria, for `points.preset` in the settings and `trimshot redetect --criteria`:"
    rows = (
        (f"`{name}`", ", ".join(f"`{k}` {v}" for k, v in p.values.items()) or "–", p.source)
        for name, p in PRESETS.items()
    )
    yield _table(("name", "changes", "source"), rows)


def _codes() -> Iterator[str]:
    yield _table(("code", "what it tells"), ((f"`{code}`", text) for code, text in CODES.items()))
