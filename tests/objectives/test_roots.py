"""Bracketed roots against SciPy's, to the bit, and against roots that are known."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.optimize import elementwise

from objectives.arrays import FloatArray, IntArray
from objectives.roots import bracketed_roots

RNG = np.random.default_rng(3)
COUNT = 500
ROOTS, STEEP = RNG.uniform(-3, 3, COUNT), RNG.uniform(0.1, 8, COUNT)
POWER = 2 * RNG.integers(1, 6, COUNT) - 1


def rising(x: FloatArray, at: IntArray) -> FloatArray:
    """From nearly straight to a step, and flat at the root where the power is high."""
    away = x - ROOTS[at]
    return np.asarray(np.tanh(STEEP[at] * away**3) * np.exp(x) + away ** POWER[at])


@pytest.mark.parametrize("tolerance", [None, (1e-6, 0.0), (1e-15, 1e-6), (1e-3, 1e-3)])
def test_roots_are_scipys_to_the_bit(tolerance: tuple[float, float] | None) -> None:
    low, high = np.full(COUNT, -4.0), np.full(COUNT, 5.0)
    low[0], high[1] = ROOTS[:2]  # an end that is the root
    low[2], low[3], high[4] = 4.0, np.nan, np.inf  # no change of sign, no number, no end
    given = {} if tolerance is None else dict(zip(("xatol", "xrtol"), tolerance, strict=True))
    with np.errstate(all="ignore"):
        found = bracketed_roots(rising, low, high, tolerance=tolerance)
        find_root: Any = elementwise.find_root
        usual = find_root(
            lambda x, at: rising(x, at.astype(np.intp)),
            (low, high),
            args=(np.arange(COUNT, dtype=float),),
            tolerances={**given, "fatol": 0.0, "frtol": 0.0} if given else None,
            maxiter=200,
        )
    np.testing.assert_array_equal(found.x, usual.x)
    np.testing.assert_array_equal(found.bracket, usual.bracket)
    np.testing.assert_array_equal(found.excess, usual.f_bracket)
    assert np.flatnonzero(np.isnan(found.x)).tolist() == [2, 3, 4]


def test_equations_have_their_own_numbers_and_drop_out_once_solved() -> None:
    asked: list[IntArray] = []

    def counted(x: FloatArray, at: IntArray) -> FloatArray:
        asked.append(at)
        return rising(x, at)

    which = np.arange(0, COUNT, 7)
    low, high = np.full(which.size, -4.0), np.full(which.size, 5.0)
    steep = POWER[which] == 1
    found = bracketed_roots(counted, low, high, which, tolerance=(1e-9, 0.0)).x
    np.testing.assert_allclose(found[steep], ROOTS[which][steep], atol=1e-9)
    assert set(asked[-1]) < set(which)


def test_of_no_equations_there_are_no_roots() -> None:
    assert bracketed_roots(rising, np.empty(0), np.empty(0)).x.shape == (0,)
