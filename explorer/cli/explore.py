"""The command ``explore``: find the front of a brief and write its report."""

from __future__ import annotations

import typer
from rich.markup import escape

from explorer.cli.app import INTERRUPTED, NOTHING_FEASIBLE, app, leave
from explorer.cli.options import (
    DEFAULT_BRIEF,
    BriefArgument,
    CandidateOption,
    EvaluationsOption,
    FolderOption,
    FormatOption,
    FrontMethod,
    MethodOption,
    OutputFormat,
    QuietOption,
    SeedOption,
    StorageOption,
)
from explorer.cli.printing import err, print_records


@app.command()
def explore(
    brief: BriefArgument = DEFAULT_BRIEF,
    into: FolderOption = None,
    evaluations: EvaluationsOption = None,
    seed: SeedOption = None,
    method: MethodOption = FrontMethod.auto,
    storage: StorageOption = None,
    candidate: CandidateOption = None,
    form: FormatOption = OutputFormat.table,
    quiet: QuietOption = False,
) -> None:
    """Explore a brief: find the front, pick a design, write the report.

    The search is saved as it runs; the same command resumes one that was stopped.

    Examples:

      stagefront explore

      stagefront explore quiet-input --into out/quiet

      stagefront explore my-brief.toml --evaluations 8000 --seed 3

      stagefront explore my-brief.toml --method exact --form json

      stagefront explore my-brief.toml --candidate quietest
    """
    # Imported here so that help answers at once.
    from explorer.brief.loading import load_brief
    from explorer.cli.front import print_front
    from explorer.cli.searching import output_folder, run_search, write_full_report
    from explorer.formulation import formulate

    formulation = formulate(load_brief(brief))
    folder = output_folder(formulation.brief, into)
    ex = run_search(
        formulation, folder, method.value,
        quiet=quiet, keeping=True, evaluations=evaluations, seed=seed, storage=storage,
    )  # fmt: skip
    if candidate is not None and ex.feasible:
        ex = ex.choosing(ex.row_of(candidate))
    try:
        data, report = write_full_report(ex, folder, quiet=quiet)
    except KeyboardInterrupt:
        kept = "; the search is saved, and the same command resumes it" if ex.searched else ""
        leave(f"interrupted: no report was written to {str(folder)!r}{kept}", INTERRUPTED)
    if form is OutputFormat.table:
        print_front(data, report)
    else:
        print_records(data.shown.to_dict("records"), form)
        err().print(f"Report: {escape(str(report))}", soft_wrap=True)
    if ex.interrupted:
        raise typer.Exit(INTERRUPTED)
    if not ex.feasible:
        raise typer.Exit(NOTHING_FEASIBLE)
