"""Roots of many equations in one unknown each, every one inside its own bracket.

SciPy has the same method (``scipy.optimize.elementwise.find_root``), and a test holds this one to
its roots. All of SciPy's optimizers come with it: half a second to load, which is more than a
command takes that solves a stage or two.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np

from objectives.arrays import FloatArray, IntArray

_MOST_STEPS: Final = 200
_ROUNDING: Final = np.finfo(float)


class Roots(NamedTuple):
    """What was found of each equation, shape (N,).

    Attributes
    ----------
    x : the end of the last bracket that is nearer the root; nan without a change of sign
    bracket : lower and upper end of the last bracket
    excess : there
    """

    x: FloatArray
    bracket: tuple[FloatArray, FloatArray]
    excess: tuple[FloatArray, FloatArray]


def bracketed_roots(
    excess: Callable[[FloatArray, IntArray], FloatArray],
    low: FloatArray,
    high: FloatArray,
    which: IntArray | None = None,
    *,
    tolerance: tuple[float, float] | None = None,
) -> Roots:
    """Find where ``excess`` changes sign between ``low`` and ``high``, one flat axis at a time.

    Parameters
    ----------
    excess :
        Function of the unknowns and of the numbers of their equations, since those solved drop out.
    low, high :
        Ends of the brackets, of opposite signs of ``excess`` (or zero), shape (N,).
    which :
        Numbers of the equations; counted from 0 where not given.
    tolerance :
        Absolute and relative tolerance of the unknown; to rounding where not given.

    Source: T. R. Chandrupatla, A new hybrid quadratic/bisection algorithm for finding the zero of a
    nonlinear function without using derivatives, Advances in Engineering Software 28(3), 1997.
    """
    number = np.arange(low.size) if which is None else which
    absolute, relative = tolerance or (4 * _ROUNDING.smallest_normal, 4 * _ROUNDING.eps)
    no_excess = 0.0 if tolerance else _ROUNDING.smallest_normal
    # The newest point, the one across the root, and the one before them.
    x1, x2, x3 = low, high, high
    f1, f2 = excess(x1, number), excess(x2, number)
    f3, t = f2, np.full(low.size, 0.5)
    found = np.empty((5, low.size))
    row = np.arange(low.size)
    for step in range(_MOST_STEPS + 1):
        nearer = np.abs(f1) < np.abs(f2)
        x, least = np.where(nearer, x1, x2), np.where(nearer, f1, f2)
        width, enough = np.abs(x2 - x1), np.abs(x) * relative + absolute
        solved = np.abs(least) <= no_excess
        known = np.isfinite(x1) & np.isfinite(x2) & ~(np.isnan(f1) & np.isnan(f2))
        lost = ~solved & ((np.sign(f1) == np.sign(f2)) | ~known)
        found[:, row] = np.where(lost, np.nan, x), x1, x2, f1, f2
        on = ~(solved | lost | (width < enough))
        if not on.any():
            break
        row, number, x1, x2, x3, f1, f2, f3, t = (
            a[on] for a in (row, number, x1, x2, x3, f1, f2, f3, t)
        )
        if step:
            t = _share(x1, x2, x3, f1, f2, f3, 0.5 * enough[on] / width[on])
        x = x1 + t * (x2 - x1)
        f = excess(x, number)
        same = np.sign(f) == np.sign(f1)
        x3, f3 = np.where(same, x1, x2), np.where(same, f1, f2)
        x2, f2 = np.where(same, x2, x1), np.where(same, f2, f1)
        x1, f1 = x, f
    x, x1, x2, f1, f2 = found
    rising = x1 < x2
    low, high = np.where(rising, x1, x2), np.where(rising, x2, x1)
    return Roots(x, (low, high), (np.where(rising, f1, f2), np.where(rising, f2, f1)))


def _share(
    x1: FloatArray,
    x2: FloatArray,
    x3: FloatArray,
    f1: FloatArray,
    f2: FloatArray,
    f3: FloatArray,
    least: FloatArray,
) -> FloatArray:
    """Return how far from x1 to x2 the next point lies, ``least`` away from both.

    By inverse quadratic interpolation where the three points let it be trusted, else half-way.
    """
    with np.errstate(all="ignore"):
        xi, phi = (x1 - x2) / (x3 - x2), (f1 - f2) / (f3 - f2)
        trusted = (1 - np.sqrt(1 - xi) < phi) & (phi < np.sqrt(xi))
        alpha = (x3 - x1) / (x2 - x1)
        t = f1 / (f1 - f2) * f3 / (f3 - f2) - alpha * f1 / (f3 - f1) * f2 / (f2 - f3)
    return np.clip(np.where(trusted, t, 0.5), least, 1 - least)
