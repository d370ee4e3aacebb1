"""The search: Optuna asks and is told in batches; where the space is small enough, all of it."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import optuna
from optuna.trial import TrialState

from explorer.evaluation import Evaluation
from explorer.front import Scale, non_dominated
from explorer.journal import naming_storage, open_storage
from explorer.nearest import may_be_nearest, spread_nearest
from explorer.problem import CHUNK, Problem
from explorer.sampler import batch_sampler, decode, distributions
from explorer.settings import Settings
from objectives.arrays import FloatArray

_PROBE, _SLOW_PROBE = 512, 64
"""Candidates that are looked at before the search; fewer where each takes milliseconds."""

_FEW = 32
"""Fewer feasible candidates than this span too little to measure later fronts by."""


@dataclass(frozen=True)
class Progress:
    """What is known while the search runs."""

    kind: Literal["searching", "enumerating"]
    done: int
    total: int
    per_second: float
    hypervolume: float


ProgressCallback = Callable[[Progress], None]


@dataclass(frozen=True)
class SearchResult:
    """What a search or an enumeration came back with.

    Attributes
    ----------
    front : feasible, non-dominated candidates, each once
    serious : the front, and what is beaten only by candidates with less room to a limit
    nearest : when none is feasible, candidates that break little, spread over the space, those that
        miss least first; among them for each limit the one that misses it alone and by least; else
        empty
    evaluated, feasible : numbers of candidates
    broken : for each limit, how many of the evaluated candidates break it
    least_excess : for each limit, the least that any candidate breaks it by (positive: none keeps
        it)
    seconds : time that it took
    interrupted : whether Ctrl-C ended it
    resumed : evaluations that were already in the storage
    fronts : (evaluations, losses of the front so far) as it went on, to be measured on a scale
        known only later
    """

    front: Evaluation
    serious: Evaluation
    nearest: Evaluation
    evaluated: int
    feasible: int
    broken: Mapping[str, int]
    least_excess: Mapping[str, float]
    seconds: float
    interrupted: bool = False
    resumed: int = 0
    fronts: Sequence[tuple[int, FloatArray]] = ()


class _Collector:
    """Keeps the front, the nearest candidates and the counts while candidates stream past."""

    def __init__(self, problem: Problem, sample: Evaluation) -> None:
        self._problem = problem
        self.start = time.perf_counter()
        self._none = sample.take(np.zeros(len(sample), dtype=bool))
        self.serious = self.nearest = self._none
        # Known before the search, the scale stays fixed while it runs.
        feasible = sample.feasible
        enough = feasible.sum() >= _FEW
        self.scale = Scale.of(sample.losses[feasible] if enough else sample.losses)
        self.evaluated = self.feasible = 0
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
            pool = Evaluation.join([self.serious, good])
            self.serious = pool.take(non_dominated(np.hstack([pool.losses, -pool.room])))
        if self.feasible == 0:
            pool = Evaluation.join([self.nearest, new])
            self.nearest = may_be_nearest(self._problem, pool, self.scale(pool.losses))

    @property
    def front(self) -> Evaluation:
        """The serious candidates that no other beats in scores alone."""
        return self.serious.take(non_dominated(self.serious.losses))

    def progress(
        self, kind: Literal["searching", "enumerating"], done: int, total: int, new: int
    ) -> Progress:
        """Return the progress; ``new`` candidates were worked out since the start."""
        rate = new / (time.perf_counter() - self.start)
        return Progress(kind, done, total, rate, self.scale.hypervolume(self.front.losses))

    def result(
        self,
        *,
        interrupted: bool,
        resumed: int = 0,
        fronts: Sequence[tuple[int, FloatArray]] = (),
    ) -> SearchResult:
        return SearchResult(
            front=self.front,
            serious=self.serious,
            nearest=self._none if self.feasible else spread_nearest(self._problem, self.nearest),
            evaluated=self.evaluated,
            feasible=self.feasible,
            broken=self.broken,
            least_excess=self.least,
            seconds=time.perf_counter() - self.start,
            interrupted=interrupted,
            resumed=resumed,
            fronts=fronts,
        )


def _sample(problem: Problem, seed: int) -> Evaluation:
    """Return a seeded random sample of the space."""
    count = _SLOW_PROBE if problem.slow else _PROBE
    return problem.evaluate(problem.draw(count, np.random.default_rng(seed)))


def constant_scores(problem: Problem, seed: int = 1) -> dict[str, float]:
    """Return the free scores that have one value over a sample that holds every value of a part.

    Such a score (series departure when every part comes from stock) cannot be traded for anything
    and would only slow the search down.
    """
    sample = _sample(problem, seed)
    constants = {}
    for free in problem.free:
        column = sample.scores[free.name]
        # Relative: a capacitance in farads may vary and yet never differ by more than 1e-11.
        with np.errstate(invalid="ignore"):  # infinite values vary, and have no span
            constant = np.ptp(column) <= 1e-9 * np.abs(column).max()
        if constant:
            constants[free.name] = float(column[0])
    return constants


def enumerate_front(
    problem: Problem, seed: int = 1, progress: ProgressCallback | None = None
) -> SearchResult:
    """Work out every candidate of a space without continuous parts and return the exact front."""
    collector = _Collector(problem, _sample(problem, seed))
    interrupted = False
    try:
        for parts in problem.enumerate(CHUNK):
            collector.add(problem.evaluate(parts))
            if progress is not None:
                done = collector.evaluated
                progress(collector.progress("enumerating", done, int(problem.size), done))
    except KeyboardInterrupt:
        interrupted = True
    return collector.result(interrupted=interrupted)


def search(
    problem: Problem, settings: Settings, progress: ProgressCallback | None = None
) -> SearchResult:
    """Search the space with Optuna, by asking and telling in batches.

    Every told candidate is in the storage at once. The same call with the same storage goes on
    where the last one stopped, whether it was finished, interrupted or killed; a different brief
    makes a different study in the same storage. Any number of processes may search one storage at
    the same time: the budget is that of all of them, and each takes up what the others found.
    Ctrl-C ends the search with what it has.

    Raises
    ------
    InputError
        If the storage cannot be opened or is not one of this program.
    OSError
        If the storage cannot be written; it names the file.
    """
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    collector = _Collector(problem, _sample(problem, settings.seed))
    with naming_storage(settings, Exception):  # the storage drivers raise what they like
        run = _StoredSearch(problem, settings, collector)
    resumed, interrupted = 0, False
    try:
        with naming_storage(settings, optuna.exceptions.OptunaError):
            run.collect_stored()
            resumed = run.done
            while run.done < settings.evaluations:
                run.evaluate_batch()
                run.collect_stored()
                if progress is not None:
                    done, total = min(run.done, settings.evaluations), settings.evaluations
                    progress(collector.progress("searching", done, total, run.done - resumed))
    except KeyboardInterrupt:
        interrupted = True
        with naming_storage(settings, optuna.exceptions.OptunaError):
            run.give_up_open_trials()
    return collector.result(interrupted=interrupted, resumed=resumed, fronts=run.fronts)


class _StoredSearch:
    """One process's share in a stored study."""

    def __init__(self, problem: Problem, settings: Settings, collector: _Collector) -> None:
        self._problem, self._settings, self._collector = problem, settings, collector
        self._distributions = distributions(problem)
        storage, self._sync = open_storage(settings.storage)
        self._study = optuna.create_study(
            study_name=f"stagefront-{problem.fingerprint}-{settings.sampler}-{settings.seed}",
            directions=["minimize"] * len(problem.free),
            storage=storage,
            sampler=batch_sampler(settings),
            load_if_exists=True,
        )
        self._seen: set[int] = set()
        self._open: list[optuna.Trial] = []
        self.fronts: list[tuple[int, FloatArray]] = []

    @property
    def done(self) -> int:
        """Evaluations of all processes that this one has collected."""
        return len(self._seen)

    def collect_stored(self) -> None:
        """Collect the trials not seen so far: of an earlier run, of other workers."""
        stored = self._study.get_trials(deepcopy=False, states=(TrialState.COMPLETE,))
        new = [t for t in stored if t.number not in self._seen]
        if new:
            self._collect(new)
            self._record_front()

    def evaluate_batch(self) -> None:
        """Ask for a batch, work it out and tell it."""
        self._study.sampler = batch_sampler(self._settings)
        # A batch that was cut short is filled up first: a batch is a generation.
        batch, budget = self._settings.batch, self._settings.evaluations
        for _ in range(min(batch - self.done % batch, budget - self.done)):
            self._open.append(self._study.ask(self._distributions))
        self._tell(self._collect(self._open))
        self._sync()
        self._record_front()

    def give_up_open_trials(self) -> None:
        """Mark the trials that were asked for and not told as failed."""
        for trial in self._open:
            self._study.tell(trial, state=TrialState.FAIL, skip_if_finished=True)

    def _collect(self, trials: Sequence[optuna.Trial | optuna.trial.FrozenTrial]) -> Evaluation:
        parts = decode(self._problem, [t.params for t in trials])
        evaluation = self._problem.evaluate(parts)
        self._collector.add(evaluation)
        self._seen.update(t.number for t in trials)
        return evaluation

    def _record_front(self) -> None:
        self.fronts.append((self.done, self._collector.front.losses))

    def _tell(self, evaluation: Evaluation) -> None:
        """Tell what the open trials came to; each is closed once it is told."""
        room = np.max(list(evaluation.excess.values()), axis=0)
        for losses, over, nearest in zip(evaluation.losses, evaluation.broken, room, strict=True):
            # One number: the sum of what is broken, or else the (negative) room to the nearest
            # limit. One write a trial instead of one a limit; the sampler compares sums anyway,
            # and every single excess can be worked out again from the parts.
            self._open[0].set_constraint("limits", float(over if over > 0 else nearest))
            self._study.tell(self._open[0], [float(v) for v in losses])
            del self._open[0]
