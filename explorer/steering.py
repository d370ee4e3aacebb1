"""The designs of a front that are better where that is asked, and keep what is to be kept.

Each score is classed as one that is to get better, to be kept, or may be given up; source of the
idea: K. Miettinen, Nonlinear Multiobjective Optimization, 1999, ch. 5 (classification, as in the
NIMBUS method; from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal

import numpy as np

from explorer.achievement import in_steps
from explorer.evaluation import Evaluation
from explorer.problem import Problem
from objectives.arrays import IntArray
from objectives.checks import InputError, one_of

Wish = Literal["better", "keep", "give"]
WISHES: Final[tuple[Wish, ...]] = ("better", "keep", "give")

_NOTICED: Final = 1.0
"""Noticeable steps that a score must gain to be better."""

_SAME: Final = 0.5
"""Noticeable steps that a score may lose and is kept: less is not worth a word."""


def nearest_steered(
    problem: Problem,
    front: Evaluation,
    here: Evaluation,
    wishes: Mapping[str, Wish],
    count: int = 3,
) -> IntArray:
    """Return the rows of a front that do as is wished, those nearest in noticeable steps first.

    Of several with the same scores the first is named.

    Parameters
    ----------
    front :
        N designs.
    here :
        The design that is looked at, a batch of one.
    wishes :
        By free score; one that is not named may be given up.

    Raises
    ------
    InputError
        If a score is none of the free scores, or a wish is unknown.
    """
    names = [free.name for free in problem.free]
    for name, wish in wishes.items():
        one_of("score", name, names)
        one_of(name, wish, WISHES)
    if "better" not in wishes.values():
        raise InputError("steer", "nothing", "expected at least one score that is to get better")
    lost = in_steps(problem, front) - in_steps(problem, here)
    most = {"better": -_NOTICED, "keep": _SAME, "give": np.inf}
    allowed = np.array([most[wishes.get(name, "give")] for name in names])
    # What is infinite here and there alike has not moved.
    lost = np.nan_to_num(lost, nan=0.0)
    rows = np.flatnonzero((lost <= allowed).all(axis=1))
    rows = rows[np.argsort(np.abs(lost[rows]).sum(axis=1), kind="stable")]
    once = np.unique(np.round(lost[rows], 6), axis=0, return_index=True)[1]
    return rows[np.sort(once)][:count]
