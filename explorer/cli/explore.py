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
    _unbroken,
    _working,
    err,
    out,
)
from objectives.devices.terms import terms_of


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
        from explorer.contents import contents_of
        from explorer.exploration import explore as run
        from explorer.formulation import pose
        from explorer.studies import studies
        from reports.document.files import write_report
        from reports.spoken import spoken_contents

        read = load_brief(brief)
        posed = pose(read)
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
            more = studies(found, folder, say)
            contents = contents_of(found, more.sections, more.built)
            say("report")
            written = write_report(contents, folder)
    if form is Form.table:
        _print_front(contents)
        out.print(f"\nReport: [bold]{escape(str(written['html']))}[/bold]", soft_wrap=True)
    else:
        told = spoken_contents(contents, terms_of(found.problem.device))
        _print_frame(told.readable, form)
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


def _print_front(contents: Any) -> None:
    from explorer.contents import part_text, score_text
    from reports.spoken import spoken_contents

    terms = terms_of(contents.pick.device)
    contents, say = spoken_contents(contents, terms), terms.say
    out.print(f"[bold]{escape(contents.title)}[/bold]")
    for sentence in (*contents.method, *contents.blocking, *contents.pick_reasons):
        out.print(escape(sentence), highlight=False)
    free = [u for u in contents.uses if u.free]
    frame = contents.readable
    table = Table(title="The front" if contents.feasible else "The nearest candidates")
    table.add_column("no.", justify="right")
    for label in contents.part_labels.values():
        table.add_column(label, justify="right")
    for use in free:
        table.add_column(say(use.name.rsplit("_", 1)[0].replace("_", " ")), justify="right")
    table.add_column("what it is")
    for row in frame.to_dict("records"):
        table.add_row(
            str(row["candidate"]),
            *(part_text(p, float(row[p])) for p in contents.part_labels),
            *(_unbroken(score_text(u.name, float(row[u.name]))) for u in free),
            row["marks"],
            style="bold" if "pick" in row["marks"].split(", ") else None,
        )
    out.print(table)
    for name, value in contents.constants.items():
        out.print(f"Same for all: {say(name.replace('_', ' '))} {score_text(name, value)}")
