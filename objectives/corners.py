"""Corner frequencies by root finding on the exact response."""

from __future__ import annotations

from typing import Literal, TypeVar

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import elementwise

from objectives.batch import FloatArray, IntArray
from objectives.network import Network, SmallSignal
from objectives.stage import Stage

__all__ = ["HALF_POWER_DB", "HIGHEST_HZ", "LOWEST_HZ", "Port", "corner_frequency", "level_dB"]

HALF_POWER_DB = 10 * np.log10(2)
"""3.0103 dB: half the power, |H| down to 1/sqrt(2)."""
HIGHEST_HZ = 10e9
"""An upper corner beyond this is reported as inf."""
LOWEST_HZ = 1e-3
"""A lower corner below this is reported as 0 (coupled directly)."""
_STEPS_PER_DECADE = 4

_B = TypeVar("_B", Stage, SmallSignal)
Port = Literal["grid", "cathode", "plate", "output"]


def level_dB(network: Network, port: Port) -> FloatArray:
    """Return 20 log10 |V(port)/V(source)|."""
    value: FloatArray = getattr(network, port)
    return np.asarray(20 * np.log10(np.abs(value)))


def corner_frequency(
    stage: Stage,
    device: SmallSignal,
    port: Port,
    reference_Hz: ArrayLike,
    *,
    upper: bool,
    drop_dB: float = HALF_POWER_DB,
) -> FloatArray:
    """Return the frequency (Hz) nearest the reference where the level has dropped by ``drop_dB``.

    The response is walked outward from the reference in quarter decades until it lies below the
    level sought, then the crossing is closed in on with a bracketed root finder to 1e-8 in log2 f
    (the error in f is below 0.0001 %). Shape: that of the batch. ``inf`` (upper) or 0 (lower)
    where no crossing lies inside LOWEST_HZ..HIGHEST_HZ.
    """
    shape = np.broadcast_shapes(stage.shape, device.shape, np.shape(reference_Hz)) or (1,)
    flat_stage = _flatten(stage, shape)
    flat_device = _flatten(device, shape)
    start = np.log2(np.broadcast_to(np.asarray(reference_Hz, float), shape).ravel())
    everyone = np.arange(start.size)

    def level(where: IntArray, log2_f: FloatArray) -> FloatArray:
        network = Network(flat_stage.at(where), flat_device.at(where), 2.0**log2_f)
        return level_dB(network, port)

    sought = level(everyone, start) - drop_dB
    step = (1 if upper else -1) * np.log2(10) / _STEPS_PER_DECADE
    end = np.log2(HIGHEST_HZ if upper else LOWEST_HZ)
    inner, outer = start.copy(), np.full(start.shape, np.nan)
    active, count = everyone, 0
    while active.size:
        count += 1
        here = start[active] + step * count
        inside = here <= end if upper else here >= end
        active, here = active[inside], here[inside]
        below = level(active, here) < sought[active]
        outer[active[below]] = here[below]
        inner[active[~below]] = here[~below]
        active = active[~below]
    result = np.full(start.shape, np.inf if upper else 0.0)
    found = np.flatnonzero(np.isfinite(outer))
    if found.size:

        def above(log2_f: FloatArray, which: FloatArray) -> FloatArray:
            where = which.astype(np.intp)
            return level(where, log2_f) - sought[where]

        root = elementwise.find_root(
            above,
            (inner[found], outer[found]),
            args=(found.astype(float),),
            tolerances={"xatol": 1e-8, "xrtol": 0.0, "fatol": 0.0, "frtol": 0.0},
        )
        result[found] = 2.0 ** np.asarray(root.x)
    return result.reshape(shape)


def _flatten(batch: _B, shape: tuple[int, ...]) -> _B:
    """Return the batch with every per-candidate field as one flat axis of the common shape."""
    return batch.map(lambda a: a if a.shape == () else np.broadcast_to(a, shape).ravel())
