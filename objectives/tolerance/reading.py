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


_BUILDS = 16384
"""Builds without such a surface that are worked on at a time: some ten megabytes."""


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
    more, together = draws_to_solve_through_point(len(spreads)), max(_BUILDS // draws, 1)
    blocks = []
    for at in range(0, size, _ROWS):
        own = designs_at(nominal, np.arange(at, min(at + _ROWS, size)))
        predicted = surface.scores(own, names, ratings=ratings)
        refused = np.flatnonzero(~predicted.serves(setup.windows))
        for start in range(0, refused.size, together):
            rows = refused[start : start + together]
            solved[at + rows] = draws
            if draws >= WORTH_SURFACE * more:
                designs = designs_at(own, rows)
                through = surface.scores_through_point(designs, names, ratings=ratings)
                close = through.serves_percentiles(setup.windows)
                predicted.built.put(rows[close], through.built.at(close))
                solved[at + rows[close]] = more
                rows = rows[~close]
            if rows.size:
                designs = designs_at(own, rows)
                every = built_scores(designs, spreads, units, names, ratings=ratings)
                predicted.built.put(rows, every)
        blocks.append(predicted.built)
    return BuiltScores.joined(blocks), solved
