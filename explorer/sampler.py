"""Optuna's view of the space, and its samplers seeded batch by batch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from optuna.distributions import BaseDistribution, FloatDistribution, IntDistribution
from optuna.samplers import BaseSampler, NSGAIISampler, RandomSampler, TPESampler
from optuna.study import Study
from optuna.trial import FrozenTrial, TrialState

from explorer.problem import Parts, Problem
from explorer.settings import Settings

__all__ = ["batch_sampler", "decode", "distributions"]


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
    """Return the sampler of one batch."""
    return _BatchSampler(settings)


class _BatchSampler(BaseSampler):
    """Proposes one batch, seeded by the search's seed and the number of the batch's first trial.

    Seeding each batch anew, instead of once, makes a resumed search draw what the uninterrupted
    one would have drawn. The storage gives every trial its own number, so that neither a search
    resumed in mid-batch nor another worker on the same study draws what was drawn already.
    Population and history live in the storage, not in the sampler.
    """

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._seeded: BaseSampler | None = None

    def _of(self, trial: FrozenTrial) -> BaseSampler:
        if self._seeded is None:
            words = np.random.SeedSequence([self._settings.seed, trial.number]).generate_state(1)
            self._seeded = _sampler(self._settings, int(words[0]))
        return self._seeded

    def before_trial(self, study: Study, trial: FrozenTrial) -> None:
        self._of(trial).before_trial(study, trial)

    def infer_relative_search_space(
        self, study: Study, trial: FrozenTrial
    ) -> dict[str, BaseDistribution]:
        return self._of(trial).infer_relative_search_space(study, trial)

    def sample_relative(
        self, study: Study, trial: FrozenTrial, search_space: dict[str, BaseDistribution]
    ) -> dict[str, Any]:
        return self._of(trial).sample_relative(study, trial, search_space)

    def sample_independent(
        self,
        study: Study,
        trial: FrozenTrial,
        param_name: str,
        param_distribution: BaseDistribution,
    ) -> Any:
        return self._of(trial).sample_independent(study, trial, param_name, param_distribution)

    def after_trial(
        self, study: Study, trial: FrozenTrial, state: TrialState, values: Sequence[float] | None
    ) -> None:
        self._of(trial).after_trial(study, trial, state, values)


def _sampler(settings: Settings, seed: int) -> BaseSampler:
    if settings.sampler == "random":
        return RandomSampler(seed=seed)
    if settings.sampler == "estimator":
        return TPESampler(
            seed=seed, multivariate=True, n_startup_trials=settings.batch, constant_liar=True
        )
    # Two parents make a child, so a population has at least two.
    return NSGAIISampler(population_size=max(settings.batch, 2), seed=seed)
