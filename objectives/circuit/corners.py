"""Corner frequencies by root finding on the exact response."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import BoolArray, FloatArray, IntArray, flatten
from objectives.circuit.network import Network, networks
from objectives.circuit.small_signal import SmallSignal
from objectives.roots import bracketed_roots
from objectives.stage import Stage

HALF_POWER_DB = 10 * np.log10(2)
"""3.0103 dB: half the power, |H| down to 1/sqrt(2)."""

HIGHEST_HZ = 10e9
"""An upper corner beyond this is reported as inf."""

LOWEST_HZ = 1e-3
"""A lower corner below this is reported as 0 (coupled directly)."""

_STEPS_PER_DECADE = 4
_SECANT_STEPS = 8
Port = Literal["grid", "cathode", "plate", "output"]


def level_dB(network: Network, port: Port) -> FloatArray:
    """Return 20 log10 |V(port)/V(source)|."""
    value: FloatArray = getattr(network, port)
    return 20 * np.log10(np.abs(value))


def swept_level_dB(
    stage: Stage, device: SmallSignal, frequency_Hz: FloatArray, port: Port
) -> FloatArray:
    """Return the level (dB) of every stage at every frequency, shape (*batch, frequencies).

    The same numbers as :func:`level_dB` of one network with a trailing axis, worked out for as
    many stages at a time as the processor's cache holds: several times as fast for many stages.
    """
    shape = np.broadcast_shapes(stage.shape, device.shape)
    level = np.empty((math.prod(shape), frequency_Hz.size))
    for block, network in networks(stage, device, frequency_Hz, shape):
        level[block] = level_dB(network, port)
    return level.reshape(*shape, frequency_Hz.size)


def corner_frequency(
    stage: Stage,
    device: SmallSignal,
    port: Port,
    reference_Hz: ArrayLike,
    *,
    upper: bool,
    drop_dB: float = HALF_POWER_DB,
    near_Hz: ArrayLike | None = None,
) -> FloatArray:
    """Return the frequency (Hz) nearest the reference where the level has dropped by ``drop_dB``.

    The response is walked outward from the reference in quarter decades until it lies below the
    level sought, then the crossing is closed in on with a bracketed root finder to 1e-8 in log2 f
    (the error in f is below 0.0001 %). Shape: that of the batch. ``inf`` (upper) or 0 (lower)
    where no crossing lies inside LOWEST_HZ..HIGHEST_HZ.

    ``near_Hz``, broadcasting with the batch, says where the crossing is expected: the corner of a
    nominal stage when the stages differ from it by their tolerances only. Secant steps from there
    find it several times as fast to the same accuracy; stages in which they do not settle within
    an octave are walked as the others are.
    """
    shape = np.broadcast_shapes(stage.shape, device.shape, np.shape(reference_Hz))
    flat_stage, flat_device = flatten(stage, shape), flatten(device, shape)
    start = np.log2(np.broadcast_to(np.asarray(reference_Hz, float), shape).ravel())
    everyone = np.arange(start.size)

    def level(where: IntArray, log2_f: FloatArray) -> FloatArray:
        if where.size == start.size:
            return level_dB(Network(flat_stage, flat_device, 2.0**log2_f), port)
        network = Network(flat_stage.at(where), flat_device.at(where), 2.0**log2_f)
        return level_dB(network, port)

    sought = level(everyone, start) - drop_dB
    result = np.full(start.shape, np.inf if upper else 0.0)
    if near_Hz is not None:
        near = np.broadcast_to(np.asarray(near_Hz, float), shape).ravel()
        log2_f, settled = _settle(lambda x: level(everyone, x) - sought, near, upper=upper)
        result[settled] = 2.0 ** log2_f[settled]
        everyone = np.flatnonzero(~settled)
        if everyone.size == 0:
            return result.reshape(shape)
    step = (1 if upper else -1) * np.log2(10) / _STEPS_PER_DECADE
    end = np.log2(HIGHEST_HZ if upper else LOWEST_HZ)
    inner, outer = start.copy(), np.full(start.shape, np.nan)
    active, count = everyone, 0  # those that have not settled
    while active.size:
        count += 1
        here = start[active] + step * count
        inside = here <= end if upper else here >= end
        active, here = active[inside], here[inside]
        below = level(active, here) < sought[active]
        outer[active[below]] = here[below]
        inner[active[~below]] = here[~below]
        active = active[~below]
    found = np.flatnonzero(np.isfinite(outer))
    if found.size:
        root = bracketed_roots(
            lambda log2_f, at: level(at, log2_f) - sought[at],
            inner[found], outer[found], found, tolerance=(1e-8, 0.0),
        )  # fmt: skip
        result[found] = 2.0**root.x
    return result.reshape(shape)


def _settle(
    excess_dB: Callable[[FloatArray], FloatArray], near_Hz: FloatArray, *, upper: bool
) -> tuple[FloatArray, BoolArray]:
    """Follow secant steps to a zero; return log2 f, and whether the level falls outward there."""
    known = np.isfinite(near_Hz) & (near_Hz > 0)
    begin = np.log2(np.where(known, near_Hz, 1.0))
    outward = 1.0 if upper else -1.0
    x0, y0 = begin, excess_dB(begin)
    # At the corner of one RC section the level falls at half its final slope, 3 dB an octave.
    x1 = x0 + outward * np.clip(y0 / HALF_POWER_DB, -0.5, 0.5)
    moved = np.abs(x1 - x0)
    settled = ~known
    for _ in range(_SECANT_STEPS):
        y1 = excess_dB(x1)
        run, rise = x1 - x0, y1 - y0
        falls = (outward * rise * run < 0) | (y1 == 0)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.where(y1 == 0, 0.0, -y1 * run / rise)
        step = np.clip(np.where(settled | ~np.isfinite(step), 0.0, step), -0.5, 0.5)
        # The next error is of the order of the product of the last two.
        small = np.abs(step) * (moved + np.abs(step)) < 1e-9
        settled = settled | (small & falls & (np.abs(y1) < 1e-2))
        moved = np.abs(step)
        x0, y0, x1 = x1, y1, x1 + step
        if np.all(settled):
            break
    inside = (x1 <= np.log2(HIGHEST_HZ)) if upper else (x1 >= np.log2(LOWEST_HZ))
    return x1, settled & known & inside & (np.abs(x1 - begin) <= 1.0)
