"""How well readings determine the parameters of a law, and what to measure where they do not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from objectives.checks import InputError, Written
from objectives.fitting.parameters import Unknown


def standard_errors(solution: Any, knobs: Sequence[Unknown]) -> dict[str, float]:
    """Return the standard error of each parameter, relative, or in volts where it may be 0.

    From the Gauss-Newton covariance. The residuals are in units of the reading error; where they
    come out smaller (synthetic data) that error still stands, so that the answer does not depend
    on luck.
    """
    jacobian = np.asarray(solution.jac)
    spare = max(jacobian.shape[0] - jacobian.shape[1], 1)
    variance = max(2.0 * float(solution.cost) / spare, 1.0)
    _, singular, axes = np.linalg.svd(jacobian, full_matrices=False)
    # A direction without effect gets a large but finite error, so that it can be named.
    singular = np.maximum(singular, 1e-9 * np.max(singular, initial=1e-300))
    spread = np.sqrt(variance * np.sum((axes.T / singular) ** 2, axis=1))
    error = {}
    for knob, x, s in zip(knobs, solution.x, spread, strict=True):
        value = knob.from_solver(float(x))
        # The solver's logarithm is that of what is above the floor.
        error[knob.name] = float(s) * (1.0 - knob.floor / value if knob.log else 1.0)
    return error


# A parameter known to no better than half its value, or an offset to half a volt, is not known.
_MOST_ERROR = 0.5


def require_determined(
    error: Mapping[str, float], solution: Any, knobs: Sequence[Unknown], fixed: Mapping[str, float]
) -> None:
    """Check that no parameter is left undetermined.

    Raises
    ------
    InputError
        Naming the parameter known worst, with what to measure or what to hold.
    """
    worst = max(error, key=lambda name: error[name])
    at_bound = [
        knob.name
        for knob, x in zip(knobs, solution.x, strict=True)
        if min(x - knob.bounds[0], knob.bounds[1] - x) < 1e-3
    ]
    if error[worst] <= _MOST_ERROR and not at_bound:
        return
    name = worst if error[worst] > _MOST_ERROR else at_bound[0]
    knob = next(k for k in knobs if k.name == name)
    if name == worst and error[worst] > _MOST_ERROR:
        how = (
            f"standard error {100 * error[name]:.0f} %" if knob.log
            else f"standard error {error[name]:.2g} V"
        )  # fmt: skip
    else:
        how = "it ran to the end of its range"
    held = ", ".join(f"{n}={v:.4g}" for n, v in {**fixed, name: knob.typical}.items())
    raise InputError(
        f"{name}",
        Written(f"not determined by these measurements ({how})"),
        f"must be within 50 %, or 0.5 V; {ADVICE[name]}, or hold it: {held}",
    )


ADVICE: Mapping[str, str] = {
    "mu": "add readings at other grid and plate voltages",
    "ex": "add readings over a wider range of current",
    "exponent": "add readings over a wider range of current",
    "kg1": "add readings at higher current",
    "perveance": "add readings at higher current",
    "kp": "add readings near cut-off",
    "sharpness": "add readings near cut-off",
    "kvb": "add readings at low plate voltage and a grid near zero",
    "knee_V": "add readings at plate voltages of a few volts",
    "grid_offset_V": "add readings at other grid voltages",
    "grid_smear_V": "add readings near cut-off at low plate voltage",
}
