"""Scores of built stages, read off response surfaces where these serve and solved where not."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from objectives.arrays import FloatArray, IntArray
from objectives.assessment import Assessment
from objectives.tolerance.builds import BuiltScores, batch_shape, built_scores, designs_at
from objectives.tolerance.response_surface import (
    ResponseSurface,
    draws_to_solve,
    draws_to_solve_through_point,
)
from objectives.tolerance.setup import ToleranceSetup

WORTH_SURFACE = 2
"""A surface pays where it spares more than half of the draws."""

_ROWS = 16
"""Designs with a surface that are worked on at a time: they stay in the processor's cache."""


def read_off(
    nominal: Assessment, setup: ToleranceSetup, units: FloatArray, names: Sequence[str]
) -> tuple[BuiltScores, IntArray]:
    """Return scores of built stages, and how many of each candidate's were solved.

    Where surfaces pay and serve, they give the rest: over the spreads, or else through the
    operating point. ``nominal``, ``units`` and ``names`` are as of
    :func:`built_scores`.
    """
    spreads, ratings = setup.spreads, setup.ratings
    size, draws = math.prod(batch_shape(nominal)), len(units)
    few = draws_to_solve(len(spreads))
    if not names or draws < WORTH_SURFACE * few:
        every = built_scores(nominal, spreads, units, names, ratings=ratings)
        return every, np.full(size, draws)
    surface, solved = ResponseSurface(spreads, units), np.full(size, few)
    more = draws_to_solve_through_point(len(spreads))
    blocks = []
    for at in range(0, size, _ROWS):
        own = designs_at(nominal, np.arange(at, min(at + _ROWS, size)))
        predicted = surface.scores(own, names, ratings=ratings)
        for row in np.flatnonzero(~predicted.serves(setup.windows)).tolist():
            one = designs_at(own, np.array([row]))
            solved[at + row] = draws
            if draws >= WORTH_SURFACE * more:
                through = surface.scores_through_point(one, names, ratings=ratings)
                if through.serves_percentiles(setup.windows)[0]:
                    predicted.built.put(row, through.built)
                    solved[at + row] = more
                    continue
            every = built_scores(one, spreads, units, names, ratings=ratings)
            predicted.built.put(row, every)
        blocks.append(predicted.built)
    return BuiltScores.joined(blocks), solved
