"""The search: Optuna asks and is told in batches; where the space is small enough, all of it."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import optuna
from optuna.study import Study
from optuna.trial import TrialState

from explorer.front import Scale, non_dominated
from explorer.journal import _decode, _storage, _storage_named
from explorer.problem import CHUNK, Evaluation, Parts, Problem
from explorer.sampler import _BatchSampler, _distributions
from explorer.settings import Settings
from objectives.arrays import FloatArray

__all__ = ["Found", "Progress", "constant_scores", "enumerate_front", "search"]

if sys.platform != "win32":
    pass


_NEAREST = 12
"""Nearest candidates kept for when nothing is feasible."""


_PROBE, _COSTLY_PROBE = 512, 64
"""Candidates that are looked at before the search; fewer where each takes milliseconds."""


_FEW = 32


@dataclass(frozen=True)
class Progress:
    """What is known while the search runs."""

    kind: Literal["searching", "enumerating"]
    done: int
    total: int
    per_second: float
    hypervolume: float


Report = Callable[[Progress], None]


@dataclass
class Found:
    """What a search or an enumeration came back with."""

    front: Evaluation
    """Feasible, non-dominated candidates, each once."""
    nearest: Evaluation
    """The candidates that break the least, when none is feasible; else empty."""
    evaluated: int
    feasible: int
    broken: dict[str, int]
    """For each limit, how many of the evaluated candidates break it."""
    least_excess: dict[str, float]
    """For each limit, the least that any candidate breaks it by (positive: none keeps it)."""
    seconds: float
    interrupted: bool = False
    resumed: int = 0
    """Evaluations that were already in the storage."""
    trace: list[tuple[int, float]] = field(default_factory=list)
    """(evaluations, hypervolume on the fixed live scale) as it went on."""
    fronts: list[tuple[int, FloatArray]] = field(default_factory=list)
    """(evaluations, losses of the front so far), to be measured on a scale known only later."""


class _Collector:
    """Keeps the front, the nearest candidates and the counts while candidates stream past."""

    def __init__(self, scale: Scale) -> None:
        self.scale = scale
        self.front: Evaluation | None = None
        self.nearest: Evaluation | None = None
        self.evaluated = 0
        self.feasible = 0
        self.broken: dict[str, int] = {}
        self.least: dict[str, float] = {}

    def add(self, new: Evaluation) -> None:
        self.evaluated += len(new)
        feasible = new.feasible
        self.feasible += int(feasible.sum())
        for name, excess in new.excess.items():
            self.broken[name] = self.broken.get(name, 0) + int((excess > 0).sum())
            self.least[name] = min(self.least.get(name, np.inf), float(excess.min()))
        good = new.take(feasible)
        if len(good):
            pool = good if self.front is None else Evaluation.join([self.front, good])
            self.front = pool.take(non_dominated(pool.losses))
        if self.feasible == 0:
            pool = new if self.nearest is None else Evaluation.join([self.nearest, new])
            _, first = np.unique(_rows(pool.parts), axis=0, return_index=True)
            pool = pool.take(np.sort(first))
            self.nearest = pool.take(np.argsort(pool.broken, kind="stable")[:_NEAREST])

    @property
    def losses(self) -> FloatArray:
        """Losses of the front so far, shape (N, free scores)."""
        return np.empty((0, len(self.scale.best))) if self.front is None else self.front.losses

    def hypervolume(self) -> float:
        return 0.0 if self.front is None else self.scale.hypervolume(self.front.losses)

    def found(self, template: Evaluation, seconds: float) -> Found:
        empty = template.take(np.zeros(len(template), dtype=bool))
        return Found(
            front=self.front if self.front is not None else empty,
            nearest=self.nearest if self.nearest is not None and self.front is None else empty,
            evaluated=self.evaluated,
            feasible=self.feasible,
            broken=dict(self.broken),
            least_excess=dict(self.least),
            seconds=seconds,
        )


def _rows(parts: Parts) -> FloatArray:
    """Return the part values as rows (N, parts)."""
    return np.stack(list(parts.values()), axis=-1)


def _probe(problem: Problem, seed: int) -> Evaluation:
    """Return a seeded random sample of the space."""
    count = _COSTLY_PROBE if problem.costly else _PROBE
    return problem.evaluate(problem.draw(count, np.random.default_rng(seed)))


def _live_scale(probe: Evaluation) -> Scale:
    """Return a scale that is known before the search and stays fixed while it runs."""
    feasible = probe.feasible
    # A handful of feasible candidates spans too little to measure later fronts by.
    return Scale.of(probe.losses[feasible] if feasible.sum() >= _FEW else probe.losses)


def constant_scores(problem: Problem, seed: int = 1) -> dict[str, float]:
    """Return the free scores that have one value over a sample that holds every value of a part.

    Such a score (series departure when every part comes from stock) cannot be traded for anything
    and would only slow the search down.
    """
    probe = _probe(problem, seed)
    found = {}
    for free in problem.free:
        column = probe.scores[free.name]
        # Relative: a capacitance in farads may vary and yet never differ by more than 1e-11.
        with np.errstate(invalid="ignore"):  # infinite values vary, and have no span
            constant = np.ptp(column) <= 1e-9 * np.abs(column).max()
        if constant:
            found[free.name] = float(column[0])
    return found


def enumerate_front(problem: Problem, seed: int = 1, report: Report | None = None) -> Found:
    """Work out every candidate of a space without continuous parts and return the exact front."""
    probe = _probe(problem, seed)
    collector = _Collector(_live_scale(probe))
    start, done, total = time.perf_counter(), 0, int(problem.size)
    interrupted = False
    try:
        for parts in problem.enumerate(CHUNK):
            evaluation = problem.evaluate(parts)
            collector.add(evaluation)
            done += len(evaluation)
            if report is not None:
                rate = done / (time.perf_counter() - start)
                report(Progress("enumerating", done, total, rate, collector.hypervolume()))
    except KeyboardInterrupt:
        interrupted = True
    found = collector.found(probe, time.perf_counter() - start)
    found.interrupted = interrupted
    return found


def search(problem: Problem, settings: Settings, report: Report | None = None) -> Found:
    """Search the space with Optuna, by asking and telling in batches.

    Every told candidate is in the storage at once. The same call with the same storage goes on
    where the last one stopped, whether it was finished, interrupted or killed; a different brief
    makes a different study in the same storage. Any number of processes may search one storage at
    the same time: the budget is that of all of them, and each takes up what the others found.
    Ctrl-C ends the search with what it has.

    Raises
    ------
    ValueError
        If the storage cannot be opened.
    """
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    start = time.perf_counter()
    probe = _probe(problem, settings.seed)
    collector = _Collector(_live_scale(probe))
    with _storage_named(settings, Exception):  # the storage drivers raise what they like
        storage, sync = _storage(settings.storage)
        study = optuna.create_study(
            study_name=f"stagefront-{problem.fingerprint}-{settings.sampler}-{settings.seed}",
            directions=["minimize"] * len(problem.free),
            storage=storage,
            sampler=_BatchSampler(settings),
            load_if_exists=True,
        )
    distributions = _distributions(problem)
    trace: list[tuple[int, float]] = []
    fronts: list[tuple[int, FloatArray]] = []
    seen: set[int] = set()

    def take_up() -> None:
        """Collect what is in the storage and was not seen: of an earlier run, of other workers."""
        stored = study.get_trials(deepcopy=False, states=(TrialState.COMPLETE,))
        new = [t for t in stored if t.number not in seen]
        if new:
            collector.add(problem.evaluate(_decode(problem, [t.params for t in new])))
            seen.update(t.number for t in new)
            trace.append((len(seen), collector.hypervolume()))
            fronts.append((len(seen), collector.losses))

    resumed, interrupted, open_trials = 0, False, list[optuna.Trial]()
    try:
        with _storage_named(settings, optuna.exceptions.OptunaError):
            take_up()
            resumed = len(seen)
            while len(seen) < settings.evaluations:
                study.sampler = _BatchSampler(settings)
                # A batch that was cut short is filled up first: a batch is a generation.
                count = min(
                    settings.batch - len(seen) % settings.batch, settings.evaluations - len(seen)
                )
                for _ in range(count):
                    open_trials.append(study.ask(distributions))
                evaluation = problem.evaluate(_decode(problem, [t.params for t in open_trials]))
                collector.add(evaluation)
                seen.update(t.number for t in open_trials)
                _tell(study, open_trials, evaluation)
                sync()
                trace.append((len(seen), collector.hypervolume()))
                fronts.append((len(seen), collector.losses))
                take_up()
                if report is not None:
                    rate = (len(seen) - resumed) / (time.perf_counter() - start)
                    done = min(len(seen), settings.evaluations)
                    report(Progress("searching", done, settings.evaluations, rate, trace[-1][1]))
    except KeyboardInterrupt:
        interrupted = True
        with _storage_named(settings, optuna.exceptions.OptunaError):
            for trial in open_trials:
                study.tell(trial, state=TrialState.FAIL, skip_if_finished=True)
    found = collector.found(probe, time.perf_counter() - start)
    found.interrupted, found.resumed = interrupted, resumed
    found.trace, found.fronts = trace, fronts
    return found


def _tell(study: Study, trials: list[optuna.Trial], evaluation: Evaluation) -> None:
    """Tell the study what the trials came to; each is taken off the list once it is told."""
    room = np.max(list(evaluation.excess.values()), axis=0)
    for losses, over, nearest in zip(evaluation.losses, evaluation.broken, room, strict=True):
        # One number: the sum of what is broken, or else the (negative) room to the nearest limit.
        # One write a trial instead of one a limit; the sampler compares sums anyway, and every
        # single excess can be worked out again from the parts.
        trials[0].set_constraint("limits", float(over if over > 0 else nearest))
        study.tell(trials[0], [float(v) for v in losses])
        del trials[0]
