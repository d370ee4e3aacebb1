"""The same stage as a plain dense nodal system ``(s E + A) x = B u``, batch by batch.

This is the reference that the closed form of :mod:`objectives.network` is compared with, and the
source of the network's poles. Every branch whose impedance may be zero keeps its current as an
unknown, so that a short stays a short instead of a huge conductance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import ComplexArray, FloatArray
from objectives.circuit.network import elastance
from objectives.circuit.small_signal import SmallSignal
from objectives.stage import Stage

__all__ = ["UNKNOWNS", "Descriptor", "dense_response", "descriptor"]

UNKNOWNS = (
    # node voltages
    "c", "a", "m", "x", "g", "k", "y", "j", "b", "p", "q", "o",
    # branch currents
    "i_source", "i_input_coupling", "i_stopper", "i_stopper_lead", "i_grid_lead",
    "i_cathode_lead", "i_unbypassed", "i_bypass_series", "i_bypass", "i_plate_lead",
    "i_output_coupling",
)  # fmt: skip
"""Nodes: c after the source resistance, a after the input coupling, m between stopper and its
lead, x outside the grid lead, g/k/p the electrodes, y outside the cathode lead, j the joint of the
split cathode resistor, b between bypass and its series resistor, q outside the plate lead, o the
output."""


_AT = {name: number for number, name in enumerate(UNKNOWNS)}


@dataclass(frozen=True)
class Descriptor:
    """``(s E + A) x = B u`` with u the source EMF; E and A of shape (..., n, n), B (..., n)."""

    E: FloatArray
    A: FloatArray
    B: FloatArray


class _Stamper:
    """Adds elements to the matrices of a whole batch at once."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        n = len(UNKNOWNS)
        self.E = np.zeros((*shape, n, n))
        self.A = np.zeros((*shape, n, n))
        self.B = np.zeros((*shape, n))

    def shunt(self, matrix: FloatArray, first: str, second: str | None, value: ArrayLike) -> None:
        """Add an admittance between two nodes (second None: ground)."""
        a, value = _AT[first], np.asarray(value, float)
        matrix[..., a, a] += value
        if second is not None:
            b = _AT[second]
            matrix[..., b, b] += value
            matrix[..., a, b] -= value
            matrix[..., b, a] -= value

    def branch(
        self, current: str, first: str | None, second: str | None,
        resistance: ArrayLike = 0.0, inductance: ArrayLike = 0.0,
    ) -> None:  # fmt: skip
        """Add ``V(first) - V(second) - (R + sL) I = 0`` with I from first to second."""
        i = _AT[current]
        for node, sign in ((first, 1.0), (second, -1.0)):
            if node is not None:
                self.A[..., _AT[node], i] += sign
                self.A[..., i, _AT[node]] += sign
        self.A[..., i, i] -= np.asarray(resistance, float)
        self.E[..., i, i] -= np.asarray(inductance, float)

    def series_capacitor(
        self, current: str, first: str, second: str | None, capacitance: ArrayLike
    ) -> None:
        """Add ``s (V(first) - V(second)) - I/C = 0``; an infinite C is a plain short."""
        i = _AT[current]
        short = np.isinf(np.asarray(capacitance, float))
        for node, sign in ((first, 1.0), (second, -1.0)):
            if node is not None:
                self.A[..., _AT[node], i] += sign
                self.E[..., i, _AT[node]] += sign * ~short
                self.A[..., i, _AT[node]] += sign * short
        self.A[..., i, i] -= elastance(capacitance)

    def controlled(
        self, into: tuple[str, str], control: tuple[str, str], conductance: ArrayLike
    ) -> None:
        """Add a current ``g (V(c0) - V(c1))`` that flows from node into[0] to into[1]."""
        for node, sign in zip(into, (1.0, -1.0), strict=True):
            for by, direction in zip(control, (1.0, -1.0), strict=True):
                self.A[..., _AT[node], _AT[by]] += sign * direction * np.asarray(conductance)


def descriptor(stage: Stage, device: SmallSignal) -> Descriptor:
    """Build the dense system of every stage in the batch (shapes broadcast; see UNKNOWNS)."""
    shape = np.broadcast_shapes(stage.shape, device.shape)
    put = _Stamper(shape)
    t, d = stage, device
    at_grid = np.asarray(t.leak_at_grid, float)
    leak_S = 1.0 / np.asarray(t.grid_leak_ohm, float)

    put.branch("i_source", "c", None, t.source_ohm)
    put.B[..., _AT["i_source"]] += np.asarray(t.source_ratio, float)
    # V(c) - R I = EMF, with I flowing from c to the source
    put.shunt(put.E, "c", None, t.cable_F)
    put.series_capacitor("i_input_coupling", "c", "a", t.input_coupling_F)
    put.shunt(put.A, "a", None, leak_S * (1.0 - at_grid))
    put.branch("i_stopper", "a", "m", t.stopper_ohm)
    put.shunt(put.E, "a", "m", t.stopper_shunt_F)
    put.branch("i_stopper_lead", "m", "x", 0.0, t.stopper_lead_H)
    put.shunt(put.A, "x", None, leak_S * at_grid)
    put.shunt(put.E, "x", None, np.add(t.grid_capacitor_F, t.stray_grid_ground_F))
    put.branch("i_grid_lead", "x", "g", 0.0, t.grid_lead_H)

    put.branch("i_cathode_lead", "k", "y", 0.0, t.cathode_lead_H)
    put.branch("i_unbypassed", "y", "j", t.cathode_unbypassed_ohm)
    rk = np.asarray(t.cathode_resistor_ohm, float)
    grounded = rk == 0
    put.shunt(put.A, "j", None, np.where(grounded, 0.0, 1.0 / np.where(grounded, 1.0, rk)))
    put.branch("i_bypass_series", "j", "b", np.where(grounded, 0.0, t.bypass_series_ohm))
    put.series_capacitor(
        "i_bypass", "b", None, np.where(grounded, np.inf, np.asarray(t.bypass_F, float))
    )

    put.branch("i_plate_lead", "p", "q", 0.0, t.plate_lead_H)
    put.shunt(put.A, "q", None, 1.0 / np.asarray(t.plate_load_ohm, float))
    put.shunt(put.E, "q", None, np.add(t.plate_capacitor_F, t.stray_plate_ground_F))
    put.series_capacitor("i_output_coupling", "q", "o", t.output_coupling_F)
    put.shunt(put.A, "o", None, 1.0 / np.asarray(t.load_ohm, float))
    put.shunt(put.E, "o", None, t.load_F)

    put.shunt(put.E, "g", "k", d.grid_cathode_F)
    put.shunt(put.E, "g", "p", d.grid_plate_F)
    put.shunt(put.E, "p", "k", d.plate_cathode_F)
    put.shunt(put.A, "g", "k", d.grid_conductance_S)
    put.shunt(put.A, "p", "k", d.plate_conductance_S)
    put.controlled(("p", "k"), ("g", "k"), d.transconductance_S)
    put.controlled(("g", "k"), ("p", "k"), d.grid_plate_conductance_S)
    return Descriptor(put.E, put.A, put.B)


def dense_response(
    stage: Stage, device: SmallSignal, frequency_Hz: ArrayLike
) -> dict[str, ComplexArray]:
    """Solve the dense system at each frequency, shape ``stage.shape + frequency.shape``.

    Returns the voltages of every node by its name in :data:`UNKNOWNS` for 1 V of source EMF.
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
    return {name: x[..., at] for name, at in _AT.items() if not name.startswith("i_")}
