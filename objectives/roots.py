"""Roots of many equations in one unknown each, every one inside its own bracket."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final, TypeAlias

import numpy as np

from objectives.arrays import BoolArray, FloatArray, IntArray

Step: TypeAlias = Callable[[FloatArray], tuple[FloatArray, BoolArray]]
"""Takes unknowns; returns Newton's move of each, and where it is so small that its square no longer
counts."""

SMALL_STEP_V: Final = 1e-7
"""Such a step of a voltage: what is left is of the order of its square."""

_NEWTON_STEPS: Final = 5, 8
"""After the first so many most have settled; the others go on apart, before they are bracketed."""


def newton_roots(
    step_of: Callable[[IntArray], Step],
    excess: Callable[[FloatArray, IntArray], FloatArray],
    start: FloatArray,
    low: FloatArray,
    high: FloatArray,
    which: IntArray | None = None,
    *,
    tolerance: tuple[float, float] | None = None,
) -> FloatArray:
    """Return roots by Newton's method; :func:`bracketed_roots` finds those that it does not.

    Parameters
    ----------
    step_of :
        Returns the :data:`Step` for the equations of some numbers.
    start :
        Where each begins, inside its bracket.
    excess, low, high, which, tolerance :
        As of :func:`bracketed_roots`. A root outside its bracket does not count.
    """
    numbers = np.arange(np.size(low)) if which is None else which
    x, left = start.copy(), np.arange(start.size)
    for steps in _NEWTON_STEPS:
        if not left.size:
            return x
        step, own, settled = step_of(numbers[left]), x[left], np.zeros(left.size, bool)
        with np.errstate(all="ignore"):
            for _ in range(steps):
                move, settled = step(own)
                own = own + move
                if settled.all():
                    break
        x[left] = own
        left = left[~(settled & (low[left] <= own) & (own <= high[left]))]
    if left.size:
        x[left] = bracketed_roots(
            excess, low[left], high[left], numbers[left], tolerance=tolerance
        ).x
    return x


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
