"""Roots of many equations in one unknown each, every one inside its own bracket."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from objectives.arrays import FloatArray, IntArray


def bracketed_roots(
    excess: Callable[[FloatArray, IntArray], FloatArray],
    low: FloatArray,
    high: FloatArray,
    which: IntArray | None = None,
    *,
    tolerance: tuple[float, float] | None = None,
) -> Any:
    """Find where ``excess`` changes sign between ``low`` and ``high``, one flat axis at a time.

    Parameters
    ----------
    excess :
        Function of the unknowns and of the numbers of their equations, since those solved drop out.
    low, high :
        Ends of the brackets, of opposite signs of ``excess`` (or zero).
    which :
        Numbers of the equations; counted from 0 where not given.
    tolerance :
        Absolute and relative tolerance of the unknown; to rounding where not given.

    Returns SciPy's result, whose ``x`` are the roots.

    Source: T. R. Chandrupatla, A new hybrid quadratic/bisection algorithm, Advances in Engineering
    Software 28(3), 1997, as in SciPy.
    """
    # Loading SciPy's optimizers takes longer than all that a command does which solves nothing.
    from scipy.optimize import elementwise

    numbers = np.arange(np.size(low)) if which is None else which

    def numbered(x: FloatArray, number: FloatArray) -> FloatArray:
        return excess(x, number.astype(np.intp))

    return elementwise.find_root(
        numbered,
        (low, high),
        # SciPy makes all arguments one type: the numbers go in as floats.
        args=(numbers.astype(float),),
        tolerances=None if tolerance is None else {
            "xatol": tolerance[0], "xrtol": tolerance[1], "fatol": 0.0, "frtol": 0.0
        },
        maxiter=200,
    )  # fmt: skip
