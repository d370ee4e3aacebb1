"""TODO explorer.cli.explore."""

from __future__ import annotations

from typing import Any

import typer
from rich.markup import escape
from rich.table import Table

from explorer.brief.loading import load_brief
from explorer.cli.app import app
from explorer.cli.options import (
    BriefArgument,
    EvaluationsOption,
    FolderOption,
    FormOption,
    MethodOption,
    QuietOption,
    SeedOption,
    StorageOption,
    _folder,
    _settings,
)
from explorer.cli.printing import (
    DEFAULT_BRIEF,
    INTERRUPTED,
    NOTHING_FEASIBLE,
    Form,
    How,
    _plain_errors,
    _print_frame,
    _progress,
    _working,
    err,
    out,
)


@app.command()
def explore(
    brief: BriefArgument = DEFAULT_BRIEF,
    into: FolderOption = None,
    evaluations: EvaluationsOption = None,
    seed: SeedOption = None,
    method: MethodOption = How.auto,
    storage: StorageOption = None,
    form: FormOption = Form.table,
    quiet: QuietOption = False,
) -> None:
    """Explore a brief: find the front, pick from it, write the report.

    The search is stored as it goes; the same command goes on where the last one stopped.

    Examples:

      stagefront explore

      stagefront explore quiet-input --into out/quiet

      stagefront explore my-brief.toml --evaluations 8000 --seed 3

      stagefront explore my-brief.toml --method exact --form json
    """
    with _plain_errors():
        # Imported here so that help, schema and check answer at once.
        from explorer.exploration import explore as run
        from explorer.formulation import formulate
        from explorer.report_data import report_data
        from explorer.report_studies import pick_studies
        from reports.document.files import write_report

        read = load_brief(brief)
        posed = formulate(read)
        folder = _folder(read, into)
        with _progress(quiet) as report:
            found = run(
                posed,
                _settings(read, folder, evaluations, seed, storage),
                method=method.value,
                exact_up_to=read.search.exact_up_to,
                report=report,
            )
        _stop_if_empty(found)
        with _working(quiet) as say:
            data = report_data(found, pick_studies(found, folder, say))
            say("report")
            written = write_report(data, folder)
    if form is Form.table:
        _print_front(data)
        out.print(f"\nReport: [bold]{escape(str(written['html']))}[/bold]", soft_wrap=True)
    else:
        _print_frame(data.shown, form)
        err.print(f"Report: {escape(str(written['html']))}", soft_wrap=True)
    if found.interrupted:
        raise typer.Exit(INTERRUPTED)
    if not found.feasible:
        raise typer.Exit(NOTHING_FEASIBLE)


def _stop_if_empty(found: Any) -> None:
    """Leave when the run was interrupted before there was anything to show."""
    if len(found.front) == 0:
        err.print("interrupted before any candidate was worked out")
        raise typer.Exit(INTERRUPTED)


def _print_front(data: Any) -> None:
    from explorer.standing import part_text
    from objectives.format import quantity, score_label, score_unit
    from reports.sections.infeasible import obstacle_sentences
    from reports.sections.method import method_sentences
    from reports.sections.pick import reason_sentences

    terms = data.terms
    out.print(f"[bold]{escape(data.title)}[/bold]")
    for text in (*method_sentences(data), *obstacle_sentences(data), *reason_sentences(data)):
        out.print(escape(text), highlight=False)
    free = [u for u in data.uses if u.free]
    table = Table(title="The front" if data.feasible else "The nearest candidates")
    table.add_column("no.", justify="right")
    for label in data.part_labels.values():
        table.add_column(label, justify="right")
    for use in free:
        table.add_column(score_label(use.name, terms), justify="right")
    table.add_column("mark")
    for at, row in enumerate(data.shown.to_dict("records")):
        table.add_row(
            str(row["candidate"]),
            *(part_text(p, float(row[p])) for p in data.part_labels),
            *(quantity(float(row[u.name]), u.unit) for u in free),
            row["marks"],
            style="bold" if data.feasible and at == 0 else None,
        )
    out.print(table)
    for name, value in data.constants.items():
        shown = quantity(value, score_unit(name))
        out.print(f"Same for all: {score_label(name, terms)} {shown}")
