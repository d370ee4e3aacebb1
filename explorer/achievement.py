"""How far designs fall short of what a brief wants of them, counted in noticeable steps."""

from __future__ import annotations

import numpy as np

from explorer.evaluation import Evaluation
from explorer.problem import Problem
from objectives.arrays import BoolArray, FloatArray, IntArray

_BEYOND_WANTED, _BELOW_GOOD = 0.05, 10.0
"""Slopes of what is achieved beyond what is wanted, and below what is good enough."""

MEAN_WEIGHT = 1e-2
"""Weight of the mean in the achievement: of two designs with the same worst score the better."""

ROUNDING = 1e-9
"""Steps by which a goal is missed that are none."""

_WANTED_QUANTILE, _GOOD_QUANTILE = 0.1, 0.5
"""What is wanted and what is good enough where the brief does not say: quantiles of the designs
that meet the targets, counted once a step, so that neither a far end nor a crowd has a say."""


def on_target(missed: FloatArray) -> BoolArray:
    """Return which candidates miss no goal, but for rounding."""
    return np.asarray(missed.sum(axis=-1) <= ROUNDING)


def distinct(steps: FloatArray) -> IntArray:
    """Return rows of (N, scores) of which none is within a step of an earlier one in every score.

    Source: epsilon-dominance, M. Laumanns et al., Combining convergence and diversity in
    evolutionary multiobjective optimization, Evolutionary Computation 10(3), 2002 (from memory).
    """
    rows: list[int] = []
    left = np.arange(len(steps))
    while left.size:
        rows.append(int(left[0]))
        left = left[np.any(np.abs(steps[left] - steps[left[0]]) >= 1.0, axis=1)]
    return np.array(rows, dtype=np.intp)


def spread_out(steps: FloatArray, chosen: IntArray, size: int) -> tuple[IntArray, float]:
    """Return some rows of (N, scores) that lie as evenly as possible, ``chosen`` among them.

    The row farthest from all chosen ones, by its largest distance in a score, is added until there
    are ``size``, or all others equal one of them. ``steps`` must be finite. The number says how far
    from a chosen row the farthest of the others lies.

    Source: T. F. Gonzalez, Clustering to minimize the maximum intercluster distance, Theoretical
    Computer Science 38, 1985 (from memory): it is at most twice as far as need be.
    """
    rows, far = [*chosen], np.full(len(steps), np.inf)
    for at in range(size):
        if at == len(rows):
            if not far.any():
                break
            rows.append(np.argmax(far))
        far = np.minimum(far, np.abs(steps - steps[rows[at]]).max(axis=1))
    return np.array(rows, dtype=np.intp), float(far.max())


def achievement(
    steps: FloatArray, wanted: FloatArray, good_enough: FloatArray, weights: FloatArray
) -> FloatArray:
    """Return what each design falls short of what is wanted, in its worst score.

    A score counts 0 where it is as wanted and its weight where it is just good enough; it counts
    little beyond what is wanted, and ten times as much below what is good enough.

    Parameters
    ----------
    steps :
        Losses in noticeable steps, shape (N, F).
    wanted, good_enough, weights :
        Of each score, shape (F,); what is wanted is the smaller loss.

    Source: A. P. Wierzbicki, The use of reference objectives in multiobjective optimization, 1980;
    the piecewise linear form with two reference levels: J. Granat, M. Makowski, Interactive
    specification and analysis of aspiration-based preferences, European Journal of Operational
    Research 122, 2000 (both from memory).
    """
    share = shares_of(steps, wanted, good_enough)
    short = np.where(
        share < 0,
        _BEYOND_WANTED * share,
        weights * np.where(share <= 1, share, 1 + _BELOW_GOOD * (share - 1)),
    )
    return np.asarray(short.max(axis=-1) + MEAN_WEIGHT * short.mean(axis=-1))


def shortfall_of(
    problem: Problem, steps: FloatArray, wanted: FloatArray, good_enough: FloatArray
) -> FloatArray:
    """Return the :func:`achievement` of candidates with the problem's weights, shape (N,)."""
    weights = np.array([free.weight for free in problem.free])
    return achievement(steps, wanted, good_enough, weights)


def in_steps(problem: Problem, candidates: Evaluation) -> FloatArray:
    """Return the loss of N candidates in each free score, in noticeable steps, shape (N, F)."""
    return np.stack([f.steps(candidates.scores[f.name]) for f in problem.free], axis=-1)


def shares_of(steps: FloatArray, wanted: FloatArray, good_enough: FloatArray) -> FloatArray:
    """Return the way of each score from what is wanted (0) to what is good enough (1)."""
    return np.asarray((steps - wanted) / (good_enough - wanted))


def weakest(problem: Problem, shares: FloatArray) -> IntArray:
    """Return which score falls short most, of designs by their shares of shape (..., F)."""
    return np.asarray(np.argmax([free.weight for free in problem.free] * shares, axis=-1))


def shortfall_to_beat(
    problem: Problem, steps: FloatArray, wanted: FloatArray, good_enough: FloatArray
) -> float:
    """Return what a design would fall short by were every score a noticeable step better.

    Another design is noticeably better than one, of steps of shape (F,), where it is below that.
    """
    return float(shortfall_of(problem, steps[None] - 1.0, wanted, good_enough)[0])


def references(problem: Problem, steps: FloatArray) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return what is wanted and good enough of each score, in steps, and which of it is stated."""
    ends = np.array([free.ends for free in problem.free])
    # One candidate a box of a step, so that a crowd of like designs counts once.
    boxes = np.unique(np.floor(steps), axis=0, return_index=True)[1]
    wanted, good = np.quantile(steps[boxes], [_WANTED_QUANTILE, _GOOD_QUANTILE], axis=0)
    stated = ~np.isnan(ends[:, 0])
    wanted = np.where(stated, ends[:, 0], wanted)
    good = np.where(np.isnan(ends[:, 1]), good, ends[:, 1])
    # Less than a step between the two is no difference to weigh.
    return wanted, np.maximum(good, wanted + 1.0), stated
