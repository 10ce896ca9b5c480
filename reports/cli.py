"""The command line: `trimshot`. Commands are imported when called, so that --help answers at once."""

from __future__ import annotations

import difflib
import importlib
import sys
import tempfile
import traceback
from pathlib import Path
from types import TracebackType

import click

from ..shared.errors import TrimshotError

# command -> (module in reports/commands, what it does in one line)
COMMANDS: dict[str, tuple[str, str]] = {
    "new": ("programme", "Create a programme folder with a commented settings.toml."),
    "add": ("add", "Add a sortie's log folder (or a folder of them, or a zip)."),
    "remove": ("remove", "Take a sortie out of the programme, its kept files included."),
    "sorties": ("listings", "List the sorties of the programme."),
    "channels": ("listings", "List the channels and where they come from."),
    "points": ("listings", "List the stabilised points found, or the refused candidates."),
    "events": ("listings", "List gear, flap, RPM, power and ground events."),
    "manoeuvres": ("manoeuvres", "List turns, speed runs, oscillations, approaches to the stall, patterns."),
    "show": ("show", "Draw a sortie's time line in the terminal."),
    "find": ("find", "Find every stretch, in all sorties, where a condition holds."),
    "fetch": ("fetch", "Fetch the samples of found stretches or points, with a margin, into a file."),
    "save": ("saved", "Keep a condition under a name, asked as @NAME."),
    "saved": ("saved", "List the saved conditions."),
    "forget": ("saved", "Take a saved condition out."),
    "sql": ("sql", "Answer one SELECT over the programme, read only."),
    "read": ("read", "Show what the readers make of a file or folder; writes nothing."),
    "questions": ("questions", "List what only you can decide, each with the command that answers it."),
    "answer": ("questions", "Answer a question, once for all sorties of the recorder."),
    "ledger": ("ledger", "Show what became of every file's rows, every decision, and the raw row of a sample."),
    "reduce": ("reduce", "Reduce found points to results with bands: drag, calibration, approach, landings ..."),
    "adopt": ("adopt", "Write a measured airspeed calibration into the settings and tell what it changes."),
    "mark": ("mark", "Accept, reject, move or add a point, with your reason; what was found stays."),
    "serve": ("serve", "Show the programme in your browser, from this computer only."),
    "print": ("print", "Print the debrief page, test cards, the handbook draft or the report as PDF."),
    "report": ("report", "Write a sortie's page: one file that opens offline."),
    "check": ("check", "Check every hash and count; say what is wrong and what to do."),
    "rebuild": ("rebuild", "Make the store anew from the kept source files."),
    "redetect": ("redetect", "Find points and events anew in stored sorties, on request by published criteria."),
    "demo": ("demo", "Run the whole job on embedded demo sorties."),
    "reference": ("reference", "Print every channel, unit function, setting and finding code."),
}


class _Commands(click.Group):
    """Commands by name, imported on use; errors raised on purpose end as one line and code 2."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f".commands.{COMMANDS[cmd_name][0]}", __package__)
        command: click.Command = getattr(module, cmd_name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            near = difflib.get_close_matches(args[0], COMMANDS, n=3)
            hint = f"; did you mean: {', '.join(near)}?" if near else ""
            raise click.UsageError(f"no command {args[0]!r}{hint}; commands: {', '.join(COMMANDS)}")
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: click.Context) -> object:
        try:
            return super().invoke(ctx)
        except TrimshotError as error:
            click.echo(f"trimshot: {error.text()}", err=True)
            ctx.exit(2)
        except BrokenPipeError:
            # the reader of our output (head, less) has gone: nothing is wrong
            sys.stderr.close()
            ctx.exit(0)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "--programme",
    type=click.Path(path_type=Path, file_okay=False),
    help="Programme folder; default: found upwards from here.",
)
@click.version_option(package_name="trimshot", prog_name="trimshot")
@click.pass_context
def trimshot(ctx: click.Context, programme: Path | None) -> None:
    """Find the stabilised points and configuration events in a sortie's logs.

    Drop a sortie's log folder in, then ask across all flights. Start with `trimshot new DIR`,
    then `trimshot add FOLDER`, then `trimshot points`.
    """
    ctx.obj = programme


def main() -> None:
    """Entry point of the `trimshot` command."""
    sys.excepthook = _last_resort
    trimshot(prog_name="trimshot")


def _last_resort(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
    """A fault of the program itself: one line for the user, the traceback in a file for a report."""
    if issubclass(kind, KeyboardInterrupt):
        click.echo("trimshot: interrupted", err=True)
        return
    with tempfile.NamedTemporaryFile("w", prefix="trimshot-fault-", suffix=".txt", delete=False) as stream:
        stream.writelines(traceback.format_exception(kind, error, trace))
    click.echo(
        f"trimshot: a fault of the program, not of your input: {kind.__name__}; details in {stream.name}", err=True
    )
