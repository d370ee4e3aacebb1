"""Writes the report of an exploration at a terminal, which may interrupt it."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from explorer.cli.answer import forget_answer
from explorer.cli.app import INTERRUPTED, leave, writing
from explorer.cli.printing import err
from explorer.cli.searching import working
from explorer.cli.stopping import putting_off
from explorer.exploration import Exploration
from explorer.formulation import Formulation
from explorer.report_writing import written_reports
from objectives.format import listed
from reports.model import ReportData


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

    ``ex`` lacks the slow scores of ``formulation``. ``known`` is called with what is known before
    anything is written, ``written`` with the HTML file when it can first be read.
    """
    with (
        writing(folder),
        working(quiet) as show,
        closing(written_reports(ex, formulation, folder, show, known)) as reports,
    ):
        with putting_off(_tell_of_second) as stopped:
            forget_answer(folder)
            data, page = next(reports)
            written(page)
        try:
            if stopped() and ex.feasible:
                raise KeyboardInterrupt
            data, page = next(reports, (data, page))
        except KeyboardInterrupt:
            leave(
                f"interrupted: {str(page)!r} lacks the sections on {_slow_sections(ex)}; the same "
                "command adds them, and report.md with its drawings",
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
