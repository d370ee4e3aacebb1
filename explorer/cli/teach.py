"""The command ``teach``: a sheet for a lecture, the input corner of one stage derived by hand."""

from __future__ import annotations

from typing import Annotated

import typer
from rich.markup import escape

from explorer.cli.app import app, output_folder, writing
from explorer.cli.options import BriefArgument, DesignOption, FolderOption, SeedOption
from explorer.cli.printing import out, print_caution, print_entry


@app.command()
def teach(
    brief: BriefArgument,
    parts: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[DESIGN|PART=VALUE]...",
            help="Values of the stage's parts; or a design: pick, an alternative by its name, a "
            "number of the front, a file. PART=VALUE changes it. Without any: the pick, where an "
            "exploration is kept.",
        ),
    ] = None,
    design: DesignOption = None,
    into: FolderOption = None,
    seed: SeedOption = None,
) -> None:
    """Write a sheet for a lecture: the input corner of one stage, derived step by step.

    Each step in symbols, in numbers and with its unit; every assumption a switch, the hand beside
    the exact network; the same device with its grid grounded and as a follower; exercises with
    their answers. One page that needs no network (sheet.html: p for a projector, printed one step
    a page), and Markdown with TeX (sheet.md).

    Examples:

      stagefront teach treble-cut

      stagefront teach studio-line stopper=1k plate_load=47k \\
      cathode_resistor=470 cathode_unbypassed=330 bypass=100u

      stagefront teach treble-cut most-gain stopper=220k --seed 7 --into lecture
    """
    # Imported here so that help answers at once.
    from explorer.brief.loading import load_brief
    from explorer.cli.designs import taught_design
    from explorer.formulation import formulate
    from explorer.report_data import stage_data
    from reports.sheet.files import write_sheet
    from reports.sheet.sheet import sheet
    from reports.sheet.tables import lead_words

    read = load_brief(brief)
    formulation = formulate(read)
    folder = output_folder(read.source, into)
    one = taught_design(formulation, into, parts or (), design)
    made = sheet(stage_data(formulation, one.batch()), read.search.seed if seed is None else seed)
    with writing(folder):
        written = write_sheet(made, folder)
    console = out()
    console.print(f"[bold]{escape(made.title)}[/bold]", highlight=False)
    print_entry(console, "", lead_words(made.study))
    for label, path in (("Page", written["html"]), ("Markdown", written["markdown"])):
        console.print(f"{label + ':':<10}{escape(str(path))}", highlight=False, soft_wrap=True)
    print_caution(console)
