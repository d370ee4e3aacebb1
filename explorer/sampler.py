"""Optuna's view of the space, and its samplers seeded batch by batch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from optuna.distributions import BaseDistribution, FloatDistribution, IntDistribution
from optuna.samplers import BaseSampler, NSGAIISampler, RandomSampler, TPESampler
from optuna.study import Study
from optuna.trial import FrozenTrial

from explorer.evaluation import Parts
from explorer.problem import Problem
from explorer.settings import Settings


def distributions(problem: Problem) -> dict[str, BaseDistribution]:
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


def decode(problem: Problem, params: Sequence[Mapping[str, float]]) -> Parts:
    """Return the part values of what Optuna proposed."""
    parts = {}
    for choice in problem.choices:
        raw = np.array([p[choice.part] for p in params])
        parts[choice.part] = (
            raw.astype(float) if choice.continuous else choice.values[raw.astype(np.intp)]
        )
    return parts


def batch_sampler(settings: Settings) -> BaseSampler:
    """Return the sampler of one batch, for a study to be asked with."""
    return _SeededByFirstTrial(settings)


class _SeededByFirstTrial(RandomSampler):
    """Puts another sampler in its place, seeded by the number of the first trial it is asked for.

    Seeding each batch anew, instead of once, makes a resumed search draw what the uninterrupted
    one would have drawn. The storage gives every trial its own number, so that neither a search
    resumed in mid-batch nor another worker on the same study draws what was drawn already.
    Population and history live in the storage, not in the sampler.
    """

    def __init__(self, settings: Settings) -> None:
        super().__init__()
        self._settings = settings

    def before_trial(self, study: Study, trial: FrozenTrial) -> None:
        words = np.random.SeedSequence([self._settings.seed, trial.number]).generate_state(1)
        study.sampler = _sampler(self._settings, int(words[0]))
        study.sampler.before_trial(study, trial)


def _sampler(settings: Settings, seed: int) -> BaseSampler:
    if settings.sampler == "random":
        return RandomSampler(seed=seed)
    if settings.sampler == "estimator":
        return TPESampler(
            seed=seed, multivariate=True, n_startup_trials=settings.batch, constant_liar=True
        )
    # Two parents make a child, so a population has at least two.
    return NSGAIISampler(population_size=max(settings.batch, 2), seed=seed)
