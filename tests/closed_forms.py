"""Closed forms that several tests compare with."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy import constants

from objectives.arrays import ComplexArray, FloatArray
from objectives.circuit.nodal import UNKNOWNS, descriptor
from objectives.circuit.small_signal import SmallSignal
from objectives.stage import Stage


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


def thermal_noise_V(
    resistance_ohm: ArrayLike, temperature_K: ArrayLike, bandwidth_Hz: ArrayLike
) -> FloatArray:
    """Return the r.m.s. open-circuit thermal noise (V), sqrt(4 k T R B).

    Source: H. Nyquist, Thermal agitation of electric charge in conductors, Phys. Rev. 32, 1928,
    p. 110, in the limit hf << kT.
    """
    product = np.asarray(temperature_K) * np.asarray(resistance_ohm) * np.asarray(bandwidth_Hz)
    return np.asarray(np.sqrt(4 * constants.k * product))


def dense_response(
    stage: Stage, device: SmallSignal, frequency_Hz: ArrayLike
) -> dict[str, ComplexArray]:
    """Solve the dense system at each frequency, shape ``stage.shape + frequency.shape``.

    Returns the voltages of every node by its name in ``UNKNOWNS`` for 1 V of source EMF.
    """
    f = np.asarray(frequency_Hz, float)
    system = descriptor(stage, device)
    lead = system.B.shape[:-1]
    pick = (..., *(np.newaxis,) * f.ndim)
    s = (2j * np.pi * f).reshape((1,) * len(lead) + f.shape)[..., None, None]
    E = np.moveaxis(np.moveaxis(system.E, (-2, -1), (0, 1))[pick], (0, 1), (-2, -1))
    A = np.moveaxis(np.moveaxis(system.A, (-2, -1), (0, 1))[pick], (0, 1), (-2, -1))
    B = np.moveaxis(np.moveaxis(system.B, -1, 0)[pick], 0, -1)
    # Equilibrate: rows of conductances and rows of elastances differ by twenty decades.
    matrix = s * E + A
    rows = 1.0 / np.abs(matrix).max(axis=-1, keepdims=True)
    x = np.linalg.solve(matrix * rows, (B[..., None] * rows).astype(complex))[..., 0]
    return {name: x[..., at] for at, name in enumerate(UNKNOWNS) if not name.startswith("i_")}
