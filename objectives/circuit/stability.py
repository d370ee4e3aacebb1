"""Stability of the linear network: its poles, how well they are damped, and the stopper that helps.

With the inductance of its grid, plate and cathode leads a stage is a tuned-plate tuned-grid
circuit, and the grid-plate capacitance couples the two. The poles come from the dense system of
:mod:`objectives.circuit.nodal`, so an element that is added there is in them.

What the network does not know is the time that electrons need and the loss in leads, pins and
mica. Both take gain from the valve at very high frequencies, so poles beyond
:data:`QUASI_STATIC_HZ` are found but, unless asked for, not counted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from objectives.arrays import FloatArray, IntArray, flatten
from objectives.checks import require
from objectives.circuit.arrival import QUASI_STATIC_HZ
from objectives.circuit.network import Network
from objectives.circuit.nodal import UNKNOWNS, descriptor
from objectives.circuit.poles import (
    ON_AXIS,
    SLOWEST,
    in_chunks,
    least_damping,
    pencil_eigenvalues,
)
from objectives.circuit.small_signal import SmallSignal
from objectives.roots import bracketed_roots
from objectives.stage import Stage

WELL_DAMPED = 0.1
"""Damping ratio asked of a well-behaved stage unless another is: a quality factor of 5.

Common practice, no source.
"""

COMMON_STOPPER_OHM = (100.0, 10e3)
"""Range of grid stoppers fitted against parasitic oscillation: common practice, no source."""

MARGIN_CAP_DB = 60.0
"""Transconductance margins beyond this (a factor of 1000) are not told apart."""

_REAL_LOOP = 1e-3


def transconductance_margin_dB(
    stage: Stage, device: SmallSignal, *, highest_Hz: float = QUASI_STATIC_HZ
) -> FloatArray:
    """Return by how much (dB) the transconductance may rise before the stage oscillates.

    Everything but gm stays. With gm = 0 the network is passive; the smallest gm that brings a pole
    up to ``highest_Hz`` onto the imaginary axis is compared with the actual one. It is negative
    when the stage oscillates, or would while its heater warms up, and capped at
    :data:`MARGIN_CAP_DB`.

    Critical values are found exactly, not by a sweep: with ``H(s)`` the control voltage that 1 A
    from plate to cathode makes, poles sit at ``1 + gm H(s) = 0``, so a crossing at ``s = jw`` needs
    ``H(jw)`` real and negative. The zeros of ``H(s) - H(-s)`` hold every such w and are the
    eigenvalues of a pencil twice the size.

    Source: return ratio of the controlled source, H. W. Bode, Network Analysis and Feedback
    Amplifier Design, Van Nostrand, 1945, ch. 4 (from memory).
    """
    return in_chunks(stage, device, lambda s, d: _margin_dB(s, d, highest_Hz))


def _margin_dB(stage: Stage, device: SmallSignal, highest_Hz: float) -> FloatArray:
    system = descriptor(stage, replace(device, transconductance_S=0.0))
    E, A = system.E, system.A
    lead, n = E.shape[:-2], E.shape[-1]
    at = {name: UNKNOWNS.index(name) for name in "gkp"}
    drive, control = np.zeros(n), np.zeros(n)
    drive[at["p"]], drive[at["k"]] = 1.0, -1.0
    control[at["g"]], control[at["k"]] = 1.0, -1.0
    double_E, double_A = (np.zeros((*lead, 2 * n + 1, 2 * n + 1)) for _ in range(2))
    double_E[..., :n, :n], double_E[..., n:-1, n:-1] = E, -E
    double_A[..., :n, :n], double_A[..., n:-1, n:-1] = A, A
    double_A[..., :n, -1], double_A[..., n:-1, -1] = -drive, -drive
    double_A[..., -1, :n], double_A[..., -1, n:-1] = control, -control
    zeros = pencil_eigenvalues(double_E, double_A)
    size = np.abs(zeros)
    usable = (
        (np.abs(zeros.real) <= ON_AXIS * size)
        & (zeros.imag > 0)
        & (size > SLOWEST)
        & (size <= 2 * np.pi * highest_Hz)
    )
    *stages, _ = where = np.nonzero(usable)
    omega = zeros.imag[where]
    matrix = 1j * omega[:, None, None] * E[tuple(stages)] + A[tuple(stages)]
    scale = 1.0 / np.abs(matrix).max(axis=-1, keepdims=True)
    loop = np.linalg.solve(matrix * scale, drive[:, None] * scale)[..., 0] @ control
    gm = np.broadcast_to(device.transconductance_S, lead)[tuple(stages)]
    with np.errstate(divide="ignore"):
        critical = -1.0 / (gm * loop.real)
    critical[(critical <= 0) | (np.abs(loop.imag) > _REAL_LOOP * np.abs(loop))] = np.inf
    ratio = np.full(usable.shape, np.inf)
    ratio[where] = critical
    with np.errstate(divide="ignore"):
        margin = 20 * np.log10(ratio.min(axis=-1, initial=np.inf))
    return np.asarray(np.clip(margin, -MARGIN_CAP_DB, MARGIN_CAP_DB))


def smallest_stopper(
    stage: Stage,
    device: SmallSignal,
    *,
    damping: float = WELL_DAMPED,
    margin_dB: float | None = None,
    highest_Hz: float = QUASI_STATIC_HZ,
    range_ohm: tuple[float, float] = (1.0, 1e6),
) -> FloatArray:
    """Return the smallest stopper (ohm) that keeps each stage well damped, shape of the stage.

    Well damped: :func:`least_damping` at least ``damping`` and, where ``margin_dB`` is given,
    :func:`transconductance_margin_dB` at least that. 0 where no stopper is needed, nan where none
    within ``range_ohm`` does: a resonance in the plate lead may be out of its reach, and beyond
    some value its own shunt capacitance takes over. The range is scanned four times a decade and
    the first crossing refined to 0.1 %. The linear device is taken as given: what a grid current
    through the stopper would do to the operating point is left out.

    A ``damping`` not below 1, or a range that is not rising and positive, is an InputError.
    """
    require("damping", damping, damping < 1, "less than 1")
    low, high = range_ohm
    require("range_ohm", range_ohm, 0 < low < high < np.inf, "two rising, positive resistances")
    shape = np.broadcast_shapes(stage.shape, device.shape)
    stages, devices = flatten(stage, shape), flatten(device, shape)
    count = math.prod(shape)

    def surplus(stopper_ohm: FloatArray, index: IntArray) -> FloatArray:
        own = replace(stages.at(index), stopper_ohm=stopper_ohm)
        valve = devices.at(index)
        value = least_damping(own, valve, highest_Hz=highest_Hz) - damping
        if margin_dB is not None:
            room = transconductance_margin_dB(own, valve, highest_Hz=highest_Hz) - margin_dB
            value = np.minimum(value, room / MARGIN_CAP_DB)
        return np.broadcast_to(value, index.shape)

    everyone = np.arange(count)
    result = np.full(count, np.nan)
    below = np.zeros(count)
    steps = np.geomspace(low, high, 1 + int(np.ceil(4 * np.log10(high / low))))
    active = everyone[surplus(below, everyone) < 0]
    result[np.setdiff1d(everyone, active)] = 0.0
    first = np.full(count, np.nan)
    for step in steps:
        if not active.size:
            break
        enough = surplus(np.full(active.size, step), active) >= 0
        first[active[enough]] = step
        below[active[~enough]] = step
        active = active[~enough]
    found = np.flatnonzero(np.isfinite(first))
    if found.size:
        root = bracketed_roots(surplus, below[found], first[found], found, tolerance=(1e-3, 1e-3))
        # The side that is damped enough, so that the answer keeps what it promises.
        left, right = root.bracket
        result[found] = np.where(root.f_bracket[1] >= 0, right, left)
    return result.reshape(shape)


@dataclass(frozen=True)
class PortResistance:
    """Where the grid looks most negative, shape of the stage."""

    resistance_ohm: FloatArray
    """Least series resistance, Re(1/Y) of what the stopper works into; positive where no frequency
    shows a negative one."""
    frequency_Hz: FloatArray


def negative_input_resistance(
    stage: Stage,
    device: SmallSignal,
    *,
    lowest_Hz: float = 1e6,
    highest_Hz: float = QUASI_STATIC_HZ,
) -> PortResistance:
    """Return the most negative series resistance that the stopper looks into, and where.

    An inductive plate load makes the input conductance negative through the grid-plate capacitance,
    a capacitive cathode circuit through the grid-cathode capacitance. A stopper that is larger than
    the magnitude leaves nothing negative between the two frequencies (positive and rising, else
    InputError), so no wiring in front of it that resonates between them can start an oscillation,
    provided the stage with an open grid does not oscillate by itself. It is the hand calculation
    beside the exact poles and errs on the safe side. Swept 100 times a decade, by default from 1
    MHz: lower, it would take a coil to resonate with the capacitances of a valve.

    Source: J. M. Miller, Dependence of the input impedance of a three-electrode vacuum tube upon
    the load in the plate circuit, Scientific Papers of the Bureau of Standards 15 (351), 1920.
    """
    limits = lowest_Hz, highest_Hz
    require("lowest_Hz, highest_Hz", limits, 0 < lowest_Hz < highest_Hz < np.inf,
            "positive and rising")  # fmt: skip
    decades = np.log10(highest_Hz / lowest_Hz)
    f = np.geomspace(lowest_Hz, highest_Hz, 1 + int(np.ceil(100 * decades)))
    network = Network(stage.expand(), device.expand(), f)
    wide, s = network.stage, network.s
    behind = 1.0 / network.input_admittance_S + s * wide.grid_lead_H
    leak_S = wide.leak_at_grid / wide.grid_leak_ohm
    shunt = leak_S + network.grid_circuit.capacitor_S + s * wide.stray_grid_ground_F
    series = (behind / (1.0 + behind * shunt)).real
    worst = series.argmin(axis=-1)
    return PortResistance(
        resistance_ohm=np.take_along_axis(series, worst[..., None], -1)[..., 0],
        frequency_Hz=f[worst],
    )
