"""Corner frequencies by root finding on the exact response."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import BoolArray, ComplexArray, FloatArray, IntArray, flatten
from objectives.circuit.arrival import QUASI_STATIC_HZ, Arrival
from objectives.circuit.network import Network, networks
from objectives.circuit.nodal import NODE_OF, UNKNOWNS, descriptor
from objectives.circuit.poles import (
    LOWEST_HZ,
    ON_AXIS,
    in_chunks,
    pencil_eigenvalues,
)
from objectives.circuit.small_signal import SmallSignal
from objectives.roots import bracketed_roots
from objectives.stage import Stage

HALF_POWER_DB = 10 * np.log10(2)
"""3.0103 dB: half the power, |H| down to 1/sqrt(2)."""

HIGHEST_HZ: Final = QUASI_STATIC_HZ
"""An upper corner beyond this is reported as inf: the network no longer describes the device."""

_WALKED_HZ = 10e6
_STEPS_PER_DECADE = 4
_FLAT_DB = 1e-9
"""A level that changes by less from step to step is flat but for rounding."""
_SECANT_STEPS = 8
Port = Literal["grid", "cathode", "plate", "output"]


def level_dB(network: Network, port: Port) -> FloatArray:
    """Return 20 log10 |V(port)/V(source)|."""
    value: FloatArray = getattr(network, port)
    return 20 * np.log10(np.abs(value))


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
    level = np.empty((math.prod(shape), frequency_Hz.size))
    for block, network in networks(stage, device, frequency_Hz, shape, arrival):
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
    level sought. Where it falls and rises again on the way, so that a dip may reach that level
    between two steps, and from 10 MHz on, where leads resonate and a dip may be narrower than any
    step, it is looked at between all of its crossings instead, which are eigenvalues. The
    first crossing is closed in on with a bracketed root finder to 1e-10 in log2 f: beside a notch
    the level falls by 1e4 dB an octave. Shape: that of the batch. ``inf`` (upper) or 0 (lower)
    where no crossing lies inside LOWEST_HZ..HIGHEST_HZ.

    ``near_Hz``, broadcasting with the batch, says where the crossing is expected: the corner of a
    nominal stage when the stages differ from it by their tolerances only. Secant steps from there
    find it several times as fast, to 1e-8 in log2 f; stages in which they do not settle within
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
    inner, outer = start.copy(), np.full(start.shape, np.nan)
    last = sought + drop_dB
    fell, dipped = (np.zeros(start.shape, bool) for _ in range(2))

    def advance(active: IntArray, here: FloatArray) -> IntArray:
        """Return those that are still above the level here."""
        now = level(active, here)
        below, rise = now < sought[active], now - last[active]
        dipped[active] |= fell[active] & (rise > _FLAT_DB)
        fell[active] |= rise < -_FLAT_DB
        last[active] = now
        outer[active[below]] = here[below]
        inner[active[~below]] = here[~below]
        return active[~below]

    outward = 1.0 if upper else -1.0
    step = outward * np.log2(10) / _STEPS_PER_DECADE
    end = np.log2(_WALKED_HZ if upper else LOWEST_HZ)
    active, count = everyone, 0  # those that have not settled
    while active.size:
        before, here = (start[active] + step * n for n in (count, count + 1))
        count += 1
        inside = outward * (end - before) > 1e-9
        here = outward * np.minimum(outward * here, outward * end)
        active = advance(active[inside], here[inside])
    beyond = np.isnan(outer) if upper else np.zeros(start.shape, bool)
    doubtful = active = everyone[(dipped | beyond)[everyone]]
    if doubtful.size:
        inner[doubtful] = np.where(dipped, start, inner)[doubtful]
        outer[doubtful] = np.nan
        own = flat_stage.at(doubtful)
        # Scaled so that the level sought is 1 V.
        scaled = replace(own, source_ratio=own.source_ratio * 10 ** (-sought[doubtful] / 20))
        points = _between_crossings(
            scaled, flat_device.at(doubtful), port, inner[doubtful], upper=upper
        )
        for column in points.T:
            active = advance(active, column[np.searchsorted(doubtful, active)])
    found = np.flatnonzero(np.isfinite(outer))
    if found.size:
        root = bracketed_roots(
            lambda log2_f, at: level(at, log2_f) - sought[at],
            inner[found], outer[found], found, tolerance=(1e-10, 0.0),
        )  # fmt: skip
        result[found] = 2.0**root.x
    return result.reshape(shape)


def _between_crossings(
    stage: Stage, device: SmallSignal, port: Port, from_log2_Hz: FloatArray, *, upper: bool
) -> FloatArray:
    """Return log2 of frequencies (Hz) between all where the port has 1 V, shape (stages, points).

    Outward, from ``from_log2_Hz`` to HIGHEST_HZ or LOWEST_HZ. With ``H`` the response, the zeros of
    ``H(s) H(-s) - 1`` hold every such frequency on the imaginary axis and are the eigenvalues of a
    pencil of twice the size of the network's. One that rounding takes for a crossing does no harm.

    Source: S. Boyd, V. Balakrishnan, P. Kabamba, A bisection method for computing the H-infinity
    norm of a transfer matrix and related problems, Math. Control Signals Systems 2, 1989, p. 207
    (from memory).
    """
    zeros = in_chunks(stage, device, lambda s, d: _unit_zeros(s, d, port))
    crossing = (np.abs(zeros.real) <= ON_AXIS * np.abs(zeros)) & (zeros.imag > 0)
    outward, end = (1.0, np.log2(HIGHEST_HZ)) if upper else (-1.0, np.log2(LOWEST_HZ))
    log2_f = np.log2(np.where(crossing, zeros.imag, 1.0) / (2 * np.pi))
    first = from_log2_Hz[:, np.newaxis]
    between = (outward * (log2_f - first) > 0) & (outward * (end - log2_f) > 0)
    kept = np.where(crossing & between, log2_f, end)
    ends = np.concatenate([first, kept, np.full_like(first, end)], axis=-1)
    ends = outward * np.sort(outward * ends, axis=-1)
    return np.asarray((ends[:, :-1] + ends[:, 1:]) / 2)


def _unit_zeros(stage: Stage, device: SmallSignal, port: Port) -> ComplexArray:
    """Return the zeros (rad/s) of ``H(s) H(-s) - 1``."""
    system = descriptor(stage, device)
    lead, n, at = system.B.shape[:-1], system.B.shape[-1], UNKNOWNS.index(NODE_OF[port])
    E, A = (np.zeros((*lead, 2 * n + 1, 2 * n + 1)) for _ in range(2))
    E[..., :n, :n], E[..., n:-1, n:-1] = system.E, -system.E
    A[..., :n, :n], A[..., n:-1, n:-1] = system.A, system.A
    # Driven by 1 V, the network at s drives itself at -s, and 1 V is to come out.
    A[..., :n, -1], A[..., n:-1, at] = -system.B, -system.B
    A[..., -1, n + at], A[..., -1, -1] = 1.0, -1.0
    return pencil_eigenvalues(E, A)


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
