"""The attenuation of radio at the grid, defined once for all that speak of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import FloatArray
from objectives.circuit.arrival import Arrival
from objectives.circuit.corners import swept_level_dB
from objectives.circuit.network import networks
from objectives.circuit.small_signal import SmallSignal
from objectives.stage import Stage


def attenuation_dB(
    stage: Stage, device: SmallSignal, frequency_Hz: ArrayLike, arrival: Arrival
) -> FloatArray:
    """Return how far (dB) the grid is below the carrier's EMF, shape (..., frequencies).

    ``20 log10 |E/Vg|`` with E the EMF of the carrier behind the impedance that it arrives from, and
    Vg the voltage from grid to ground at its frequency: an insertion loss against the open-circuit
    voltage. What the way in itself loses (the divider of impedance and bond, the resistance of the
    plate load) counts; negative where the grid resonates above the EMF.
    """
    f = np.atleast_1d(np.asarray(frequency_Hz, float))
    return -swept_level_dB(stage, device, f, "grid", arrival)


def least_attenuation_dB(
    stage: Stage, device: SmallSignal, frequency_Hz: FloatArray, arrival: Arrival
) -> FloatArray:
    """Return the least of :func:`attenuation_dB` in bands, shape (bands, ...).

    ``frequency_Hz``, of shape (bands, points), says where each is looked at.
    """
    bands, points = frequency_Hz.shape
    shape = np.broadcast_shapes(stage.shape, device.shape)
    loudest = np.empty((bands, *shape))
    for block, network in networks(stage, device, frequency_Hz.ravel(), shape, arrival):
        power = network.power("grid")
        for band in range(bands):
            own = power[band * points : (band + 1) * points]
            loudest[band, ...][block] = own.max(axis=0)
    return -10 * np.log10(loudest)
