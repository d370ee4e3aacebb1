"""Continuous parts brought nearer to the front than the grid on which they were searched."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from explorer.evaluation import Evaluation, Parts
from explorer.front import Scale
from explorer.harvest import Harvest
from explorer.problem import Problem
from explorer.space import GRID

_HALVINGS: Final = 6
"""The last step is the grid's divided by 64: of four decades half a per cent."""

_MOST: Final = 2000
"""Designs of the front about which one step is taken."""

_BOXES: Final = 256
"""Boxes across the span of each score; of the designs in one box a step is taken from one."""

_ENOUGH: Final = 1e-4
"""A round that adds no more than this share of the hypervolume ends its step."""


def refining(
    problem: Problem, scale: Scale, harvest: Harvest, stepped: set[tuple[int, bytes]]
) -> Iterator[Harvest]:
    """Yield what is left of designs a step of a continuous part from the front, and halved steps.

    Each round takes one step of each continuous part up and down from every design of the front
    that has not been stepped from yet, until that adds nothing worth having; then the step is
    halved. This is Pareto local search with a shrinking step. What was stepped from, by how many
    halvings, is noted in ``stepped``.

    Source: L. Paquete, M. Chiarandini, T. Stützle, Pareto local optimum sets in the biobjective
    traveling salesman problem, 2004; step halving as in R. Hooke, T. A. Jeeves, Direct search
    solution of numerical and statistical problems, Journal of the ACM 8, 1961 (both from memory).
    """
    for halving in range(1, _HALVINGS + 1):
        volume = scale.hypervolume(harvest.front.losses)
        while (parts := _about(problem, scale, harvest.front, halving, stepped)) is not None:
            candidates = problem.evaluate(parts)
            new = Harvest.of(problem, scale, candidates, len(candidates), near=False)
            harvest = Harvest.joined(problem, scale, [harvest, new])
            yield new
            before, volume = volume, scale.hypervolume(harvest.front.losses)
            if volume <= before * (1 + _ENOUGH):
                break


def _about(
    problem: Problem,
    scale: Scale,
    front: Evaluation,
    halving: int,
    stepped: set[tuple[int, bytes]],
) -> Parts | None:
    """Return steps from designs that none was taken from yet, and note these; None: no such."""
    rows = np.stack(list(front.parts.values()), axis=-1)
    boxes = np.floor(_BOXES * scale(front.losses))
    once = np.unique(boxes, axis=0, return_index=True)[1]
    some = np.array([row for row in once if (halving, rows[row].tobytes()) not in stepped], np.intp)
    if len(some) == 0:
        return None
    some = some[np.unique(np.linspace(0, len(some) - 1, _MOST).astype(np.intp))]
    stepped.update((halving, rows[row].tobytes()) for row in some)
    own = {name: values[some] for name, values in front.parts.items()}
    moved = list(_moved(problem, own, 0.5**halving / (GRID - 1)))
    return {name: np.concatenate([parts[name] for parts in moved]) for name in own}


def _moved(problem: Problem, own: Parts, share: float) -> Iterator[Parts]:
    """Yield steps by a share of the range of a part, by ratio."""
    for choice in problem.choices:
        if choice.continuous:
            ratio = (choice.high / choice.low) ** share
            for way in (ratio, 1 / ratio):
                values = np.clip(own[choice.part] * way, choice.low, choice.high)
                yield {**own, choice.part: values}
