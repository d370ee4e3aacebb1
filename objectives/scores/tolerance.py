"""The tolerance yield as a score."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from objectives.arrays import BoolArray, FloatArray
from objectives.assessment import Assessment
from objectives.scores.registry import Step, score
from objectives.tolerance.builds import batch_shape, built_scores, designs_at
from objectives.tolerance.response_surface import ResponseSurface, draws_to_solve
from objectives.tolerance.setup import YIELD, ToleranceSetup
from objectives.tolerance.spreads import draw_units

_WORTH_SURFACE: Final = 2
"""A surface pays where it spares more than half of the draws."""

_ROWS: Final = 16
"""Stages with a surface that are worked on at a time: they stay in the processor's cache."""


@score(
    YIELD, "%", "maximise",
    "share of the stages built from parts with tolerances that keep every window and rating",
    source="scrambled Sobol draws, the same for every candidate; of many draws, most are read off "
    "response surfaces that are held against solved ones",
    requires=("tolerance",),
    slow=True,
    step=Step(2.0, "one build in fifty"),
    superlative="most robust",
)  # fmt: skip
def _yield_percent(a: Assessment) -> FloatArray:
    setup = a.targets.tolerance
    if setup is None:
        raise ValueError("targets.tolerance: not given: tolerance_yield_percent needs it")
    units = draw_units(setup.spreads, setup.draws, setup.seed)
    shape = batch_shape(a)
    spared = setup.draws >= _WORTH_SURFACE * draws_to_solve(len(setup.spreads))
    if not (spared and setup.windows):
        share = _solved(a, setup, units).mean(axis=-1)
    else:
        surface, rows = ResponseSurface(setup.spreads, units), np.arange(math.prod(shape))
        blocks = (rows[at : at + _ROWS] for at in range(0, len(rows), _ROWS))
        share = np.concatenate([_read_off(designs_at(a, b), setup, units, surface) for b in blocks])
    return np.asarray(100.0 * share.reshape(shape))


def _solved(a: Assessment, setup: ToleranceSetup, units: FloatArray) -> BoolArray:
    """Return which builds are good, every one of them solved, shape (stages, draws)."""
    built = built_scores(a, setup.spreads, units, tuple(setup.windows), ratings=setup.ratings)
    return built.good(setup.windows)


def _read_off(
    a: Assessment, setup: ToleranceSetup, units: FloatArray, surface: ResponseSurface
) -> FloatArray:
    """Return the share of good builds, solved only where no surface serves, shape (stages,)."""
    predicted = surface.scores(a, tuple(setup.windows), ratings=setup.ratings)
    good = predicted.built.good(setup.windows)
    refused = np.flatnonzero(~predicted.serves(setup.windows))
    if refused.size:
        rest = units[surface.solved :]
        good[refused, surface.solved :] = _solved(designs_at(a, refused), setup, rest)
    return np.asarray(good.mean(axis=-1))
