"""The search: Optuna asks and is told in batches; where the space is small enough, all of it."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
import optuna
from optuna.distributions import BaseDistribution, FloatDistribution, IntDistribution
from optuna.samplers import BaseSampler, NSGAIISampler, RandomSampler, TPESampler
from optuna.storages import BaseStorage, JournalStorage
from optuna.storages.journal import JournalFileBackend
from optuna.trial import TrialState

from explorer.front import Scale, non_dominated
from explorer.problem import CHUNK, Evaluation, Parts, Problem
from objectives.batch import FloatArray

__all__ = ["Found", "Progress", "Settings", "constant_scores", "enumerate_front", "search"]

Sampler = Literal["evolution", "estimator", "random"]
_NEAREST = 12
"""Nearest candidates kept for when nothing is feasible."""
_PROBE = 512


@dataclass(frozen=True)
class Settings:
    """How the search is run."""

    seed: int = 1
    evaluations: int = 3000
    batch: int = 200
    sampler: Sampler = "evolution"
    storage: str | Path | None = None
    """A file beside the results (embedded default), a database URL, or None for memory only."""


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
    return problem.evaluate(problem.draw(_PROBE, np.random.default_rng(seed)))


def _live_scale(probe: Evaluation) -> Scale:
    """Return a scale that is known before the search and stays fixed while it runs."""
    feasible = probe.feasible
    return Scale.of(probe.losses[feasible] if feasible.sum() > 1 else probe.losses)


def constant_scores(problem: Problem, seed: int = 1) -> dict[str, float]:
    """Return the free scores that have one value over a random sample of the space.

    Such a score (series departure when every part comes from stock) cannot be traded for anything
    and would only slow the search down.
    """
    probe = _probe(problem, seed)
    found = {}
    for free, column in zip(problem.free, probe.losses.T, strict=True):
        if np.ptp(column) <= 1e-9 * max(1.0, float(np.abs(column).max())):
            found[free.name] = float(probe.scores[free.name][0])
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


def _distributions(problem: Problem) -> dict[str, BaseDistribution]:
    """Return Optuna's view of the space.

    A stock part is its position in the sorted list, so that neighbours in the list are neighbours
    to the sampler; a continuous part is a logarithmic float.
    """
    return {
        c.part: FloatDistribution(c.low, c.high, log=True)
        if c.continuous
        else IntDistribution(0, len(c.values) - 1)
        for c in problem.choices
    }


def _sampler(settings: Settings, batch_number: int) -> BaseSampler:
    """Return a sampler seeded by the search's seed and the batch it is about to propose.

    Seeding each batch anew, instead of once, makes a resumed search draw what the uninterrupted
    one would have drawn. Population and history live in the storage, not in the sampler.
    """
    seed = int(np.random.SeedSequence([settings.seed, batch_number]).generate_state(1)[0])
    if settings.sampler == "random":
        return RandomSampler(seed=seed)
    if settings.sampler == "estimator":
        return TPESampler(
            seed=seed, multivariate=True, n_startup_trials=settings.batch, constant_liar=True
        )
    return NSGAIISampler(population_size=settings.batch, seed=seed)


def _storage(where: str | Path | None) -> BaseStorage | str | None:
    if where is None or (isinstance(where, str) and "://" in where):
        return where
    path = Path(where)
    path.parent.mkdir(parents=True, exist_ok=True)
    return JournalStorage(JournalFileBackend(str(path)))


def _decode(problem: Problem, params: list[dict[str, float]]) -> Parts:
    """Return the part values of what Optuna proposed."""
    parts = {}
    for choice in problem.choices:
        raw = np.array([p[choice.part] for p in params])
        parts[choice.part] = (
            raw.astype(float) if choice.continuous else choice.values[raw.astype(np.intp)]
        )
    return parts


def search(problem: Problem, settings: Settings, report: Report | None = None) -> Found:
    """Search the space with Optuna, by asking and telling in batches.

    Every told candidate is in the storage at once. The same call with the same storage goes on
    where the last one stopped, whether it was finished, interrupted or killed; a different brief
    makes a different study in the same storage. Ctrl-C ends the search with what it has.

    Raises
    ------
    ValueError
        If the storage cannot be opened.
    """
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    start = time.perf_counter()
    probe = _probe(problem, settings.seed)
    collector = _Collector(_live_scale(probe))
    try:
        study = optuna.create_study(
            study_name=f"stagefront-{problem.fingerprint}-{settings.sampler}-{settings.seed}",
            directions=["minimize"] * len(problem.free),
            storage=_storage(settings.storage),
            sampler=_sampler(settings, 0),
            load_if_exists=True,
        )
    except Exception as error:  # the storage drivers raise what they like
        raise ValueError(
            f"search.storage: {str(settings.storage)!r}: must be a writable file of this program "
            f"or a database URL ({error})"
        ) from error
    distributions = _distributions(problem)
    trace: list[tuple[int, float]] = []
    old = study.get_trials(deepcopy=False, states=(TrialState.COMPLETE,))
    if old:
        collector.add(problem.evaluate(_decode(problem, [t.params for t in old])))
        trace.append((len(old), collector.hypervolume()))
    done, resumed, interrupted = len(old), len(old), False
    try:
        while done < settings.evaluations:
            study.sampler = _sampler(settings, done // settings.batch)
            count = min(settings.batch, settings.evaluations - done)
            trials = [study.ask(distributions) for _ in range(count)]
            evaluation = problem.evaluate(_decode(problem, [t.params for t in trials]))
            broken = evaluation.broken
            room = np.max(list(evaluation.excess.values()), axis=0)
            for trial, losses, over, nearest in zip(
                trials, evaluation.losses, broken, room, strict=True
            ):
                # One number: the sum of what is broken, or else the (negative) room to the
                # nearest limit. One write a trial instead of one a limit; the sampler compares
                # sums anyway, and every single excess can be worked out again from the parts.
                trial.set_constraint("limits", float(over if over > 0 else nearest))
                study.tell(trial, [float(v) for v in losses])
            collector.add(evaluation)
            done += count
            trace.append((done, collector.hypervolume()))
            if report is not None:
                rate = (done - resumed) / (time.perf_counter() - start)
                report(Progress("searching", done, settings.evaluations, rate, trace[-1][1]))
    except KeyboardInterrupt:
        interrupted = True
    found = collector.found(probe, time.perf_counter() - start)
    found.interrupted, found.resumed, found.trace = interrupted, resumed, trace
    return found
