"""The attenuation of radio at the grid, defined once for all that speak of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import FloatArray
from objectives.circuit.arrival import Arrival
from objectives.circuit.corners import swept_level_dB
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
