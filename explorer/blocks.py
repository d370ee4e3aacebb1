"""A block worked out: the part of a search that any process can do on its own."""

from __future__ import annotations

import math

import numpy as np

from explorer.aims import WORST_LOSS
from explorer.evaluation import Limits
from explorer.front import Scale
from explorer.harvest import Harvest
from explorer.problem import Problem
from explorer.space import Space
from objectives.arrays import FloatArray


def harvest_of(
    problem: Problem, space: Space, scale: Scale, block: int, *, near: bool, limits: Limits
) -> Harvest:
    """Work out every candidate of a block and return what they leave behind.

    ``near`` is as of :meth:`Harvest.of`. Where ``limits`` are not exact, by how much they are
    broken is worked out only where all candidates break one: it is wanted of no other block.
    """
    if limits != "exact":
        kept = Harvest.joined(
            problem, scale, _of_chunks(problem, space, scale, block, False, limits)
        )
        if kept.feasible:
            return kept
    return Harvest.joined(problem, scale, _of_chunks(problem, space, scale, block, near, "exact"))


def _of_chunks(
    problem: Problem, space: Space, scale: Scale, block: int, near: bool, limits: Limits
) -> list[Harvest]:
    harvests = []
    for parts in space.chunks(block):
        count = math.prod(np.broadcast_shapes(*map(np.shape, parts.values())))
        candidates = problem.evaluate(parts, limits=limits)
        harvests.append(Harvest.of(problem, scale, candidates, count, near=near))
    return harvests


def worked_out(
    problem: Problem,
    space: Space,
    scale: Scale,
    known: FloatArray,
    block: int,
    *,
    near: bool,
    limits: Limits,
) -> tuple[Harvest, list[float]]:
    """Return what a block leaves behind that is not beaten by what is known, and its best losses.

    Of a block no candidate is better in any score than the best.
    """
    harvest = harvest_of(problem, space, scale, block, near=near, limits=limits)
    losses = harvest.serious.losses
    best = losses.min(axis=0).tolist() if len(losses) else [WORST_LOSS] * losses.shape[1]
    return harvest.less(known), best
