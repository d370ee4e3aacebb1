"""Rational interpolation against rational functions whose zeros are known."""

from __future__ import annotations

import numpy as np
import pytest

from objectives.circuit.fraction import inverse_differences, zero_of_fraction


def test_a_rational_function_is_met_exactly() -> None:
    """(x - zero)(x + b)/(x + c) by five points or more; fewer only come near."""
    rng = np.random.default_rng(8)
    zero, b, c = rng.uniform(0.4, 0.9, 200), *rng.uniform(0.1, 3.0, (2, 200))
    x = np.array([1.0, 0.3, 3.2, 0.1, 0.03, 0.01])[:, np.newaxis] + np.zeros(200)

    y = (x - zero) * (x + b) / (x + c)
    found, slope = zero_of_fraction(x, inverse_differences(x, y), x[0], 8)
    np.testing.assert_allclose(found, zero, rtol=1e-9)
    np.testing.assert_allclose(slope, (zero + b) / (zero + c), rtol=1e-6)
    few, _ = zero_of_fraction(x[:3], inverse_differences(x[:3], y[:3]), x[0], 8)
    assert 1e-6 < np.abs(few / zero - 1).max() < 0.2


@pytest.mark.parametrize("missing", [2, 3, 5])
def test_a_point_that_is_not_there_ends_the_fraction(missing: int) -> None:
    x = np.array([1.0, 0.3, 3.2, 0.1, 0.03, 0.01])[:, np.newaxis] + np.zeros(3)
    y = x**2 + 0.3 * x - 0.4
    y[missing:, 1] = np.nan
    found, _ = zero_of_fraction(x, inverse_differences(x, y), x[0], 6)
    alone, _ = zero_of_fraction(x[:missing], inverse_differences(x[:missing], y[:missing]), x[0], 6)
    assert found[1] == pytest.approx(alone[1], rel=1e-12)
    assert found[0] == found[2] == pytest.approx((np.sqrt(0.09 + 1.6) - 0.3) / 2, rel=1e-9)


def test_a_straight_line_takes_two_points_and_one_step() -> None:
    x = np.array([1.0, 0.3, 3.2])[:, np.newaxis]
    found, slope = zero_of_fraction(x, inverse_differences(x, 2.0 * x - 1.4), x[0], 1)
    assert found == pytest.approx(0.7)
    assert slope == pytest.approx(2.0)
