"""Corner frequencies by root finding on the exact response."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import FloatArray, IntArray, blocks, cut
from objectives.circuit.arrival import Arrival
from objectives.circuit.crossings import HIGHEST_HZ as HIGHEST_HZ
from objectives.circuit.crossings import WALKED_HZ as WALKED_HZ
from objectives.circuit.crossings import Levels
from objectives.circuit.network import Network, block_size, networks
from objectives.circuit.network import Port as Port
from objectives.circuit.small_signal import SmallSignal
from objectives.stage import Stage

HALF_POWER_DB = 10 * np.log10(2)
"""3.0103 dB: half the power, |H| down to 1/sqrt(2)."""


def level_dB(network: Network, port: Port) -> FloatArray:
    """Return 20 log10 |V(port)/V(source)|."""
    return 10 * np.log10(network.power(port))


def swept_level_dB(
    stage: Stage,
    device: SmallSignal,
    frequency_Hz: FloatArray,
    port: Port,
    arrival: Arrival | None = None,
) -> FloatArray:
    """Return the level (dB) of every stage at every frequency, shape (*batch, frequencies).

    The same numbers as :func:`level_dB` of one network with a trailing axis, worked out for as
    many stages at a time as the processor's cache holds: several times as fast for many stages.
    """
    shape = np.broadcast_shapes(stage.shape, device.shape)
    level = np.empty((*shape, frequency_Hz.size))
    for block, network in networks(stage, device, frequency_Hz, shape, arrival):
        level[block] = np.moveaxis(level_dB(network, port), 0, -1)
    return level


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
    level sought. Where it falls and rises again on the way, so that a dip may reach that level
    between two steps, and from 10 MHz on, where leads resonate and a dip may be narrower than any
    step, it is looked at between all of its crossings instead, which are eigenvalues. The
    first crossing is closed in on to 1e-9 in log2 f and most often 1e-12, by rational interpolation
    through the steps or, where that does not settle, with a bracketed root finder: beside a notch
    the level falls by 1e4 dB an octave. Shape: that of the batch. ``inf`` (upper) or 0 (lower)
    where no crossing lies inside LOWEST_HZ..HIGHEST_HZ.

    ``near_Hz``, broadcasting with the batch, says where the crossing is expected: the corner of a
    nominal stage when the stages differ from it by their tolerances only. Interpolation from
    there finds it several times as fast; stages in which it does not settle within an octave are
    walked as the others are.
    """
    shape = np.broadcast_shapes(stage.shape, device.shape, np.shape(reference_Hz))
    result = np.full(shape, np.nan)
    for block, levels in _in_blocks(stage, device, port, reference_Hz, upper, drop_dB):
        found = np.full(levels.size, np.nan)
        if near_Hz is not None:
            near = np.broadcast_to(cut(np.asarray(near_Hz, float), block), levels.shape).ravel()
            known = np.isfinite(near) & (near > 0)
            log2_f, settled = levels.near(np.log2(np.where(known, near, np.nan)))
            found[settled] = log2_f[settled]
        left = np.flatnonzero(np.isnan(found))
        if left.size:
            found[left] = levels.some(left).first_crossing()
        result[block] = found.reshape(levels.shape)
    none = np.isnan(result)
    if not upper:
        result[none] = -np.inf
    elif np.any(none):
        rows, reference = np.flatnonzero(none), np.broadcast_to(np.log2(reference_Hz), shape)
        levels = Levels(
            stage.take(rows, shape), device.take(rows, shape), port, rows.shape, upper,
            reference[none], 10 ** (-drop_dB / 10),
        )  # fmt: skip
        result[none] = levels.beyond()
    return np.asarray(2.0**result)


def bounds_crossed(
    stage: Stage,
    device: SmallSignal,
    port: Port,
    reference_Hz: float,
    bounds_Hz: Sequence[float],
    *,
    upper: bool,
) -> IntArray:
    """Return how many bounds :func:`corner_frequency` lies before, shape of the batch.

    It is not looked for: a level at a bound below half the power has crossed it on the way there;
    one above it has not, unless a step of the walk up to there has.

    Raises
    ------
    ValueError
        If a bound lies where crossings are looked for as eigenvalues, above 10 MHz.
    """
    if max(bounds_Hz) > WALKED_HZ:
        raise ValueError(f"bounds_Hz: {max(bounds_Hz):g}: must be {WALKED_HZ:g} or less")
    shape = np.broadcast_shapes(stage.shape, device.shape)
    result = np.zeros(shape, np.intp)
    for block, levels in _in_blocks(stage, device, port, reference_Hz, upper, HALF_POWER_DB):
        result[block] = levels.crossed_by(bounds_Hz).reshape(levels.shape)
    return result


def _in_blocks(
    stage: Stage,
    device: SmallSignal,
    port: Port,
    reference_Hz: ArrayLike,
    upper: bool,
    drop_dB: float,
) -> Iterator[tuple[tuple[slice, ...], Levels]]:
    """Yield as many stages at a time as the processor's cache holds, and their place."""
    reference = np.asarray(reference_Hz, float)
    shape = np.broadcast_shapes(stage.shape, device.shape, reference.shape)
    stage, device = stage.varied(), device.varied()
    for block in blocks(shape, block_size(shape)):
        own = tuple(len(range(*at.indices(n))) for at, n in zip(block, shape, strict=True))
        start = np.log2(cut(reference, block))
        if start.size > 1:
            start = np.broadcast_to(start, own).ravel()
        yield block, Levels(
            stage.cut(block), device.cut(block), port, own, upper, start.reshape(-1),
            10 ** (-drop_dB / 10),
        )  # fmt: skip
