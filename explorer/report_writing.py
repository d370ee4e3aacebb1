"""Writes the report of an exploration, what costs seconds last."""

from __future__ import annotations

from collections.abc import Callable, Generator
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path

from explorer.exploration import Exploration
from explorer.formulation import Formulation
from explorer.report_data import report_data
from reports.model import ReportData


def _asking_all(ex: Exploration, formulation: Formulation) -> Exploration:
    """Return an exploration that asks for the slow scores that are only shown too."""
    shown = dict.fromkeys((*ex.problem.shown, *formulation.problem.shown))
    problem = replace(ex.problem, shown=tuple(shown))
    return replace(ex, formulation=formulation, problem=problem)


def _with_slow_scores(ex: Exploration) -> Exploration:
    return replace(ex, front=ex.problem.show(ex.front, ex.representatives))


def written_reports(
    ex: Exploration,
    formulation: Formulation,
    folder: Path,
    show: Callable[[str], None] = lambda _: None,
    known: Callable[[ReportData], None] = lambda _: None,
) -> Generator[tuple[ReportData, Path]]:
    """Write the report, then where a design is feasible the whole; yield what each is made of.

    Yields the HTML file with it. ``ex`` lacks the slow scores of ``formulation``; ``show`` is told
    what is being worked on, and ``known`` what is known before anything is written.
    """
    show("reading the front")
    whole = _asking_all(ex, formulation)
    data = report_data(ex if ex.feasible else _with_slow_scores(whole))
    known(data)
    # The pick does not wait until all charts are loaded.
    from explorer.report_studies import studying
    from reports.document.files import write_report

    with studying(whole, folder) if ex.feasible else nullcontext() as studied:
        show("writing the report")
        page = write_report(replace(data, unfinished=ex.feasible), folder)["html"]
        yield data, page
        if studied is not None:
            show("computing scores under drive")
            whole = _with_slow_scores(whole)
            data = report_data(whole, studied(lambda what: show(f"computing {what}")))
            show("writing the whole report")
            write_report(data, folder)
            yield data, page
