"""Poles of the small-signal network, from its dense system, and how well they are damped."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from objectives.arrays import ComplexArray, FloatArray, flatten
from objectives.checks import require
from objectives.circuit.arrival import QUASI_STATIC_HZ
from objectives.circuit.nodal import Descriptor, descriptor
from objectives.circuit.small_signal import SmallSignal
from objectives.elements import ELEMENTS
from objectives.stage import Stage

LOWEST_HZ = 1e-3
"""What is slower than this is not told from direct current; a lower corner is reported as 0."""

_CHUNK = 2048

# rad/s. Poles of a stage lie from 1 to 1e11; compared with 60-digit arithmetic over random stages
# this shift leaves errors of 1e-8 at both ends, and the poles at infinity a hundred times beyond
# _FASTEST.
_SHIFT = 1e6
_FASTEST = 1e13
SLOWEST = 2 * np.pi * LOWEST_HZ
"""Poles slower than this (rad/s) are not told from 0."""

ON_AXIS = 1e-5
"""A zero whose real part is less than this share of its size lies on the imaginary axis."""

_A = TypeVar("_A", FloatArray, ComplexArray)


def descriptor_poles(system: Descriptor) -> ComplexArray:
    """Return the finite eigenvalues s (rad/s) of ``(s E + A) x = 0``, batched.

    Returns
    -------
    Shape (..., m), sorted by magnitude. m is the same for a whole batch; where a stage has fewer
    poles the last ones are ``-inf`` (infinitely fast, and in the left half plane).

    A capacitor loop or a cutset of inductors makes E singular in a way that defeats a plain
    ``inv(E)``. Instead the pencil is inverted at a real shift: with ``M = (shift E + A)^-1 E``,
    ``M x = x / (shift - s)``, so poles at infinity become eigenvalues 0 of an ordinary problem that
    LAPACK solves for the whole batch, and only the rows of E that hold anything take part.

    Source: shift-and-invert of a matrix pencil, e.g. Y. Saad, Numerical Methods for Large
    Eigenvalue Problems, 2nd ed., SIAM, 2011, ch. 8 (from memory).
    """
    return pencil_eigenvalues(system.E, system.A)


def pencil_eigenvalues(E: FloatArray, A: FloatArray) -> ComplexArray:
    """Return the finite eigenvalues of a pencil as :func:`descriptor_poles` does."""
    lead = E.shape[:-2]
    n = E.shape[-1]
    shifted = _SHIFT * E + A
    # Rows of conductances and rows of elastances differ by twenty decades.
    scale = 1.0 / np.abs(shifted).max(axis=-1, keepdims=True)
    used = np.flatnonzero(np.any(E != 0, axis=(*range(len(lead)), -1)))
    if used.size == 0:
        return np.full((*lead, 0), -np.inf, complex)
    columns = np.zeros((n, used.size))
    columns[used, np.arange(used.size)] = 1.0
    # Nonzero eigenvalues of X Y and Y X are the same: E = columns @ E[used].
    reduced = E[..., used, :] @ np.linalg.solve(shifted * scale, columns * scale)
    inverse = np.linalg.eigvals(reduced)
    with np.errstate(divide="ignore", invalid="ignore"):
        s = np.asarray(_SHIFT - 1.0 / inverse, complex)
        # An infinite pole comes out as a huge one of any sign; no lumped network has real poles
        # there, a centimetre of wire being longer than the wave.
        s[~(np.abs(s) < _FASTEST)] = -np.inf
    return np.take_along_axis(s, np.argsort(np.abs(s), axis=-1), axis=-1)


def network_poles(stage: Stage, device: SmallSignal) -> ComplexArray:
    """Return the poles (rad/s) of every stage, shape (..., m) as :func:`descriptor_poles`.

    Reactances are checked as by :func:`in_chunks`.
    """
    return in_chunks(stage, device, lambda s, d: descriptor_poles(descriptor(s, d)))


def damping_ratio(poles_rad_per_s: ComplexArray) -> FloatArray:
    """Return ``-Re(s)/|s|`` of each pole: 1 real and decaying, 0 undamped, negative growing.

    A pole slower than :data:`LOWEST_HZ` (a node that floats at direct
    current has one at 0) counts as 1: rounding gives it either sign.
    """
    s = np.asarray(poles_rad_per_s, complex)
    size = np.abs(s)
    counted = np.isfinite(size) & (size > SLOWEST)
    return np.where(counted, -s.real / np.where(counted, size, 1.0), 1.0)


def _counted_damping(poles: ComplexArray, highest_Hz: float) -> FloatArray:
    within = np.abs(poles) <= 2 * np.pi * highest_Hz
    return np.where(within, damping_ratio(poles), 1.0)


def least_damping(
    stage: Stage, device: SmallSignal, *, highest_Hz: float = QUASI_STATIC_HZ
) -> FloatArray:
    """Return the least damping ratio over the poles up to ``highest_Hz``, shape of the stage.

    1 where every pole is real and decaying; negative where the stage oscillates (a growing real
    pole gives -1).
    """
    damping = _counted_damping(network_poles(stage, device), highest_Hz)
    return np.asarray(damping.min(axis=-1, initial=1.0))


@dataclass(frozen=True)
class Resonance:
    """One complex pair of poles of one stage."""

    frequency_Hz: float
    """|s|/(2 pi)."""
    damping: float
    """Damping ratio; a lightly damped pair has a quality factor of 1/(2 damping)."""
    damping_without_valve: float
    """Of the nearest pole in frequency with the transconductance taken to 0 (valve cold)."""
    counted: bool
    """Whether it lies where the network describes a valve."""


def resonances(
    stage: Stage, device: SmallSignal, *, highest_Hz: float = QUASI_STATIC_HZ
) -> list[Resonance]:
    """Return the complex pairs of a single stage (else ValueError), by rising frequency."""
    count = math.prod(np.broadcast_shapes(stage.shape, device.shape))
    if count != 1:
        raise ValueError(f"stage: a batch of {count}: must be one stage")
    hot = network_poles(stage, device).ravel()
    cold = network_poles(stage, replace(device, transconductance_S=0.0)).ravel()
    cold = cold[np.isfinite(cold)]
    found = []
    for s in hot[np.isfinite(hot) & (hot.imag > 0)]:
        # A rounded double pole is no resonance.
        if damping_ratio(s) > 1 - 1e-6:
            continue
        # Pairs are matched in position relative to their own size.
        nearest = cold[np.argmin(np.abs(cold - s))]
        size = float(np.abs(s))
        found.append(
            Resonance(
                frequency_Hz=size / (2 * np.pi),
                damping=float(damping_ratio(s)),
                damping_without_valve=float(damping_ratio(nearest)),
                counted=size <= 2 * np.pi * highest_Hz,
            )
        )
    return found


# Those that may be absent, where an infinite one would be a short.
_REACTANCES = tuple(
    element.name
    for element in ELEMENTS.values()
    if element.between
    and (element.kind == "inductor" or (element.kind == "capacitor" and not element.in_series))
)


def in_chunks(stage: Stage, device: SmallSignal, work: Callable[[Stage, SmallSignal], _A]) -> _A:
    """Apply ``work`` to some thousands of stages at a time: a dense system takes 8 kB each.

    Raises
    ------
    ValueError
        If an inductance or a shunt capacitance is negative or not finite.
    """
    reactances = {name: getattr(stage, name) for name in _REACTANCES}
    for name in ("grid_cathode_F", "grid_plate_F", "plate_cathode_F"):
        reactances[name] = getattr(device, name)
    for name, value in reactances.items():
        require(name, value, (value >= 0) & np.isfinite(value), "finite and 0 or more")
    shape = np.broadcast_shapes(stage.shape, device.shape)
    stages, devices = flatten(stage, shape), flatten(device, shape)
    cuts = [slice(at, at + _CHUNK) for at in range(0, max(math.prod(shape), 1), _CHUNK)]
    done = [work(stages.at(cut).broadcast(), devices.at(cut)) for cut in cuts]
    if done[0].ndim > 1:
        width = max(part.shape[-1] for part in done)
        done = [
            np.pad(part, ((0, 0), (0, width - part.shape[-1])), constant_values=-np.inf)
            for part in done
        ]
    joined = np.concatenate(done)
    return joined.reshape(shape + joined.shape[1:])
