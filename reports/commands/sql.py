"""`trimshot sql`: one SELECT over the programme, read only."""

from __future__ import annotations

from pathlib import Path

import click

from ..frames import emit_grid
from ..grid import grid_of_frame
from .options import Duration, output_options, programme_of, programme_option


@click.command()
@click.argument("statement")
@click.option("--time-limit", type=Duration(), default="60s", metavar="DURATION", help="Ended after this time.")
@output_options
@programme_option
@click.pass_context
def sql(
    ctx: click.Context, statement: str, time_limit: float, form: str, out: Path | None, programme: Path | None
) -> None:
    """Answer one SELECT over the programme's views; nothing can be written, no other file is seen.

    Values are SI; `kt(95)` is 95 knots in SI, `in_kt(x)` tells an SI value in knots. The views stand
    in the reference.

        trimshot sql "SELECT flap, count(*), in_kt(avg(mean)) FROM point_statistics WHERE channel = 'calibrated_airspeed' GROUP BY flap"
    """
    frame = programme_of(ctx, programme).sql(statement, time_limit_s=time_limit)
    emit_grid(grid_of_frame(frame, None), form, out, note=f"{len(frame)} rows" if form == "table" else None)
