"""The operating point of built stages, started from that of the nominal ones."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from objectives.arrays import BoolArray, FloatArray
from objectives.circuit.operating_point import load_lines, operating_point, point_of
from objectives.devices.law import ConductionLaw
from objectives.devices.protocol import OperatingPoint
from objectives.stage import Stage

_STEPS = 8

# The equation solved below divides by the cathode resistance; under this the general solver, which
# knows of a grounded cathode, takes over.
_LEAST_CATHODE_OHM = 1.0

# Steps smaller than this end the search; Newton's next error is of the order of its square.
_SMALL_STEP_V = 3e-6


def built_operating_point(
    stage: Stage, law: ConductionLaw, nominal_grid_cathode_V: FloatArray
) -> OperatingPoint:
    """Solve the quiescent point of every stage, starting from grid-cathode voltages close to it.

    The same equation as :func:`~objectives.circuit.operating_point.operating_point`, whose excess
    current rises with the grid-cathode voltage, by Newton's steps with the law's exact derivatives.
    Stages in which they do not settle are handed to that function.

    Parameters
    ----------
    stage, law :
        As there.
    nominal_grid_cathode_V :
        Where to start, broadcasting with the stages.
    """
    shape = stage.shape
    bias_V, grid_ohm = stage.grid_return()
    supply, load, cathode = stage.supply_V, stage.plate_load_ohm, stage.cathode_total_ohm
    if np.any(cathode < _LEAST_CATHODE_OHM) or np.any(~(supply > 0)) or np.any(~(load >= 0)):
        return operating_point(stage, law)
    v = np.broadcast_to(nominal_grid_cathode_V, shape)
    settled = np.zeros(shape, dtype=bool)
    for left in reversed(range(_STEPS)):
        # As in the general solver, the grid current is taken at the supply voltage.
        grid, gg, _ = law.linearise_grid(v, supply)
        cathode_V, plate_A, plate_V = load_lines(v, grid, bias_V, grid_ohm, supply, load, cathode)
        given, gm, gp = law.linearise(v, plate_V - cathode_V)
        if left == 0 or np.all(settled):
            break
        by_v_cathode = -gg * grid_ohm - 1.0
        by_v_plate_A = by_v_cathode / cathode - gg
        slope = gm - gp * (by_v_plate_A * load + by_v_cathode) - by_v_plate_A
        # No stage moves more than a volt at a time: the law is steep where the grid conducts.
        step = np.clip((plate_A - given) / slope, -1.0, 1.0)
        settled = np.abs(step) < _SMALL_STEP_V
        v = v + step
    good: BoolArray = settled & (plate_A > 0)
    point = point_of(law, v, cathode_V, plate_V, plate_A, grid, (gm, gp))
    if np.all(good):
        return point
    rest = operating_point(stage.at(~good), law.at(~good))
    merged: dict[str, Any] = {}
    for name, value in point.numeric_fields().items():
        merged[name] = value.copy()
        merged[name][~good] = getattr(rest, name)
    return replace(point, **merged)
