"""Any stage as a plain dense nodal system ``(s E + A) x = B u``, built from its list of elements.

This is the general path: the reference that the closed form of :mod:`objectives.circuit.network` is
compared with, and the source of the network's poles and of the cascade in time. Every branch whose
impedance may be zero keeps its current as an unknown, so that a short stays a short instead of a
huge conductance.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from objectives.arrays import FloatArray
from objectives.circuit.small_signal import SmallSignal
from objectives.elements import ELEMENTS, GROUND, Element
from objectives.stage import Stage, elastance

_BRANCHES = tuple(element for element in ELEMENTS.values() if element.between)
_NODES = sorted({node for element in _BRANCHES for node in element.between} - {GROUND})
UNKNOWNS = (*_NODES, *(f"i_{element.key}" for element in _BRANCHES if element.in_series))
"""Voltages of the nodes: c after the source resistance, a after the input coupling, m between
stopper and its lead, x outside the grid lead, w between grid capacitor and its lead, g/k/p the
electrodes, y outside the cathode lead, j the joint of the split cathode resistor, b between bypass
and its series resistor, q outside the plate lead, t the top of the plate load, o the output. Then
the currents of the branches that may be shorts, by their keys."""

NODE_OF: Final = {"grid": "g", "cathode": "k", "plate": "p", "output": "o"}
"""The node of each place where a stage's response is taken."""

_AT = {name: number for number, name in enumerate(UNKNOWNS)}


@dataclass(frozen=True)
class Descriptor:
    """``(s E + A) x = B u`` with u the source EMF; E and A of shape (..., n, n), B (..., n)."""

    E: FloatArray
    A: FloatArray
    B: FloatArray


def _branches(stage: Stage) -> Iterator[tuple[Element, tuple[str, ...], FloatArray]]:
    """Yield every branch of a stage: its element, the nodes it joins and its value."""
    # A grounded cathode is one short, through the bypass.
    grounded = stage.cathode_resistor_ohm == 0
    stage = replace(
        stage,
        cathode_resistor_ohm=np.where(grounded, np.inf, stage.cathode_resistor_ohm),
        bypass_series_ohm=np.where(grounded, 0.0, stage.bypass_series_ohm),
        bypass_F=np.where(grounded, np.inf, stage.bypass_F),
    )
    for element in _BRANCHES:
        value: FloatArray = getattr(stage, element.name)
        if element.name == "grid_leak_ohm":
            with np.errstate(divide="ignore"):
                yield element, ("a", GROUND), value / (1.0 - stage.leak_at_grid)
                yield element, ("x", GROUND), value / stage.leak_at_grid
        else:
            yield element, element.between, value


def descriptor(stage: Stage, device: SmallSignal) -> Descriptor:
    """Build the dense system of every stage in the batch (shapes broadcast; see UNKNOWNS).

    A branch from node 1 to node 2 that may be absent adds its admittance to both. One that may be
    a short adds the equation of its current I, counted from node 1 to node 2: ``V1 - V2 - R I = 0``
    for a resistor, ``V1 - V2 - s L I = 0``, or ``s (V1 - V2) - I/C = 0`` (without s where C is
    infinite).
    """
    shape = np.broadcast_shapes(stage.shape, device.shape)
    n = len(UNKNOWNS)
    E, A, B = np.zeros((*shape, n, n)), np.zeros((*shape, n, n)), np.zeros((*shape, n))

    def controlled(
        matrix: FloatArray, into: tuple[str, ...], control: tuple[str, ...], value: FloatArray
    ) -> None:
        """Add a current of value times V(control) that flows from into[0] to into[1]."""
        for node, sign in zip(into, (1.0, -1.0), strict=True):
            for by, direction in zip(control, (1.0, -1.0), strict=True):
                if GROUND not in (node, by):
                    matrix[..., _AT[node], _AT[by]] += sign * direction * value

    for element, between, value in _branches(stage):
        capacitor = element.kind == "capacitor"
        if not element.in_series:
            admittance = value if capacitor else 1.0 / value
            controlled(E if capacitor else A, between, between, admittance)
            continue
        i = _AT[f"i_{element.key}"]
        short = np.isinf(value) if capacitor else True
        for node, sign in zip(between, (1.0, -1.0), strict=True):
            if node != GROUND:
                A[..., _AT[node], i] += sign
                A[..., i, _AT[node]] += sign * short
                E[..., i, _AT[node]] += sign * np.logical_not(short)
        if capacitor:
            A[..., i, i] -= elastance(value)
        else:
            (E if element.kind == "inductor" else A)[..., i, i] -= value
    # V(c) - R I = EMF, with I flowing from c to the source.
    B[..., _AT["i_source"]] += stage.source_ratio
    d, gk, gp, pk = device, ("g", "k"), ("g", "p"), ("p", "k")
    for nodes, capacitance in ((gk, d.grid_cathode_F), (gp, d.grid_plate_F),
                               (pk, d.plate_cathode_F)):  # fmt: skip
        controlled(E, nodes, nodes, capacitance)
    controlled(A, gk, gk, d.grid_conductance_S)
    controlled(A, pk, pk, d.plate_conductance_S)
    controlled(A, pk, gk, d.transconductance_S)
    controlled(A, gk, pk, d.grid_plate_conductance_S)
    return Descriptor(E, A, B)
