"""Sensitivity indices, against closed forms and a general library."""

from __future__ import annotations

import numpy as np
import pytest
from SALib.analyze import rbd_fast, sobol
from scipy import stats

from objectives.arrays import FloatArray
from objectives.tolerance.indices import Indices, first_order, sobol_indices
from objectives.tolerance.study import _wilson

A, B = 7.0, 0.1
PROBLEM = {"num_vars": 3, "names": ["x", "y", "z"], "bounds": [[0.0, 1.0]] * 3}


def ishigami(points: FloatArray) -> FloatArray:
    x, y, z = np.pi * (2 * points.T - 1)
    return np.asarray(np.sin(x) + A * np.sin(y) ** 2 + B * z**4 * np.sin(x))


def model(points: FloatArray) -> dict[str, FloatArray]:
    x = points[:, 0]
    return {
        "ishigami": ishigami(points),
        "constant": 0 * x + 0.1,
        "seldom": 100.0 * (x > 0.995),
        "once": 100.0 * (np.arange(len(x)) == 7),
        "broken": np.where(x > 0.5, np.nan, x),
    }


@pytest.mark.filterwarnings("error")
def test_indices_of_the_ishigami_function() -> None:
    """Exact indices: T. Ishigami, T. Homma, ISUMA '90, 1990, with a = 7, b = 0.1."""
    pi4 = np.pi**4
    first = [0.5 * (1 + B * pi4 / 5) ** 2, A**2 / 8, 0.0]
    both = B**2 * pi4**2 * 8 / 225
    variance = sum(first) + both
    found = sobol_indices(model, 3, samples=2048, seed=1)
    np.testing.assert_allclose(found["ishigami"].first, np.array(first) / variance, atol=0.02)
    total = np.add(first, [both, 0, both]) / variance
    np.testing.assert_allclose(found["ishigami"].total, total, atol=0.02)
    np.testing.assert_array_equal(found["constant"], 0.0)
    assert np.all(np.isnan(found["broken"]))
    with pytest.raises(ValueError, match="samples: 100: must be a power of two"):
        sobol_indices(model, 3, samples=100, seed=1)


@pytest.mark.filterwarnings("ignore:Constant values encountered")
@pytest.mark.parametrize("name", ["ishigami", "seldom"])
def test_indices_are_the_librarys(name: str) -> None:
    given = []

    def heard(points: FloatArray) -> dict[str, FloatArray]:
        given.append(points)
        return model(points)

    found = sobol_indices(heard, 3, samples=256, seed=5)[name]
    # The library takes all points of one sample together.
    in_order = given[0].reshape(5, 256, 3).swapaxes(0, 1).reshape(-1, 3)
    known = sobol.analyze(PROBLEM, model(in_order)[name], calc_second_order=False, seed=5)
    theirs = Indices(known["S1"], known["ST"], known["ST_conf"])
    np.testing.assert_allclose(found, theirs, rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("samples", [512, 501])
def test_first_order_indices_from_any_sample_are_the_librarys(samples: int) -> None:
    points = np.random.default_rng(2).uniform(size=(samples, 3))
    outputs = np.stack([ishigami(points), points[:, 1] ** 2, np.exp(points[:, 0] + points[:, 2])])
    found = first_order(points, outputs)
    for row, output in zip(found, outputs, strict=True):
        known = rbd_fast.analyze(PROBLEM, points, output, num_resamples=2, seed=1)["S1"]
        np.testing.assert_allclose(row, known, rtol=1e-9, atol=1e-12)


def test_the_interval_of_a_yield_is_scipys() -> None:
    count, draws = np.array([0, 3, 517, 1023, 1024]), 1024
    found = np.stack(_wilson(count / draws, draws), axis=1)
    for row, k in zip(found, count, strict=True):
        known = stats.binomtest(int(k), draws).proportion_ci(method="wilson")
        np.testing.assert_allclose(row, known, rtol=1e-9, atol=1e-12)
