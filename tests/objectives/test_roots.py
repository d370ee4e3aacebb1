"""Roots against SciPy's scalar solver, one at a time."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

from objectives import roots
from objectives.arrays import BoolArray, FloatArray, IntArray
from objectives.roots import newton_roots

A = np.linspace(-3, 3, 41)


def excess(x: FloatArray, at: IntArray) -> FloatArray:
    """Rise with x, first hardly, then steeply."""
    return np.asarray(np.expm1(3 * x) + x - A[at])


def step_of(at: IntArray) -> roots.Step:
    def step(x: FloatArray) -> tuple[FloatArray, BoolArray]:
        move = -excess(x, at) / (3 * np.exp(3 * x) + 1)
        return move, np.abs(move) < 1e-8

    return step


@pytest.mark.parametrize(
    ("start", "bracketed"),
    [(0.3, False), (40.0, True)],  # from 40 Newton's method takes a hundred steps
)
def test_what_newton_does_not_find_is_bracketed(
    monkeypatch: pytest.MonkeyPatch, start: float, bracketed: bool
) -> None:
    left: list[int] = []
    usual = roots.bracketed_roots

    def watched(*given: Any, **named: Any) -> Any:
        left.extend(given[3])
        return usual(*given, **named)

    monkeypatch.setattr(roots, "bracketed_roots", watched)
    which = np.arange(1, A.size)
    ends = np.full(which.size, -400.0), np.full(which.size, 50.0)
    x = newton_roots(step_of, excess, np.full(which.size, start), *ends, which)
    expected = [brentq(lambda v, a=a: np.expm1(3 * v) + v - a, -400, 50, xtol=1e-15) for a in A[1:]]
    assert x == pytest.approx(expected, rel=1e-12, abs=1e-14)
    assert left == (list(which) if bracketed else [])


def test_a_root_that_newton_finds_outside_its_bracket_is_not_taken() -> None:
    """Three zeros of a cubic: the steps lead to that at 2, the bracket holds that at 0."""

    def cubic(x: FloatArray, at: IntArray) -> FloatArray:
        return np.asarray(x * (x - 1) * (x - 2))

    def onward(at: IntArray) -> roots.Step:
        def step(x: FloatArray) -> tuple[FloatArray, BoolArray]:
            move = -cubic(x, at) / (3 * x**2 - 6 * x + 2)
            return move, np.abs(move) < 1e-8

        return step

    start, low, high = np.array([0.45]), np.array([-0.5]), np.array([0.5])
    assert onward(np.arange(1))(start)[0] > 0.5  # out of the bracket at once
    assert newton_roots(onward, cubic, start, low, high) == pytest.approx([0], abs=1e-12)


def test_starts_and_slopes_of_which_newton_makes_nothing_are_bracketed() -> None:
    start = np.array([np.nan, np.inf, -500.0])  # the last lies outside its bracket
    ends = np.full(3, -400.0), np.full(3, 50.0)
    assert newton_roots(step_of, excess, start, *ends, np.full(3, 20)) == pytest.approx(
        0, abs=1e-12
    )

    def flat(at: IntArray) -> roots.Step:
        return lambda x: (x / np.zeros_like(x), np.zeros(x.size, bool))

    assert newton_roots(flat, excess, np.ones(3), *ends, np.full(3, 20)) == pytest.approx(
        0, abs=1e-12
    )


def test_of_nothing_there_are_no_roots() -> None:
    none = np.empty(0)
    assert newton_roots(step_of, excess, none, none, none).shape == (0,)
