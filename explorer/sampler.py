"""Optuna's view of the coarse choices, and the samplers that propose them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from optuna.distributions import BaseDistribution as Distribution
from optuna.distributions import IntDistribution
from optuna.samplers import BaseSampler, NSGAIISampler, RandomSampler, TPESampler
from optuna.study import Study
from optuna.trial import FrozenTrial

from explorer.settings import Settings
from explorer.space import Space


def distributions(space: Space) -> dict[str, Distribution]:
    """Return Optuna's view of the coarse choice.

    A part is its position in the sorted list, so that neighbours in the list are neighbours to the
    sampler.
    """
    coarse = space.choices[: space.coarse]
    return {choice.part: IntDistribution(0, len(choice.values) - 1) for choice in coarse}


def params_of(space: Space, block: int) -> dict[str, int]:
    """Return a block as Optuna's parameters; the inverse of :func:`block_of`."""
    return dict(zip(distributions(space), space.place(block), strict=True))


def block_of(space: Space, params: Mapping[str, Any]) -> int:
    """Return the block that a trial stands for."""
    return space.block_at(int(params[name]) for name in distributions(space))


class PlannedSampler(RandomSampler):
    """Gives a trial the block that is planned for its number; what is not planned is proposed.

    Parameters
    ----------
    planned :
        The block planned for a trial by its number; None where the sampler of ``settings`` is to
        propose one. That one is seeded by the number of the first trial it is asked for, so that a
        resumed search draws what the uninterrupted one would have drawn.
    """

    def __init__(
        self, space: Space, settings: Settings, planned: Callable[[int], int | None]
    ) -> None:
        super().__init__()
        self._space, self._settings, self._planned = space, settings, planned
        self._proposing: BaseSampler | None = None

    def before_trial(self, study: Study, trial: FrozenTrial) -> None:
        """Decide who proposes."""
        self._block = self._planned(trial.number)
        if self._block is None:
            if self._proposing is None:
                words = np.random.SeedSequence([self._settings.seed, trial.number])
                self._proposing = _sampler(self._settings, int(words.generate_state(1)[0]))
            self._proposing.before_trial(study, trial)

    def infer_relative_search_space(
        self, study: Study, trial: FrozenTrial
    ) -> dict[str, Distribution]:
        """Return what is proposed as a whole: of a planned block every part."""
        if self._block is not None or self._proposing is None:
            return dict(distributions(self._space))
        return self._proposing.infer_relative_search_space(study, trial)

    def sample_relative(
        self, study: Study, trial: FrozenTrial, search_space: dict[str, Distribution]
    ) -> dict[str, Any]:
        """Return the parts that are proposed as a whole."""
        if self._block is not None or self._proposing is None:
            return params_of(self._space, self._block or 0)
        return self._proposing.sample_relative(study, trial, search_space)

    def sample_independent(
        self,
        study: Study,
        trial: FrozenTrial,
        param_name: str,
        param_distribution: Distribution,
    ) -> Any:
        """Return a part that is proposed by itself."""
        assert self._proposing is not None  # a planned block is proposed as a whole
        return self._proposing.sample_independent(study, trial, param_name, param_distribution)


def _sampler(settings: Settings, seed: int) -> BaseSampler:
    if settings.sampler == "random":
        return RandomSampler(seed=seed)
    if settings.sampler == "estimator":
        return TPESampler(
            seed=seed, multivariate=True, n_startup_trials=settings.batch, constant_liar=True
        )
    # Two parents make a child, so a population has at least two.
    return NSGAIISampler(population_size=max(settings.batch, 2), seed=seed)
