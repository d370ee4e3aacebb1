"""The command ``explore``: find the front of a brief and write its report."""

from __future__ import annotations

import typer

from explorer.cli.app import INTERRUPTED, NOTHING_FEASIBLE, app, leave, output_folder, writing
from explorer.cli.options import (
    DEFAULT_BRIEF,
    BriefArgument,
    CandidateOption,
    ClusterOption,
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
from explorer.cli.printing import print_records


@app.command()
def explore(
    brief: BriefArgument = DEFAULT_BRIEF,
    into: FolderOption = None,
    evaluations: EvaluationsOption = None,
    seed: SeedOption = None,
    method: MethodOption = FrontMethod.auto,
    storage: StorageOption = None,
    cluster: ClusterOption = "",
    candidate: CandidateOption = None,
    form: FormatOption = OutputFormat.table,
    quiet: QuietOption = False,
) -> None:
    """Explore a brief: find the front, pick a design, write the report.

    What is worked out is saved as it goes on; the same command resumes a run that was stopped, and
    shows one that has finished again. The pick is printed first; what takes longer is added to the
    report.

    Examples:

      stagefront explore

      stagefront explore quiet-input --into out/quiet

      stagefront explore my-brief.toml --evaluations 800000 --seed 3

      stagefront explore my-brief.toml --method exact --form json

      stagefront explore my-brief.toml --candidate quietest
    """
    # Imported here so that help answers at once, and so does what was found before.
    from explorer.brief.loading import load_brief
    from explorer.cli.answer import keep_answer, kept_answer, made_from, print_place, show_again

    read = load_brief(brief)
    folder = output_folder(read.source, into)
    # Others may have gone on with a search in a storage of its own.
    shared = bool(storage or read.search.storage)
    key = "" if shared else made_from(read, evaluations, seed, method, candidate)
    answer = kept_answer(key, folder) if key else None
    if answer is not None:
        show_again(answer, folder, form)
        return
    from explorer.cli.searching import run_search, without_slow_scores
    from explorer.formulation import formulate

    formulation = formulate(read)
    ex = run_search(
        without_slow_scores(formulation), folder, method.value,
        quiet=quiet, keeping=True, evaluations=evaluations, seed=seed, storage=storage,
        cluster=cluster,
    )  # fmt: skip
    if candidate is not None and ex.feasible:
        ex = ex.choosing(ex.row_of(candidate))

    from explorer.cli.front import answer_of, print_decision
    from explorer.cli.reporting import write_full_report

    try:
        data = write_full_report(
            ex,
            formulation,
            folder,
            quiet=quiet,
            known=lambda data: print_decision(data) if form is OutputFormat.table else None,
            written=lambda page: print_place(page, form),
        )
    except KeyboardInterrupt:
        leave(
            f"interrupted: no report was written to {str(folder)!r}; the search is saved, and the "
            "same command resumes it",
            INTERRUPTED,
        )
    if key and data.decision is not None and not ex.interrupted:
        with writing(folder):
            keep_answer(answer_of(data, data.decision), key, folder)
    if form is not OutputFormat.table:
        print_records(data.shown.to_dict("records"), form)
    if ex.interrupted:
        raise typer.Exit(INTERRUPTED)
    if not ex.feasible:
        raise typer.Exit(NOTHING_FEASIBLE)
