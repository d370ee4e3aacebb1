"""The tolerance yield as a score."""

from __future__ import annotations

import numpy as np

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.scores.registry import Step, score
from objectives.tolerance.builds import batch_shape
from objectives.tolerance.reading import read_off
from objectives.tolerance.setup import YIELD
from objectives.tolerance.spreads import draw_units


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
    built, _ = read_off(a, setup, units, tuple(setup.windows))
    return np.asarray(100.0 * built.good(setup.windows).mean(axis=-1).reshape(batch_shape(a)))
