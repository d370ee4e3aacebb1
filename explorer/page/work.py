"""Explorations that a page has started: each in a process of its own, so that pages stay quick."""

from __future__ import annotations

import hashlib
import os
import secrets
import signal
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from functools import partial
from importlib.resources.abc import Traversable
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any, Final

from explorer.brief.loading import parse_brief
from explorer.brief.model import Brief
from explorer.exploration import Exploration, explore
from explorer.formulation import Formulation, formulate
from explorer.page.apart import apart
from explorer.page.subject import Subject
from explorer.problem import Problem
from explorer.results import Progress
from explorer.settings import Settings
from objectives.checks import InputError
from objectives.format import score_label
from reports.live import Watch

_MOST_RUNNING: Final = 2
_MOST_KEPT: Final = 8
"""Explorations that run at once, and that are still shown; the oldest that has ended goes."""

_MOST_POINTS: Final = 200
_EVERY_S: Final = 0.2
"""Time between two messages about how far an exploration is."""

_NOTHING: Final = "it was stopped before any candidate was worked out"


@dataclass
class Run:
    """An exploration under way, and what it came to."""

    process: BaseProcess | None = None
    watch: Watch = field(default_factory=Watch)
    subject: Subject | None = None
    failed: str = ""

    @property
    def running(self) -> bool:
        """Whether it has not come to an end."""
        return self.subject is None and not self.failed

    def stop(self) -> None:
        """End it as Ctrl-C does: it then comes back with what it has."""
        if self.running and self.process is not None and self.process.pid is not None:
            os.kill(self.process.pid, signal.SIGINT)


class Runs:
    """The explorations of one server, by a name that nobody can guess."""

    def __init__(self, first: Subject, folder: Traversable | Path, into: Path) -> None:
        self._runs = {"": Run(subject=first)}
        self._folder, self._into, self._text = folder, into, first.text
        self._lock = threading.Lock()

    def __getitem__(self, name: str) -> Run:
        """Return an exploration; KeyError where there is none."""
        return self._runs[name]

    def place(self, text: str) -> Path:
        """Return where what is found of a brief is kept: of one that was edited, apart."""
        return self._into if text == self._text else self._into / f"edited-{short_name(text)}"

    def start(self, brief: Brief) -> str:
        """Start to explore a brief and return the name of the exploration.

        Raises
        ------
        InputError
            If as many are running as may.
        """
        with self._lock:
            if sum(run.running for run in self._runs.values()) >= _MOST_RUNNING:
                allowed = f"{_MOST_RUNNING} explorations are running: stop one first"
                raise InputError("explore", brief.title, allowed)
            ended = [name for name, run in self._runs.items() if name and not run.running]
            for name in ended[: max(0, len(self._runs) - _MOST_KEPT)]:
                del self._runs[name]
            name = secrets.token_urlsafe(9)
            self._runs[name] = run = Run()
        formulation = formulate(brief)
        if not formulation.problem.choices:
            run.subject = Subject(formulation, text=brief.text)
            return name
        run.process = apart(
            _work, brief.text, self._folder, brief.source, self.place(brief.text),
            hear=partial(_hear, run, formulation), ended=partial(_ended, run), daemon=False,
        )  # fmt: skip
        return name

    def stop(self) -> None:
        """End all that is running."""
        for run in self._runs.values():
            run.stop()


def short_name(text: str) -> str:
    """Return a short name that only the same text has."""
    return hashlib.sha256(text.encode()).hexdigest()[:8]


def _hear(run: Run, formulation: Formulation, message: Watch | str | Mapping[str, Any]) -> None:
    """Take in how far an exploration is, why it failed, or what it came to."""
    if isinstance(message, Watch):
        run.watch = message
    elif isinstance(message, str):
        run.failed = message
    else:
        ex = Exploration(formulation=formulation, **message)
        run.subject = Subject(formulation, ex, text=formulation.brief.text)


def _ended(run: Run) -> None:
    if run.running:
        run.failed = _NOTHING


def _work(
    text: str, folder: Traversable | Path, source: str, place: Path, messages: Connection
) -> None:
    """Explore a brief and send how far it is, then what it came to; runs in its own process."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        formulation = formulate(parse_brief(text, folder, source))
        stated = formulation.brief.search
        settings = Settings(
            seed=stated.seed, evaluations=stated.evaluations, batch=stated.batch,
            sampler=stated.sampler,
        )  # fmt: skip
        sent = [0.0]

        def tell(progress: Progress) -> None:
            if time.monotonic() - sent[0] > _EVERY_S:
                sent[0] = time.monotonic()
                messages.send(watch_of(progress, formulation.problem))

        ex = explore(formulation, settings, patience_s=stated.patience, folder=place, progress=tell)
        # The tables of a brief are made as it is read, so that a brief cannot be sent.
        own = {f.name: getattr(ex, f.name) for f in fields(ex) if f.name != "formulation"}
        messages.send(own if len(ex.front) else _NOTHING)
    except KeyboardInterrupt:
        messages.send(_NOTHING)
    except Exception as error:
        messages.send(str(error))
        raise


def watch_of(progress: Progress, problem: Problem) -> Watch:
    """Return what is shown of an exploration under way; the front in its first two scores."""
    front = progress.front()
    names = [free.name for free in problem.free if free.name in front.scores][:2]
    step = max(1, -(-len(front) // _MOST_POINTS))
    points = list(zip(*(front.scores[name][::step].tolist() for name in names), strict=True))
    return Watch(
        kind=progress.kind,
        done=progress.done,
        total=progress.total,
        per_second=progress.per_second,
        front=len(front),
        points=points if len(names) == 2 else [],
        axes=[score_label(name, with_unit=True) for name in names],
    )
