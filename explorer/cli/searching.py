"""What ``explore`` and ``assess`` share: a place for results, and a search that shows progress."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TaskID,
    TextColumn,
    TimeElapsedColumn,
)

from explorer.cli.app import INTERRUPTED, leave, writing
from explorer.cli.printing import err
from explorer.exploration import Exploration, Method, explore
from explorer.formulation import Formulation
from explorer.results import Progress as SearchProgress
from explorer.results import ProgressCallback
from explorer.settings import Settings
from objectives.scores.registry import REGISTRY


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
    cluster: str = "",
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
        cluster=cluster,
        storage=storage or own or None,
    )
    with writing(folder), progress_bar(quiet) as progress:
        exploration = explore(
            formulation, settings, method=method, patience_s=stated.patience, folder=folder,
            keeping=keeping, progress=progress,
        )  # fmt: skip
    if len(exploration.front) == 0:
        leave("interrupted before any candidate was evaluated", INTERRUPTED)
    return exploration


@contextmanager
def progress_bar(quiet: bool) -> Iterator[ProgressCallback | None]:
    """Show candidates, their rate and how many keep every limit while the search runs."""
    if quiet:
        yield None
        return
    with Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]:,.0f} candidates/s"),
        TextColumn("{task.fields[feasible]:,} keep every limit"),
        TimeElapsedColumn(),
        console=err(),
    ) as bar:
        tasks: dict[str, TaskID] = {}

        def update(p: SearchProgress) -> None:
            if p.kind not in tasks:
                tasks[p.kind] = bar.add_task(p.kind, total=p.total, rate=0.0, feasible=0)
            bar.update(tasks[p.kind], completed=p.done, rate=p.per_second, feasible=p.feasible)

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
