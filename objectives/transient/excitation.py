"""EMFs of the source over time: a sine, a clipped sine, or samples."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

import numpy as np
import scipy
from numpy.typing import ArrayLike

from objectives.arrays import FloatArray

Emf: TypeAlias = Callable[[FloatArray], FloatArray]
"""EMF of the source (V) at the given times (s), same shape."""


def sine(level_V: float, frequency_Hz: float) -> Emf:
    """Return a sine EMF of the given peak (V), zero and rising at t = 0."""

    def emf(time_s: FloatArray) -> FloatArray:
        return np.asarray(level_V * np.sin(2 * np.pi * frequency_Hz * time_s))

    return emf


def clipped_sine(level_V: float, frequency_Hz: float, clip_V: float) -> Emf:
    """Return a sine EMF of the given peak (V), cut off at ``-clip_V`` and ``+clip_V``."""
    if not clip_V > 0:
        raise ValueError(f"clip_V: {clip_V!r}: must be more than 0")
    whole = sine(level_V, frequency_Hz)

    def emf(time_s: FloatArray) -> FloatArray:
        return np.clip(whole(time_s), -clip_V, clip_V)

    return emf


def sampled(samples_V: ArrayLike, rate_Hz: float) -> Emf:
    """Return the EMF that goes smoothly (cubic spline) through samples; held at both ends.

    The spline is true to a signal well below half the sampling rate; resample first where it is
    not.
    """
    values = np.asarray(samples_V, float)
    if values.ndim != 1 or values.size < 4 or not np.all(np.isfinite(values)):
        raise ValueError(
            f"samples_V: array of shape {values.shape}: must be at least 4 finite samples on one "
            "axis"
        )
    spline = scipy.interpolate.CubicSpline(np.arange(values.size) / rate_Hz, values)
    end = (values.size - 1) / rate_Hz

    def emf(time_s: FloatArray) -> FloatArray:
        return np.asarray(spline(np.clip(time_s, 0.0, end)))

    return emf
