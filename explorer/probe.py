"""What a few candidates tell before all are worked out: constant scores, and a scale."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from explorer.evaluation import Evaluation
from explorer.front import Scale
from explorer.problem import Problem
from objectives.arrays import FloatArray

_PROBE, _SLOW_PROBE = 512, 64
"""Candidates that are looked at before the search; fewer where each takes milliseconds."""

_FEW = 32
"""Fewer feasible candidates than this span too little to measure later fronts by. So many show that
a score varies, where it does not do so rarely."""


def sample_of(problem: Problem, seed: int) -> Evaluation:
    """Return a seeded random sample of the space that holds every value of a part."""
    return problem.evaluate(problem.draw(_probe(problem), np.random.default_rng(seed)))


def _probe(problem: Problem) -> int:
    return _SLOW_PROBE if problem.slow else _PROBE


def constant_scores(problem: Problem, seed: int = 1) -> dict[str, float]:
    """Return the free scores that have one value over a sample that holds every value of a part.

    Such a score (series departure when every part comes from stock) cannot be traded for anything
    and would only slow the search down.
    """
    parts = problem.draw(_probe(problem), np.random.default_rng(seed))
    # What varies among a few need not be looked at in all.
    few = problem.evaluate({part: values[:_FEW] for part, values in parts.items()})
    names = [free.name for free in problem.free if _constant(few.scores[free.name])]
    scores = problem.evaluate(parts).scores if names else {}
    return {name: float(scores[name][0]) for name in names if _constant(scores[name])}


def _constant(column: FloatArray) -> bool:
    # Relative: a capacitance in farads may vary and yet never differ by more than 1e-11.
    with np.errstate(invalid="ignore"):  # infinite values vary, and have no span
        return bool(np.ptp(column) <= 1e-9 * np.abs(column).max())


def scale_of(sample: Evaluation) -> Scale:
    """Return a scale for losses that is known before the search and stays as it is."""
    feasible = sample.feasible
    return Scale.of(sample.losses[feasible] if feasible.sum() >= _FEW else sample.losses)


def without_constants(problem: Problem, seed: int) -> tuple[Problem, dict[str, float]]:
    """Return the problem without the free scores that do not vary, and their values.

    Should every free score be constant, the first is kept: there must be something to rank by.
    """
    constants = constant_scores(problem, seed)
    if len(constants) == len(problem.free):
        constants.pop(problem.free[0].name)
    free = tuple(f for f in problem.free if f.name not in constants)
    shown = (*problem.shown, *constants)
    return replace(problem, free=free, shown=shown), constants
