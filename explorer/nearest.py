"""What comes nearest where no candidate keeps every limit.

Misses are counted in noticeable steps. The Pareto front of the misses, one column a limit, holds
the least relaxation of every kind: of one limit alone, and of several together.
"""

from __future__ import annotations

import numpy as np

from explorer.choices import Choice
from explorer.evaluation import Evaluation
from explorer.front import non_dominated
from explorer.problem import Problem
from objectives.arrays import FloatArray, IntArray

_NEAREST = 12
"""Candidates shown where nothing is feasible."""

_MOST_KEPT = 512
"""Candidates kept of the front of the misses."""

_CELLS = 20
"""Into which the range of a continuous part is divided."""


def may_be_nearest(problem: Problem, pool: Evaluation, scaled: FloatArray) -> Evaluation:
    """Return those of N candidates that may be among the nearest, those that miss least first.

    These are the front of the misses and, for each value of each part, what misses least with it:
    so many at most, whatever the size of the space.

    Parameters
    ----------
    pool :
        Candidates, none feasible.
    scaled :
        Their losses on a common scale, shape (N, F); of candidates that miss alike the better is
        kept.
    """
    _, once = np.unique(np.stack(list(pool.parts.values()), -1), axis=0, return_index=True)
    missed = problem.missed_limits(pool)[once]
    order = np.lexsort((scaled[once].sum(axis=1), missed.sum(axis=1)))
    pool, missed = pool.take(once[order]), missed[order]
    front = np.flatnonzero(non_dominated(missed[:, missed.any(axis=0)]))
    several = np.count_nonzero(missed[front], axis=1) > 1
    kept = [front[np.argsort(several, kind="stable")][:_MOST_KEPT]]
    for choice in problem.choices:
        cells = np.floor(_CELLS * _place(choice, pool.parts[choice.part]))
        values = cells if choice.continuous else pool.parts[choice.part]
        kept.append(np.unique(values, return_index=True)[1])
    return pool.take(np.unique(np.concatenate(kept)))


def spread_nearest(problem: Problem, kept: Evaluation) -> Evaluation:
    """Return the nearest candidates, spread over the space, those that miss least first.

    First what misses least, for each limit what misses it alone and by least, and of a limit that
    none keeps what comes nearest to it; after these the candidate farthest from those taken, in
    parts and in which limits it breaks, the nearer to feasible the better.

    Parameters
    ----------
    kept :
        What :func:`may_be_nearest` returned last.
    """
    if len(kept) == 0:
        return kept
    missed = problem.missed_limits(kept)
    total = missed.sum(axis=1)
    never = missed.argmin(axis=0)[missed.min(axis=0) > 0]
    rows = list(dict.fromkeys([0, *(row for row in alone(missed) if row >= 0), *never]))
    places = [_place(choice, kept.parts[choice.part]) for choice in problem.choices]
    where = np.column_stack([*places, missed > 0])
    while len(rows) < min(_NEAREST, len(kept)):
        distance = np.abs(where[:, None] - where[rows]).sum(axis=-1).min(axis=1)
        distance[rows] = -1.0
        rows.append(int(np.argmax(distance / (1.0 + total))))
    return kept.take(np.sort(rows))


def alone(missed: FloatArray) -> IntArray:
    """Return for each limit the row that misses it alone and by least; -1 where there is none.

    Parameters
    ----------
    missed :
        Steps by which limits are missed, shape (N, limits), N at least 1.
    """
    only = (missed > 0) & (np.count_nonzero(missed, axis=1) == 1)[:, None]
    least = np.where(only, missed, np.inf)
    return np.where(only.any(axis=0), least.argmin(axis=0), -1)


def _place(choice: Choice, values: FloatArray) -> FloatArray:
    """Return where values lie in the range of a part: 0 at the smallest, 1 at the largest."""
    if choice.continuous:
        return np.asarray(np.log(values / choice.low) / np.log(choice.high / choice.low))
    return np.searchsorted(choice.values, values) / max(len(choice.values) - 1, 1)
