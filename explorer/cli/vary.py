"""The command ``vary``: what every score does as one part moves, or one score as two do."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

import typer

from explorer.cli.app import app
from explorer.cli.options import (
    BriefArgument,
    DesignOption,
    FolderOption,
    FormatOption,
    OutputFormat,
)


@app.command()
def vary(
    brief: BriefArgument,
    part: Annotated[str, typer.Argument(metavar="PART", help="The part that moves: stopper.")],
    parts: Annotated[
        list[str] | None,
        typer.Argument(metavar="[PART=VALUE]...", help="Values of the other parts."),
    ] = None,
    design: DesignOption = None,
    candidate: Annotated[
        str | None,
        typer.Option(
            "--candidate", metavar="N|NAME", help="Start from this design of the front, or pick."
        ),
    ] = None,
    over: Annotated[
        str | None, typer.Option("--over", metavar="PART", help="A second part that moves.")
    ] = None,
    score: Annotated[
        str | None,
        typer.Option("--score", help="A slow score to show too; with --over the one to show."),
    ] = None,
    low: Annotated[str | None, typer.Option("--from", help="Least value of PART.")] = None,
    high: Annotated[str | None, typer.Option("--to", help="Greatest value of PART.")] = None,
    into: FolderOption = None,
    form: FormatOption = OutputFormat.table,
) -> None:
    """Move one part along its series and show every score, limits and targets marked.

    All other parts stay as they are in the middle of the brief's ranges, or in the design that is
    given by PART=VALUE, --design or --candidate. With --into a chart is written there.

    Examples:

      stagefront vary treble-cut stopper --candidate pick

      stagefront vary treble-cut stopper plate_load=100k bypass=22u --into out

      stagefront vary treble-cut stopper --over plate_load --score gain_dB
    """
    # Imported here so that help answers at once.
    from explorer.brief.loading import load_brief
    from explorer.brief_review import WORKING_POINT
    from explorer.cli.designs import starting_design
    from explorer.cli.sweeps import default_score, show_sweep, show_two
    from explorer.formulation import formulate
    from explorer.sweep import ends_of, sweep, sweep_two

    read = load_brief(brief)
    formulation = formulate(read)
    problem = formulation.problem
    if not problem.score_names:  # a stage that is read for what it does
        problem = replace(problem, shown=WORKING_POINT)
    start = starting_design(formulation, parts or (), design, candidate, into).stage_fields()
    if over is None:
        ends = ends_of(read, part, low, high)
        moved = sweep(problem, read, start, part, *ends, score=score or "")
        show_sweep(problem, moved, into, form)
    else:
        name = score or default_score(problem)
        swept = sweep_two(problem, read, start, (part, over), name)
        show_two(problem, *swept, name, into, form)
