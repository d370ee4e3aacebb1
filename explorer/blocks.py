"""A block worked out: the part of a search that any process can do on its own."""

from __future__ import annotations

import math

import numpy as np

from explorer.aims import WORST_LOSS
from explorer.front import Scale
from explorer.harvest import Harvest
from explorer.problem import Problem
from explorer.space import Space
from objectives.arrays import FloatArray


def harvest_of(
    problem: Problem, space: Space, scale: Scale, block: int, *, near: bool, gated: bool
) -> Harvest:
    """Work out every candidate of a block and return what they leave behind.

    ``near`` is as of :meth:`Harvest.of`. If ``gated``, those that break a limit are worked out only
    where all do: what they would leave behind is wanted of no other block.
    """
    if gated:
        kept = Harvest.joined(problem, scale, _of_chunks(problem, space, scale, block, False, True))
        if kept.feasible:
            return kept
    return Harvest.joined(problem, scale, _of_chunks(problem, space, scale, block, near, False))


def _of_chunks(
    problem: Problem, space: Space, scale: Scale, block: int, near: bool, gated: bool
) -> list[Harvest]:
    harvests = []
    for parts in space.chunks(block):
        count = math.prod(np.broadcast_shapes(*map(np.shape, parts.values())))
        candidates = problem.evaluate(parts, gated=gated)
        harvests.append(Harvest.of(problem, scale, candidates, count, near=near))
    return harvests


def worked_out(
    problem: Problem,
    space: Space,
    scale: Scale,
    block: int,
    known: FloatArray,
    *,
    near: bool,
    gated: bool,
) -> tuple[Harvest, list[float]]:
    """Return what a block leaves behind that is not beaten by what is known, and its best losses.

    Of a block no candidate is better in any score than the best.
    """
    harvest = harvest_of(problem, space, scale, block, near=near, gated=gated)
    losses = harvest.serious.losses
    best = losses.min(axis=0).tolist() if len(losses) else [WORST_LOSS] * losses.shape[1]
    return harvest.less(known), best
