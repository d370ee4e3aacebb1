"""Sensitivity indices: how much of a score's variance each quantity brings about."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from SALib.analyze import sobol as sobol_analyze
from SALib.sample import sobol as sobol_sample

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.checks import require
from objectives.tolerance.builds import built_scores
from objectives.tolerance.results import SensitivityIndex
from objectives.tolerance.setup import YIELD, ToleranceSetup

_KEYS = ("S1", "ST", "ST_conf")


def salib_problem(names: Sequence[str]) -> dict[str, Any]:
    """Return the problem as SALib wants it: cumulative probabilities, mapped to factors later."""
    return {"num_vars": len(names), "names": list(names), "bounds": [[0.0, 1.0]] * len(names)}


def sobol_indices(
    problem: dict[str, Any],
    model: Callable[[FloatArray], dict[str, FloatArray]],
    *,
    samples: int,
    seed: int,
) -> dict[str, dict[str, FloatArray]]:
    """Return Sobol indices of every output of a model, by Saltelli's scheme as in SALib.

    Parameters
    ----------
    problem :
        SALib's: ``num_vars``, ``names``, ``bounds``.
    model :
        Takes points of shape (rows, variables), gives outputs of shape (rows,) by name.
    samples :
        Base sample, a power of two; the model sees samples * (variables + 2) points.

    Returns
    -------
    For each output ``S1``, ``ST`` and ``ST_conf``, each of shape (variables,); nan
    for an output that is not finite everywhere and 0 for one that does not vary.

    Source: A. Saltelli et al., Variance based sensitivity analysis of model output, Computer
    Physics Communications 181, 2010, as implemented in SALib (J. Herman, W. Usher, J. Open Source
    Software 2(9), 97, 2017).
    """
    power_of_two = samples > 1 and not samples & (samples - 1)
    require("samples", samples, power_of_two, "a power of two, 2 or more")
    points = sobol_sample.sample(problem, samples, calc_second_order=False, seed=seed)
    indices = {}
    for name, value in model(points).items():
        if not np.all(np.isfinite(value)):
            indices[name] = {key: np.full(problem["num_vars"], np.nan) for key in _KEYS}
        elif np.ptp(value) == 0:
            indices[name] = {key: np.zeros(problem["num_vars"]) for key in _KEYS}
        else:
            result = sobol_analyze.analyze(problem, value, calc_second_order=False, seed=seed)
            indices[name] = {key: np.asarray(result[key], float) for key in _KEYS}
    return indices


def sensitivity(
    one: Assessment, setup: ToleranceSetup, scores: Sequence[str], *, samples: int
) -> tuple[tuple[SensitivityIndex, ...], int]:
    """Return first-order and total indices of every score of one design, and what they cost.

    Sobol's indices are chosen because total ones tell what would remain if a quantity alone were
    made exact, interactions included, and a built stage costs microseconds, so that the cheaper
    and cruder methods (derivative-based measures, FAST) buy nothing here. Good or bad of the
    built stage, 0 or 100, is one more score: :data:`YIELD`.

    Returns
    -------
    The indices, and the number of built stages.
    """
    spreads = setup.spreads
    if not spreads:
        return (), 0
    names = [spread.quantity for spread in spreads]

    def model(points: FloatArray) -> dict[str, FloatArray]:
        built = built_scores(one, spreads, points, scores, ratings=setup.ratings)
        outputs = {name: value[0] for name, value in built.values.items()}
        if setup.windows:
            outputs[YIELD] = 100.0 * built.good(setup.windows)[0]
        return outputs

    by_score = sobol_indices(salib_problem(names), model, samples=samples, seed=setup.seed)
    indices = tuple(
        SensitivityIndex(score, quantity, *(float(result[key][at]) for key in _KEYS))
        for score, result in by_score.items()
        for at, quantity in enumerate(names)
    )
    return indices, samples * (len(names) + 2)
