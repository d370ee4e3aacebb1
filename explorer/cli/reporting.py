"""Writes the report of an exploration, what costs seconds last."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from explorer.cli.answer import forget_answer
from explorer.cli.app import INTERRUPTED, leave, writing
from explorer.cli.printing import err
from explorer.cli.searching import working
from explorer.cli.stopping import putting_off
from explorer.exploration import Exploration
from explorer.formulation import Formulation
from explorer.report_data import report_data
from objectives.format import listed
from reports.model import ReportData


def _with_slow_scores(ex: Exploration, formulation: Formulation) -> Exploration:
    """Return an exploration with the scores that :func:`without_slow_scores` has left out."""
    shown = dict.fromkeys((*ex.problem.shown, *formulation.problem.shown))
    problem = replace(ex.problem, shown=tuple(shown))
    front = problem.show(ex.front, ex.representatives)
    return replace(ex, formulation=formulation, problem=problem, front=front)


def write_full_report(
    ex: Exploration,
    formulation: Formulation,
    folder: Path,
    *,
    quiet: bool,
    known: Callable[[ReportData], None] = lambda _: None,
    written: Callable[[Path], None] = lambda _: None,
) -> ReportData:
    """Write the report of an exploration, what costs seconds last, and return what it is made of.

    Parameters
    ----------
    ex, formulation :
        The exploration, without slow scores, and the whole of what was asked.
    known, written :
        Called with what is known before anything is written, and with the HTML file when it can be
        read; what takes longer is then worked out, and the files replaced.
    """
    with writing(folder), working(quiet) as show:
        with putting_off(_tell_of_second) as stopped:
            show("reading the front")
            ex = ex if ex.feasible else _with_slow_scores(ex, formulation)
            data = report_data(ex)
            known(data)
            # The pick does not wait until all charts are loaded.
            from explorer.report_studies import pick_studies
            from reports.document.files import write_report

            show("writing the report")
            forget_answer(folder)
            page = write_report(replace(data, unfinished=ex.feasible), folder)["html"]
            written(page)
        if ex.feasible:
            try:
                if stopped():
                    raise KeyboardInterrupt
                show("computing scores under drive")
                ex = _with_slow_scores(ex, formulation)
                studies = pick_studies(ex, folder, lambda what: show(f"computing {what}"))
                data = report_data(ex, studies)
                show("writing the whole report")
                write_report(data, folder)
            except KeyboardInterrupt:
                leave(
                    f"interrupted: {str(page)!r} lacks the sections on {_slow_sections(ex)}; the "
                    "same command adds them",
                    INTERRUPTED,
                )
        return data


def _tell_of_second() -> None:
    err().print("stopping once the pick's report is written; a second Ctrl-C stops at once")


def _slow_sections(ex: Exploration) -> str:
    """Return what the sections are about that take long, as the titles of the report name them."""
    brief = ex.formulation.brief
    drive = "the stage under drive" if brief.drive is not None else "headroom"
    names = [
        drive,
        *(["tolerance"] if brief.tolerance.study else []),
        "stability",
        f"other {ex.problem.terms.kind}s in this stage",
        "why each value",
    ]
    return listed(names)
