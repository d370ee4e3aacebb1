"""Rational interpolation: a continued fraction through points, and where it is zero."""

from __future__ import annotations

import numpy as np

from objectives.arrays import FloatArray


def inverse_differences(x: FloatArray, y: FloatArray) -> FloatArray:
    """Return a of ``a0 + (x - x0)/(a1 + (x - x1)/(a2 + ...))`` through points, shape (points, N).

    A point that is nan ends the fraction before it.

    Source: T. N. Thiele, Interpolationsrechnung, 1909; inverse differences as in J. Stoer,
    R. Bulirsch, Introduction to Numerical Analysis, ch. 2.2 (from memory).
    """
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        a = y.copy()
        for at in range(1, len(x)):
            np.divide(x[at:] - x[at - 1], a[at:] - a[at - 1], out=a[at:])
    # What comes after one that is infinite, where fewer points say it all, is 0 or nothing.
    if not (np.isfinite(a).all() and a[1:].all()):
        end = ~np.isfinite(a)
        end[1:] |= a[1:] == 0
        a[np.logical_or.accumulate(end)] = np.inf
    return a


def zero_of_fraction(
    x: FloatArray, a: FloatArray, start: FloatArray, steps: int
) -> tuple[FloatArray, FloatArray]:
    """Return where the fraction of some :func:`inverse_differences` is zero, and its slope there.

    By so many of Newton's steps from ``start``, each at most to half or twice the x that it is
    taken from.
    """
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        here, slope = start, np.full_like(start, np.nan)
        for _ in range(steps):
            value, slope = a[-1], np.zeros_like(here)
            for own, of in zip(x[-2::-1], a[-2::-1], strict=True):
                part = (here - own) / value
                slope = (1.0 - part * slope) / value
                value = of + part
            there = here - value / slope
            here = np.where(np.isfinite(there), np.clip(there, here / 2, here * 2), here)
    return here, slope
