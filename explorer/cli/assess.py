"""The command ``assess``: judge one given stage against the front of a brief."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.markup import escape

from explorer.cli.app import INTERRUPTED, app, output_folder
from explorer.cli.options import (
    BriefArgument,
    DesignOption,
    FolderOption,
    FormatOption,
    FrontMethod,
    MeasuredAt,
    OutputFormat,
    QuietOption,
)
from explorer.cli.printing import err, print_json, print_records


@app.command()
def assess(
    brief: BriefArgument,
    parts: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[DESIGN|PART=VALUE]...",
            help="Values of the stage's parts; or designs side by side: pick, an alternative by "
            "its name, a number of the front, a file. PART=VALUE changes the one before it. Beside "
            "a brief that fixes every part: the brief of another such stage.",
        ),
    ] = None,
    design: DesignOption = None,
    measured: Annotated[
        Path | None,
        typer.Option(
            "--measured",
            help="CSV file with the stage's measured response: frequency_Hz and level_dB "
            "(relative) or gain_dB (output over the EMF of the source); sigma_dB if known. "
            "The load of the brief must include the meter.",
        ),
    ] = None,
    at: Annotated[
        MeasuredAt, typer.Option("--at", help="Where the response was measured.")
    ] = MeasuredAt.output,
    into: FolderOption = None,
    report: Annotated[
        bool,
        typer.Option("--report", help="Write the report of the one stage given, with --into."),
    ] = False,
    swap: Annotated[
        bool,
        typer.Option(
            "--swap",
            help="Put each other valve of the table in the place of the stage's own: every score, "
            "and the share of builds that keep all; with its own at the end of its life.",
        ),
    ] = False,
    method: Annotated[
        FrontMethod | None,
        typer.Option(
            "--method",
            help="Explore first where no exploration is kept: exact, search, auto or compare. "
            "Without it the stage is compared with a front that is kept, or with none.",
        ),
    ] = None,
    form: FormatOption = OutputFormat.table,
    quiet: QuietOption = False,
) -> None:
    """Assess one given stage: its scores, how it compares with the front, one step in each part.

    The front is what explore has left in the folder. Without one the stage is judged by itself;
    a design of the front, --method or --report has it worked out.

    Parts that the brief fixes may be left out. A brief that fixes every part is a stage: it is
    read for what it does and what each part is for, beside a second one where two are given.

    Examples:

      stagefront assess studio-line stopper=1k plate_load=47k \\
      cathode_resistor=470 cathode_unbypassed=330 bypass=100u

      stagefront assess studio-line pick most-robust pick stopper=10k

      stagefront assess treble-cut pick stopper=270k --report --into out/mine

      stagefront assess my-brief.toml --design existing.toml --form json

      stagefront assess my-brief.toml --design existing.toml --measured response.csv

      stagefront assess stage.toml other-stage.toml

      stagefront assess treble-cut pick --swap
    """
    # Imported here so that help answers at once.
    from explorer.brief.loading import load_brief
    from explorer.cli.beside import show_beside
    from explorer.cli.designs import compared_with, designs_of
    from explorer.cli.standing import advice_words, print_standing, step_records, verdict
    from explorer.designs import Design, load_design, parse_design
    from explorer.formulation import formulate
    from explorer.standing import assess_design, with_stage
    from objectives.checks import InputError
    from objectives.reading.trust import untrusted_words

    read = load_brief(brief)
    if swap and not read.varied:
        from explorer.cli.swaps import show_swaps

        show_swaps(read, formulate(read).problem, Design.of(read, {}), form)
        return
    if not read.varied and design is None and measured is None:
        from explorer.cli.stage import assess_stage

        assess_stage(read, parts or (), into, form, quiet=quiet)
        return
    if (design is None) == (not parts) and read.varied:
        raise typer.BadParameter(
            "neither or both ways given: expected PART=VALUE arguments or --design FILE",
            param_hint="design",
        )
    formulation = formulate(read)
    if measured is not None:
        stage = load_design(design, read) if design is not None else parse_design(parts or (), read)
        # Charts are half a second that the other way does without.
        from explorer.cli.measured import assess_measured

        assess_measured(formulation.problem, stage, measured, at.value, into, form)
        return
    if report and into is None:
        raise InputError("report", "", "needs --into FOLDER, so that no earlier report is lost")
    # A report goes elsewhere: the front is where an exploration has left it.
    ex = compared_with(
        formulation, None if report else into, parts or (),
        None if method is None else method.value,
        needed=report, quiet=quiet,
    )  # fmt: skip
    given = [("", load_design(design, read))] if design is not None else designs_of(ex, parts or ())
    if swap:
        from explorer.cli.swaps import show_swaps

        if len(given) > 1:
            raise InputError("swap", len(given), "expected with one stage alone")
        show_swaps(read, formulation.problem, given[0][1], form)
        return
    standings = [(name, assess_design(ex, one)) for name, one in given]
    if report and len(standings) > 1:
        raise InputError("report", len(standings), "expected with one stage alone")
    if len(standings) > 1:
        show_beside(standings, ex, form)
        return
    ((_, standing),) = standings
    if form is OutputFormat.csv:
        print_records(step_records(standing, ex), form)
    elif form is OutputFormat.json:
        print_json(
            {
                "scores": standing.scores,
                "breaks": standing.broken,
                "verdict": verdict(standing, ex),
                "beaten_by": standing.beaten_by,
                "nearest": standing.nearest,
                "missed": standing.missed,
                "built_well": standing.good,
                "law_doubt": untrusted_words(standing.assessment),
                "advice": advice_words(standing, ex),
                "one_step": step_records(standing, ex),
            }
        )
    else:
        print_standing(standing, ex)
    if report:
        from explorer.cli.reporting import write_full_report

        write_full_report(
            with_stage(ex, given[0][1]), formulation, output_folder(read.source, into),
            quiet=quiet,
            written=lambda page: err().print(f"Report: {escape(str(page))}", soft_wrap=True),
        )  # fmt: skip
    if ex.interrupted:
        raise typer.Exit(INTERRUPTED)
