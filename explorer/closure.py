"""The front closed under single steps, candidate by candidate, before blocks are worked out.

A block is exact and costs hundreds of candidates; most of the front is reached with a few thousand.
This is Pareto local search. It also takes children and strays of the front, which single steps
cannot reach where a limit lies between.

Source: L. Paquete, M. Chiarandini, T. Stützle, Pareto local optimum sets in the biobjective
traveling salesman problem, 2004; J. Dubois-Lacoste, M. López-Ibáñez, T. Stützle, Anytime Pareto
local search, European Journal of Operational Research 243, 2015 (both from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from explorer.evaluation import Evaluation
from explorer.front import Scale
from explorer.harvest import Harvest
from explorer.problem import Problem
from explorer.space import Space
from objectives.arrays import FloatArray, IntArray

MOST_CANDIDATES: Final = 100_000
"""Candidates of a closure, at most: some seconds of work, since it is not stored as blocks are and
begins anew where it was stopped. On the shipped briefs it ends by itself far below that."""

_MOST: Final = 100
"""Designs from which every step is taken in one round: of the front those that stand most alone."""

_CHILDREN: Final = 200
"""Candidates of a round that have each part of one of two designs of the front."""

_STRAYS: Final = 400
"""Candidates of a round, where every step is taken, that have one part drawn anew."""

_FRUITLESS: Final = 3
"""Rounds of strays, one after the other, that end it."""


def closing(
    problem: Problem, space: Space, scale: Scale, starts: Evaluation, *, most: int, seed: int
) -> Iterator[tuple[Evaluation, Harvest]]:
    """Yield after each round the candidates worked out so far, each once, and their harvest.

    The first are the starts; while none is feasible, steps are taken from the nearest. Nothing but
    the arguments decides what comes, and a smaller ``most`` only ends it earlier.
    """
    rng = np.random.default_rng([seed, 1])  # not the numbers that drew the starts
    once = np.unique(space.which(starts.parts), axis=0, return_index=True)[1]
    candidates = starts.take(np.sort(once)[:most])
    harvest = Harvest.of(problem, scale, candidates, len(candidates), near=True)
    known = {row.tobytes() for row in space.which(candidates.parts)}
    stepped: set[bytes] = set()
    fruitless = 0
    yield candidates, harvest
    while len(known) < most and fruitless < _FRUITLESS:
        best = space.which((harvest.front if harvest.feasible else harvest.nearest).parts)
        if harvest.feasible:  # else the first are those that miss least
            best = best[np.argsort(-_crowding_distance(harvest.front.losses), kind="stable")]
        fresh = [row for row in best if row.tobytes() not in stepped]
        if fresh:
            some = np.array(fresh)[:_MOST]
            stepped.update(row.tobytes() for row in some)
            proposed = np.concatenate([*_steps(space, some), _children(best, rng)])
            fruitless = 0
        else:
            proposed = _strays(space, best, rng)
            fruitless += 1
        rows = [row for row in np.unique(proposed, axis=0) if row.tobytes() not in known]
        if rows := rows[: most - len(known)]:
            known.update(row.tobytes() for row in rows)
            new = problem.evaluate(space.at(np.array(rows)))
            own = Harvest.of(problem, scale, new, len(new), near=not harvest.feasible)
            harvest = Harvest.joined(problem, scale, [harvest, own])
            candidates = Evaluation.join([candidates, new])
            yield candidates, harvest


def _crowding_distance(losses: FloatArray) -> FloatArray:
    """Return how far apart the neighbours of each design lie, summed over scores, shape (N,).

    Source: K. Deb, A. Pratap, S. Agarwal, T. Meyarivan, A fast and elitist multiobjective genetic
    algorithm: NSGA-II, IEEE Transactions on Evolutionary Computation 6(2), 2002 (from memory).
    """
    distance = np.zeros(len(losses))
    for column in losses.T:
        order = np.argsort(column, kind="stable")
        ends = np.pad(column[order], 1, constant_values=(-np.inf, np.inf))
        if ends[1] < ends[-2]:
            distance[order] += (ends[2:] - ends[:-2]) / (ends[-2] - ends[1])
    return distance


def _steps(space: Space, rows: IntArray) -> Iterator[IntArray]:
    """Yield what is one step of one part away; a step of a device is to any other."""
    for axis, (choice, size) in enumerate(zip(space.choices, space.sizes, strict=True)):
        for step in range(1, size) if choice.names else (-1, 1):
            moved = rows.copy()
            moved[:, axis] += step
            if choice.names:
                moved[:, axis] %= size
            yield moved[(moved[:, axis] >= 0) & (moved[:, axis] < size)]


def _children(rows: IntArray, rng: np.random.Generator) -> IntArray:
    one, other = rng.choice(rows, (2, _CHILDREN))
    return np.asarray(np.where(rng.random(one.shape) < 0.5, one, other))


def _strays(space: Space, rows: IntArray, rng: np.random.Generator) -> IntArray:
    strays = rng.choice(rows, _STRAYS)
    axes = rng.integers(len(space.sizes), size=_STRAYS)
    strays[np.arange(_STRAYS), axes] = rng.integers(np.array(space.sizes)[axes])
    return strays
