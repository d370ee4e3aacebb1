"""Sensitivity indices: which share of a number's variance each of its variables causes.

SALib has both methods, and tests hold these to it. With SALib come pandas and all of SciPy's
statistics, and it takes up outputs, variables and resamples one by one: two to three seconds where
this takes some hundredths.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from statistics import NormalDist
from typing import Final, NamedTuple

import numpy as np

from objectives.arrays import FloatArray
from objectives.checks import require
from objectives.tolerance.sobol import scrambled_points

_RESAMPLES: Final = 100

_HARMONICS: Final = 10
"""Of the ordered output, that are put down to the variable it is ordered by: as many as usual."""

INTERVAL_95: Final = NormalDist().inv_cdf(0.975)
"""Half of a 95 % interval, in standard deviations."""


class Indices(NamedTuple):
    """Indices of one output, each of shape (variables,).

    Attributes
    ----------
    first : share of the variance that the variable causes alone
    total : the same together with others
    total_95 : half of its 95 % interval, by resampling
    """

    first: FloatArray
    total: FloatArray
    total_95: FloatArray


def sobol_indices(
    model: Callable[[FloatArray], Mapping[str, FloatArray]],
    variables: int,
    *,
    samples: int,
    seed: int,
) -> dict[str, Indices]:
    """Return Sobol indices of every output of a model, by Saltelli's scheme.

    Parameters
    ----------
    model :
        Takes points of shape (rows, variables), each coordinate in [0, 1), and gives outputs of
        shape (rows,) by name.
    samples :
        Base sample, a power of two; the model sees samples * (variables + 2) points.

    Those of an output that is not finite everywhere are nan, of one that does not vary 0.

    Source: A. Saltelli et al., Variance based sensitivity analysis of model output, Computer
    Physics Communications 181, 2010, as in SALib (J. Herman, W. Usher, J. Open Source Software
    2(9), 97, 2017).
    """
    power_of_two = samples > 1 and not samples & (samples - 1)
    require("samples", samples, power_of_two, "a power of two, 2 or more")
    one, other = np.split(scrambled_points(2 * variables, samples, seed), 2, axis=1)
    # The first points, these with one variable of the others each, and the others.
    points = np.repeat(one[np.newaxis], variables + 2, axis=0)
    points[range(1, variables + 1), :, range(variables)] = other.T
    points[-1] = other
    drawn = np.random.default_rng(seed).integers(samples, size=(samples, _RESAMPLES))
    # How often each sample counts: once, and in the resamples.
    counts = np.stack([np.ones(samples), *(np.bincount(d, minlength=samples) for d in drawn.T)])
    return {
        name: _indices(np.reshape(value, (variables + 2, samples)), counts / samples)
        for name, value in model(points.reshape(-1, variables)).items()
    }


def _indices(outputs: FloatArray, share: FloatArray) -> Indices:
    """Return the indices of one output, shape (variables + 2, samples).

    ``share`` is what each sample counts, as it is and in resamples, shape (1 + resamples, samples).
    """
    variables = len(outputs) - 2
    if not np.all(np.isfinite(outputs)):
        return Indices(*np.full((3, variables), np.nan))
    if np.ptp(outputs) == 0:
        return Indices(*np.zeros((3, variables)))
    outputs = (outputs - outputs.mean()) / outputs.std()
    one, mixed, other = outputs[0], outputs[1:-1], outputs[-1]
    variance = share @ (one**2 + other**2) / 2 - (share @ (one + other) / 2) ** 2
    # A resample may hold nothing that varies.
    weight = np.where(variance > np.finfo(float).eps, 1 / np.maximum(variance, 1e-300), 0.0)
    first = share[0] @ (other * (mixed - one)).T * weight[0]
    total = share @ ((one - mixed) ** 2).T / 2 * weight[:, np.newaxis]
    return Indices(first, total[0], INTERVAL_95 * total[1:].std(axis=0, ddof=1))


def first_order(variables: FloatArray, outputs: FloatArray) -> FloatArray:
    """Return first-order indices from any sample, by RBD-FAST; shape (outputs, variables).

    Parameters
    ----------
    variables : shape (samples, variables)
    outputs : shape (outputs, samples); each must vary

    Source: S. Tarantola et al., Reliability Engineering and System Safety 91, 2006; E. Plischke,
    ibid. 95, 2010; the correction of its bias: J.-Y. Tissot, C. Prieur, ibid. 107, 2012; as in
    SALib.
    """
    order = np.argsort(variables, axis=0)
    # Up by every second value and down by the others: a period of whatever the variable causes.
    around = np.concatenate([order[::2], order[1::2][::-1]])
    samples = len(variables)
    centred = outputs - outputs.mean(axis=1, keepdims=True)
    waves = np.fft.rfft(centred[:, around], axis=1)[:, 1 : _HARMONICS + 1]
    power = 2 * np.sum(np.abs(waves) ** 2, axis=1) / samples
    share = power / np.sum(centred**2, axis=1, keepdims=True)
    bias = 2 * _HARMONICS / samples
    return np.asarray(share - bias / (1 - bias) * (1 - share))
