"""TODO explorer.cli.assess."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from rich.table import Table

from explorer.brief.loading import load_brief
from explorer.cli.app import app
from explorer.cli.explore import _stop_if_empty
from explorer.cli.options import (
    BriefArgument,
    FolderOption,
    FormOption,
    MethodOption,
    QuietOption,
    _folder,
    _settings,
)
from explorer.cli.printing import (
    INTERRUPTED,
    Form,
    How,
    _plain_errors,
    _print_frame,
    _print_json,
    _progress,
    _signed,
    out,
)
from explorer.designs import load_design, parse_design
from objectives.devices.terms import terms_of


@app.command()
def assess(
    brief: BriefArgument,
    parts: Annotated[
        list[str] | None,
        typer.Argument(metavar="[PART=VALUE]...", help="Values of the stage's parts."),
    ] = None,
    design: Annotated[
        Path | None, typer.Option("--design", help=r"TOML file with a \[design] table instead.")
    ] = None,
    into: FolderOption = None,
    method: MethodOption = How.auto,
    form: FormOption = Form.table,
    quiet: QuietOption = False,
) -> None:
    """Assess one given stage: its scores, its standing against the front, one step in each part.

    Parts that the brief fixes may be left out.

    Examples:

      stagefront assess studio-line stopper=1k plate_load=47k \\
      cathode_resistor=470 cathode_unbypassed=330 bypass=100u

      stagefront assess my-brief.toml --design existing.toml --form json
    """
    with _plain_errors():
        from explorer.exploration import enumerable
        from explorer.exploration import explore as run
        from explorer.formulation import formulate
        from explorer.standing import assess_design

        read = load_brief(brief)
        if (design is None) == (not parts):
            raise ValueError(
                "design: neither or both ways given: expected PART=VALUE arguments or --design FILE"
            )
        given = load_design(design, read) if design is not None else parse_design(parts or (), read)
        posed = formulate(read)
        # The exact front needs no search beside it; a stored search is taken up where it stands.
        exact = method is How.exact or (
            method is How.auto and enumerable(posed.problem, read.search.exact_up_to)
        )
        with _progress(quiet) as report:
            found = run(
                posed,
                _settings(read, _folder(read, into), None, None, None),
                method="exact" if exact else "search",
                report=report,
            )
        _stop_if_empty(found)
        standing = assess_design(found, given)
    if form is Form.csv:
        _print_frame(standing.steps, form)
    elif form is Form.json:
        _print_json(
            {
                "scores": standing.scores,
                "breaks": standing.broken,
                "verdict": standing.verdict,
                "beaten_by": standing.beaten_by,
                "nearest": standing.nearest,
                "one_step": standing.steps.to_dict("records"),
            }
        )
    else:
        _print_standing(standing, found)
    if found.interrupted:
        raise typer.Exit(INTERRUPTED)


def _print_standing(standing: Any, found: Any) -> None:
    from explorer.report_data import missed_limits
    from explorer.standing import part_text
    from objectives.format import quantity
    from objectives.scores.registry import REGISTRY
    from reports.sections.infeasible import missed_words

    terms = terms_of(found.problem.device)
    say = terms.say
    table = Table(title="Scores of the given stage")
    for title in ("score", "value", "front's best", "front's worst"):
        table.add_column(title, justify="left" if title == "score" else "right")
    for name, value in standing.scores.items():
        ends = ("", "")
        if name in found.front.scores and found.feasible:
            column = found.front.scores[name]
            low, high = float(np.nanmin(column)), float(np.nanmax(column))
            free = next((f for f in found.problem.free if f.name == name), None)
            if free is not None:
                losses = free.loss(column)
                low, high = float(column[losses.argmin()]), float(column[losses.argmax()])
            ends = (quantity(low, REGISTRY[name].unit), quantity(high, REGISTRY[name].unit))
        label, unit = REGISTRY[name].label_for(terms), REGISTRY[name].unit
        table.add_row(label, quantity(value, unit), *ends)
    out.print(table)
    out.print(standing.verdict)
    for missed in missed_limits(found.problem, standing.evaluation):
        out.print(f"  broken: {missed_words(missed, terms)}", highlight=False, soft_wrap=True)
    if standing.nearest is not None:
        row = standing.nearest - 1
        listed = ", ".join(
            f"{say(c.label)} {part_text(c.part, float(found.front.parts[c.part][row]))}"
            for c in found.problem.choices
        )
        out.print(f"Nearest on the front: candidate {standing.nearest} ({listed}).")
    steps = standing.steps
    table = Table(title="One step in each part")
    for title in ("part", "step", "from", "to"):
        table.add_column(title)
    # What is only shown is in the JSON and CSV; a terminal has no room for it.
    names = [n for n in found.problem.searched_names if n in steps.columns]
    for name in names:
        heading = f"{REGISTRY[name].label_for(terms)} ({REGISTRY[name].unit})"
        table.add_column(heading, justify="right")
    table.add_column("limits")
    for step in steps.to_dict("records"):
        table.add_row(
            *(str(step[k]) for k in ("part", "step", "from", "to")),
            *(_signed(float(step[n])) for n in names),
            "kept" if step["keeps_limits"] else "broken",
        )
    out.print(table)
