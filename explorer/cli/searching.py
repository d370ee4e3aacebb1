"""What ``explore`` and ``assess`` share: a place for results, and a search that shows progress."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Final

from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TaskID,
    TextColumn,
    TimeElapsedColumn,
)

from explorer.cli.answer import forget_answer
from explorer.cli.app import INTERRUPTED, leave, writing
from explorer.cli.printing import err
from explorer.exploration import Exploration, Method, explore
from explorer.formulation import Formulation
from explorer.search import Progress as SearchProgress
from explorer.search import ProgressCallback
from explorer.settings import Settings
from objectives.scores.registry import REGISTRY
from reports.model import ReportData

SEARCH_LOG: Final = "search.log"


def run_search(
    formulation: Formulation,
    folder: Path,
    method: Method,
    *,
    quiet: bool,
    keeping: bool = False,
    evaluations: int | None = None,
    seed: int | None = None,
    storage: str | None = None,
) -> Exploration:
    """Explore as the brief says and the options overrule; leave if there is nothing to show.

    Only a command that writes a report keeps an enumeration beside it.
    """
    stated, source = formulation.brief.search, Path(formulation.brief.source)
    # Like every path in a brief, that of its storage starts from the brief's own folder.
    is_url = "://" in stated.storage
    own = stated.storage if is_url or not stated.storage else source.parent / stated.storage
    settings = Settings(
        seed=stated.seed if seed is None else seed,
        evaluations=evaluations or stated.evaluations,
        batch=stated.batch,
        sampler=stated.sampler,
        storage=storage or own or folder / SEARCH_LOG,
    )
    with writing(folder), progress_bar(quiet) as progress:
        exploration = explore(
            formulation, settings, method=method, exact_up_to=stated.exact_up_to, folder=folder,
            keeping=keeping, progress=progress,
        )  # fmt: skip
    if len(exploration.front) == 0:
        leave("interrupted before any candidate was evaluated", INTERRUPTED)
    return exploration


@contextmanager
def progress_bar(quiet: bool) -> Iterator[ProgressCallback | None]:
    """Show evaluations, their rate and the hypervolume while the search runs."""
    if quiet:
        yield None
        return
    with Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]:,.0f} evaluations/s"),
        TextColumn("hypervolume {task.fields[volume]:.4f}"),
        TimeElapsedColumn(),
        console=err(),
    ) as bar:
        tasks: dict[str, TaskID] = {}

        def update(p: SearchProgress) -> None:
            if p.kind not in tasks:
                tasks[p.kind] = bar.add_task(p.kind, total=p.total, rate=0.0, volume=0.0)
            bar.update(tasks[p.kind], completed=p.done, rate=p.per_second, volume=p.hypervolume)

        yield update


@contextmanager
def working(quiet: bool) -> Iterator[Callable[[str], None]]:
    """Show what is being worked on after the search."""
    if quiet:
        yield lambda _: None
        return
    with err().status("working") as status:
        yield status.update


def without_slow_scores(formulation: Formulation) -> Formulation:
    """Return the formulation without the slow scores that are only shown and decide nothing."""
    problem = formulation.problem
    quick = tuple(name for name in problem.shown if not REGISTRY[name].slow)
    return replace(formulation, problem=replace(problem, shown=quick))


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
    from explorer.report_data import report_data

    with writing(folder), working(quiet) as show:
        show("reading the front")
        ex = ex if ex.feasible else _with_slow_scores(ex, formulation)
        data = report_data(ex)
        known(data)
        # Charts take a second to load: the pick does not wait for them.
        from explorer.report_studies import pick_studies
        from reports.document.files import write_report

        show("writing the report")
        forget_answer(folder)
        page = write_report(replace(data, unfinished=ex.feasible), folder)["html"]
        written(page)
        if ex.feasible:
            try:
                show("computing scores under drive")
                ex = _with_slow_scores(ex, formulation)
                studies = pick_studies(ex, folder, lambda what: show(f"computing {what}"))
                data = report_data(ex, studies)
                show("writing the whole report")
                write_report(data, folder)
            except KeyboardInterrupt:
                leave(
                    f"interrupted: {str(page)!r} is not the whole report; the same command adds "
                    "what is missing",
                    INTERRUPTED,
                )
        return data
