"""Harmonic levels of a periodic steady state."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import ComplexArray, FloatArray
from objectives.checks import require

_FLOOR_DB = -300.0
"""Stands for no harmonic at all: far under the rounding of double precision."""


def harmonics(samples: ArrayLike) -> ComplexArray:
    """Return the complex peak amplitudes of the harmonics of a signal sampled over one period.

    ``samples``, shape (..., samples), are evenly spaced, the one that begins the next period left
    out. An FFT over a whole period has no leakage, so it needs no window.

    Returns
    -------
    Shape (..., harmonics + 1) in the unit of the samples: the mean at 0, then harmonic n as
    ``a_n = c_n exp(j phase)`` of ``c_n cos(n w t + phase)`` with t = 0 at the first sample, up to
    but not including half the sampling rate.

    Raises
    ------
    InputError
        If the samples are fewer than 4.
    """
    values = np.asarray(samples, float)
    count = values.shape[-1]
    require("samples", count, count >= 4, "at least 4")
    amplitudes = np.fft.rfft(values, axis=-1)[..., : (count + 1) // 2] / count
    amplitudes[..., 1:] *= 2.0
    return np.asarray(amplitudes)


def distortion_percent(amplitudes: ArrayLike) -> FloatArray:
    """Return the total harmonic distortion: r.m.s. of harmonics 2 and up over the first, in %."""
    size = np.abs(np.asarray(amplitudes))
    rest = np.sqrt(np.sum(size[..., 2:] ** 2, axis=-1))
    first = np.asarray(size[..., 1])
    return np.asarray(100.0 * np.divide(rest, first, where=first > 0, out=np.zeros(first.shape)))


def high_harmonics_dB(
    amplitudes: ArrayLike, note_Hz: float, above_Hz: float, up_to_Hz: float = np.inf
) -> FloatArray:
    """Return the power of the harmonics in a band relative to that of the fundamental (dB).

    ``amplitudes`` are as of :func:`harmonics`; harmonics of the note at frequencies strictly above
    ``above_Hz`` and up to ``up_to_Hz`` count. A band without any is an InputError.
    """
    power = np.abs(np.asarray(amplitudes)) ** 2
    at = note_Hz * np.arange(power.shape[-1])
    chosen = (at > above_Hz) & (at <= up_to_Hz)
    chosen[:2] = False
    require(
        "above_Hz", above_Hz, chosen.any(),
        f"low enough for harmonics of {note_Hz:g} Hz below {min(up_to_Hz, float(at[-1])):g} Hz",
    )  # fmt: skip
    high, reference = power[..., chosen].sum(axis=-1), power[..., 1]
    ratio = np.divide(high, reference, where=reference > 0, out=np.zeros(high.shape))
    return np.asarray(10.0 * np.log10(np.maximum(ratio, 10.0 ** (_FLOOR_DB / 10.0))))
