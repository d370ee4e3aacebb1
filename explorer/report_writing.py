"""Writes the report of an exploration, what costs seconds last."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from explorer.exploration import Exploration
from explorer.formulation import Formulation
from explorer.report_data import report_data
from reports.model import ReportData


def _with_slow_scores(ex: Exploration, formulation: Formulation) -> Exploration:
    """Return an exploration with the slow scores that are only shown."""
    shown = dict.fromkeys((*ex.problem.shown, *formulation.problem.shown))
    problem = replace(ex.problem, shown=tuple(shown))
    front = problem.show(ex.front, ex.representatives)
    return replace(ex, formulation=formulation, problem=problem, front=front)


def written_reports(
    ex: Exploration,
    formulation: Formulation,
    folder: Path,
    show: Callable[[str], None] = lambda _: None,
    known: Callable[[ReportData], None] = lambda _: None,
) -> Iterator[tuple[ReportData, Path]]:
    """Write the report, then where a design is feasible the whole; yield what each is made of.

    Yields the HTML file with it. ``ex`` lacks the slow scores of ``formulation``; ``show`` is told
    what is being worked on, and ``known`` what is known before anything is written.
    """
    show("reading the front")
    ex = ex if ex.feasible else _with_slow_scores(ex, formulation)
    data = report_data(ex)
    known(data)
    # The pick does not wait until all charts are loaded.
    from explorer.report_studies import pick_studies
    from reports.document.files import write_report

    show("writing the report")
    page = write_report(replace(data, unfinished=ex.feasible), folder)["html"]
    yield data, page
    if ex.feasible:
        show("computing scores under drive")
        ex = _with_slow_scores(ex, formulation)
        data = report_data(ex, pick_studies(ex, folder, lambda what: show(f"computing {what}")))
        show("writing the whole report")
        write_report(data, folder)
        yield data, page
