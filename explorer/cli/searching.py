"""What ``explore`` and ``assess`` share: a place for results, and a search that shows progress."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TaskID,
    TextColumn,
    TimeElapsedColumn,
)

from explorer.cli.app import INTERRUPTED, leave, writing
from explorer.cli.printing import err, print_text
from explorer.exploration import SEARCH_LOG, Exploration, Method, explore
from explorer.formulation import Formulation
from explorer.results import Progress as SearchProgress
from explorer.results import ProgressCallback, TakenUp
from explorer.settings import Settings
from explorer.stored import StoredWarning
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
    said: set[str] = set()

    def say(stored: TakenUp) -> None:
        for text in _taken_up_words(stored, settings.storage or folder / SEARCH_LOG):
            if text not in said:
                said.add(text)
                print_text(err(), text)

    with writing(folder), _plain_warnings(), progress_bar(quiet) as progress:

        def update(p: SearchProgress) -> None:
            say(p.taken_up)
            if progress is not None:
                progress(p)

        exploration = explore(
            formulation, settings, method=method, patience_s=stated.patience, folder=folder,
            keeping=keeping, progress=update,
        )  # fmt: skip
    for result in (exploration.exact, exploration.searched):
        if result is not None:
            say(result.taken_up)
    if len(exploration.front) == 0:
        leave("interrupted before any candidate was evaluated", INTERRUPTED)
    return exploration


def _taken_up_words(stored: TakenUp, where: str | Path) -> list[str]:
    """Return what a run was resumed from, a sentence each."""
    texts = []
    if stored.blocks or stored.unfinished:
        again = f"; blocks begun by a run that was killed: {stored.unfinished:,}, worked out anew"
        texts.append(
            f"Resumed: {stored.candidates:,} candidates were stored already"
            f"{again if stored.unfinished else ''}."
        )
    texts += [
        f"A search by another version ({who}) is stored as well: {count:,} of its candidates are "
        "proposed and scored anew."
        for who, count in stored.proposals.items()
    ]
    if stored.damaged:
        lines = ", ".join(f"{line:,}" for line in stored.damaged)
        texts.append(f"{str(where)!r} is damaged: what lines {lines} lost is worked out anew.")
    return texts


@contextmanager
def _plain_warnings() -> Iterator[None]:
    """Print what is said of stored files as messages."""
    with warnings.catch_warnings():
        usual = warnings.showwarning

        def show(message: Warning | str, category: type[Warning], *more: Any, **named: Any) -> None:
            if issubclass(category, StoredWarning):
                print_text(err(), f"{message}.")
            else:
                usual(message, category, *more, **named)

        warnings.showwarning = show
        yield


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
