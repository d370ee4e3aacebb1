"""Optuna's view of the coarse choices, and the samplers that propose them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import optuna
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
    """Gives trials the blocks that are planned, one after the other; then another one proposes.

    Parameters
    ----------
    blocks :
        What is planned.
    proposing :
        Proposes the rest, if there is any; drawn at random without one.
    """

    def __init__(
        self, space: Space, blocks: Iterable[int], proposing: BaseSampler | None = None
    ) -> None:
        super().__init__()
        self._space, self._blocks = space, iter(blocks)
        self._proposing = proposing or RandomSampler()

    def before_trial(self, study: Study, trial: FrozenTrial) -> None:
        """Decide who proposes."""
        self._block = next(self._blocks, None)
        if self._block is None:
            self._proposing.before_trial(study, trial)

    def infer_relative_search_space(
        self, study: Study, trial: FrozenTrial
    ) -> dict[str, Distribution]:
        """Return what is proposed as a whole: of a planned block every part."""
        if self._block is not None:
            return dict(distributions(self._space))
        return self._proposing.infer_relative_search_space(study, trial)

    def sample_relative(
        self, study: Study, trial: FrozenTrial, search_space: dict[str, Distribution]
    ) -> dict[str, Any]:
        """Return the parts that are proposed as a whole."""
        if self._block is not None:
            return params_of(self._space, self._block)
        return self._proposing.sample_relative(study, trial, search_space)

    def sample_independent(
        self,
        study: Study,
        trial: FrozenTrial,
        param_name: str,
        param_distribution: Distribution,
    ) -> Any:
        """Return a part that is proposed by itself; of a planned block there is none."""
        return self._proposing.sample_independent(study, trial, param_name, param_distribution)


class Generations:
    """The search as a sampler sees it: one generation after the other, asked for and then told.

    It is a study in memory that holds what was planned and nothing else, in order; so it comes to
    the same whoever works the blocks out, and whether or not the search was killed on the way.
    """

    def __init__(self, space: Space, settings: Settings, scores: int) -> None:
        self._space, self._settings = space, settings
        self._study = optuna.create_study(directions=["minimize"] * scores)
        self._number = 0

    def ask(self, wanted: Sequence[int], size: int) -> list[int]:
        """Return the blocks of the next generation: those wanted, then what is proposed.

        What is proposed may be known or wanted already.
        """
        words = np.random.SeedSequence([self._settings.seed, self._number])
        proposing = _sampler(self._settings, int(words.generate_state(1)[0]))
        self._study.sampler = PlannedSampler(self._space, wanted, proposing)
        self._open = [self._study.ask(distributions(self._space)) for _ in range(size)]
        self._number += 1
        return [block_of(self._space, trial.params) for trial in self._open]

    def tell(self, results: Iterable[tuple[Sequence[float], float]]) -> None:
        """Tell the losses and the limit that each block of the generation came to."""
        for trial, (losses, limit) in zip(self._open, results, strict=True):
            trial.set_constraint("limits", limit)
            self._study.tell(trial, losses)


def _sampler(settings: Settings, seed: int) -> BaseSampler:
    if settings.sampler == "random":
        return RandomSampler(seed=seed)
    if settings.sampler == "estimator":
        return TPESampler(
            seed=seed, multivariate=True, n_startup_trials=settings.batch, constant_liar=True
        )
    # Two parents make a child, so a population has at least two.
    return NSGAIISampler(population_size=max(settings.batch, 2), seed=seed)
