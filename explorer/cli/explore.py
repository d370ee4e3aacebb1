"""The command ``explore``: find the front of a brief and write its report."""

from __future__ import annotations

import typer
from rich.markup import escape

from explorer.cli.app import INTERRUPTED, NOTHING_FEASIBLE, app, leave, writing
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
    from explorer.cli.searching import output_folder, run_search, working
    from explorer.formulation import formulate
    from explorer.report_data import report_data
    from explorer.report_studies import pick_studies
    from reports.document.files import write_report

    formulation = formulate(load_brief(brief))
    folder = output_folder(formulation.brief, into)
    ex = run_search(
        formulation, folder, method.value,
        quiet=quiet, evaluations=evaluations, seed=seed, storage=storage,
    )  # fmt: skip
    if candidate is not None and ex.feasible:
        ex = ex.choosing(ex.row_of(candidate))
    try:
        with writing(folder), working(quiet) as show:
            data = report_data(ex, pick_studies(ex, folder, lambda what: show(f"computing {what}")))
            show("writing the report")
            report = write_report(data, folder)["html"]
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
