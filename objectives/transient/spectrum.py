"""Harmonic levels of a periodic steady state, and the closed forms they are checked against."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import ComplexArray, FloatArray

__all__ = [
    "clipped_sine_harmonics",
    "distortion_percent",
    "harmonics",
    "high_harmonics_dB",
    "level_below_fundamental_dB",
    "square_law_second_harmonic",
]

_FLOOR_DB = -300.0
"""Stands for no harmonic at all: far under the rounding of double precision."""


def harmonics(samples: ArrayLike, periods: int = 1) -> ComplexArray:
    """Return the complex peak amplitudes of the harmonics of a signal sampled over whole periods.

    Parameters
    ----------
    samples :
        Shape (..., samples); evenly spaced, over an integer number of periods, the sample that
        begins the next period left out. An FFT over whole periods has no leakage, so no window.
    periods :
        How many periods they span.

    Returns
    -------
    Shape (..., harmonics + 1) in the unit of the samples: the mean at 0, then harmonic n as
    ``a_n = c_n exp(j phase)`` of ``c_n cos(n w t + phase)`` with t = 0 at the first sample, up to
    but not including half the sampling rate.

    Raises
    ------
    ValueError
        If the samples do not divide into the periods, or are too few.
    """
    values = np.asarray(samples, float)
    count = values.shape[-1]
    if periods < 1 or count % periods:
        raise ValueError(f"periods: {periods!r}: must be 1 or more and divide {count} samples")
    if count // periods < 4:
        raise ValueError(f"samples: {count // periods} a period: must be at least 4")
    found = np.fft.rfft(values, axis=-1)[..., ::periods] / count
    found = found[..., : (count // periods + 1) // 2]
    found[..., 1:] *= 2.0
    return np.asarray(found)


def level_below_fundamental_dB(amplitudes: ArrayLike) -> FloatArray:
    """Return each harmonic's level relative to the fundamental (dB), shape (..., harmonics).

    ``amplitudes`` as :func:`harmonics` returns them; the mean is left out.
    """
    size = np.abs(np.asarray(amplitudes))[..., 1:]
    return _dB(size**2, size[..., :1] ** 2)


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

    Parameters
    ----------
    amplitudes :
        As :func:`harmonics` returns them.
    note_Hz :
        Frequency of the fundamental.
    above_Hz, up_to_Hz :
        Harmonics at frequencies strictly above the first and up to the second count.

    Raises
    ------
    ValueError
        If no harmonic lies in the band.
    """
    power = np.abs(np.asarray(amplitudes)) ** 2
    at = note_Hz * np.arange(power.shape[-1])
    chosen = (at > above_Hz) & (at <= up_to_Hz)
    chosen[:2] = False
    if not chosen.any():
        raise ValueError(
            f"above_Hz: {above_Hz!r}: must leave harmonics of {note_Hz!r} Hz below "
            f"{min(up_to_Hz, float(at[-1])):g} Hz"
        )
    return _dB(power[..., chosen].sum(axis=-1), power[..., 1])


def _dB(power: FloatArray, reference: FloatArray) -> FloatArray:
    power, reference = np.broadcast_arrays(power, reference)
    ratio = np.divide(power, reference, where=reference > 0, out=np.zeros(power.shape))
    return np.asarray(10.0 * np.log10(np.maximum(ratio, 10.0 ** (_FLOOR_DB / 10.0))))


def clipped_sine_harmonics(level: float, clip: float, count: int) -> FloatArray:
    """Return the sine amplitudes b_1 … b_count of a sine of peak ``level`` cut off at ±``clip``.

    With ``a = arcsin(clip/level)``::

        b_1 = (2/pi) (a level + clip cos a)
        b_n = (2 level/pi) [sin((n-1) a)/(n-1) + sin((n+1) a)/(n+1)] / n      n odd, above 1

    the even ones are zero. Integrated here from ``b_n = (2/pi) int_0^pi f sin(n t) dt``: by parts
    this is ``(2 level/(n pi))`` times the integral of ``cos t cos(n t)`` over the unclipped parts.
    """
    n = np.arange(1, count + 1)
    if clip >= level:
        return np.where(n == 1, level, 0.0)
    a = np.arcsin(clip / level)
    down = np.where(n == 1, 1, n - 1)
    out = 2 * level / np.pi * (np.sin(down * a) / down + np.sin((n + 1) * a) / (n + 1)) / n
    out[0] = 2 / np.pi * (a * level + clip * np.cos(a))
    return np.where(n % 2 == 1, out, 0.0)


def square_law_second_harmonic(amplitude_V: ArrayLike, overdrive_V: ArrayLike) -> FloatArray:
    """Return second harmonic over fundamental of a device with ``I = K (v - V_0)^2``.

    At rest the grid stands ``overdrive_V`` above cut-off; a sine of peak ``amplitude_V``, not more
    than that, adds ``2 K U A cos`` and ``K A^2 cos^2 = K A^2/2 (1 + cos 2wt)``, so the ratio is
    ``A/(4 U)``, exactly, and there is no other harmonic.
    """
    return np.asarray(amplitude_V, float) / (4.0 * np.asarray(overdrive_V, float))
