"""The command ``show``: the report as a page on this machine, where every part can be stepped."""

from __future__ import annotations

from typing import Annotated

import typer

from explorer.cli.app import app, output_folder
from explorer.cli.options import DEFAULT_BRIEF, BriefArgument, FolderOption, QuietOption
from explorer.cli.printing import out, print_caution


@app.command()
def show(
    brief: BriefArgument = DEFAULT_BRIEF,
    into: FolderOption = None,
    port: Annotated[
        int, typer.Option("--port", min=0, max=65535, help="Port to serve at; 0: any free one.")
    ] = 0,
    browse: Annotated[
        bool, typer.Option("--open/--no-open", help="Open the page in the usual browser.")
    ] = True,
    quiet: QuietOption = False,
) -> None:
    """Show a brief as a page in the browser, in which every part can be stepped.

    The page is the report of what explore has left in the folder; of a brief that was not explored
    it shows a stage in the middle of its space, of one that fixes every part that stage. What is
    explored on the page is kept in the same folder, and any stage is written there as report,
    record or sheet. The page is served on this machine alone, at an address that nobody can guess;
    Ctrl-C ends it.

    Examples:

      stagefront show

      stagefront show my-brief.toml --port 8123 --no-open
    """
    # Imported here so that help answers at once.
    from explorer.brief.loading import folder_of, load_brief
    from explorer.cli.designs import compared_with
    from explorer.formulation import formulate
    from explorer.page.serving import serve
    from explorer.page.subject import Subject

    read = load_brief(brief)
    formulation = formulate(read)
    ex = None
    if formulation.problem.choices:
        ex = compared_with(formulation, into, (), None, needed=False, quiet=quiet)
    print_caution(out())
    known = ex if ex is not None and len(ex.front) else None
    serve(
        Subject(formulation, known, text=read.text),
        port,
        output_folder(read.source, into),
        browse=browse,
        folder=folder_of(read.source),
    )
