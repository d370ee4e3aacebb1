"""What a few candidates tell before all are worked out: constant scores, and a scale."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from explorer.evaluation import Evaluation
from explorer.front import Scale
from explorer.problem import Problem

_PROBE, _SLOW_PROBE = 512, 64
"""Candidates that are looked at before the search; fewer where each takes milliseconds."""

_FEW = 32
"""Fewer feasible candidates than this span too little to measure later fronts by."""


def sample_of(problem: Problem, seed: int) -> Evaluation:
    """Return a seeded random sample of the space that holds every value of a part."""
    count = _SLOW_PROBE if problem.slow else _PROBE
    return problem.evaluate(problem.draw(count, np.random.default_rng(seed)))


def constant_scores(problem: Problem, seed: int = 1) -> dict[str, float]:
    """Return the free scores that have one value over a sample that holds every value of a part.

    Such a score (series departure when every part comes from stock) cannot be traded for anything
    and would only slow the search down.
    """
    sample = sample_of(problem, seed)
    constants = {}
    for free in problem.free:
        column = sample.scores[free.name]
        # Relative: a capacitance in farads may vary and yet never differ by more than 1e-11.
        with np.errstate(invalid="ignore"):  # infinite values vary, and have no span
            constant = np.ptp(column) <= 1e-9 * np.abs(column).max()
        if constant:
            constants[free.name] = float(column[0])
    return constants


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
