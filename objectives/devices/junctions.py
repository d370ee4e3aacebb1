"""What field-effect and bipolar transistors share: junctions and their noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from objectives import constants
from objectives.arrays import FloatArray
from objectives.devices.protocol import Caveat, OperatingPoint
from objectives.tolerance.spreads import Spread

# Beyond this many thermal voltages an exponential goes on along its tangent: about 2 V at room
# temperature, far past any current that a device survives, and products of it stay finite.
_STEEPEST = 80.0

# A junction is taken as parabolic up to this share of its built-in potential and as straight
# beyond, where the depletion formula would run to infinity.
_FORWARD_SHARE = 0.5

RECOMBINATION_IDEALITY = 2.0
"""Of a junction whose current is that of recombination in it."""

# Least current and transconductance that noise is divided by, so that cut-off gives a number.
LEAST_A, LEAST_S = 1e-15, 1e-12

SHEET_TEMPERATURE = Caveat(
    "The law of the {name} is that of its data sheet's temperature; the effect of warming "
    "on the operating point is not counted."
)


def thermal_V(temperature_K: ArrayLike) -> FloatArray:
    """Return the thermal voltage kT/q (V)."""
    return np.asarray(constants.k / constants.e * np.asarray(temperature_K, float))


def depletion_capacitance_F(
    forward_V: ArrayLike, zero_bias_F: ArrayLike, built_in_V: ArrayLike, grading: ArrayLike
) -> FloatArray:
    """Return the depletion capacitance (F) of a junction, ``C_0 / (1 - V/phi)^m``.

    V is positive forward, m 1/2 for an abrupt and 1/3 for a graded junction. From half the built-in
    potential phi on it continues along its tangent; all shapes broadcast.

    Source: the depletion approximation, e.g. S. M. Sze, Physics of Semiconductor Devices, 2nd ed.,
    Wiley, 1981 (from memory); going on along the tangent is common practice, no source.
    """
    share = np.asarray(forward_V, float) / built_in_V
    held = np.minimum(share, _FORWARD_SHARE)
    m = np.asarray(grading, float)
    at_held = np.asarray(zero_bias_F, float) * (1.0 - held) ** -m
    return np.asarray(at_held * (1.0 + m * (share - held) / (1.0 - held)))


def exponential(x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return exp(x), continued along its tangent beyond :data:`_STEEPEST`, and its slope."""
    slope = np.exp(np.minimum(x, _STEEPEST))
    return np.asarray(slope * (1.0 + np.maximum(x - _STEEPEST, 0.0))), np.asarray(slope)


def dissipation_W(point: OperatingPoint) -> FloatArray:
    """Return the power (W) that both currents of a transistor turn into heat."""
    control = np.maximum(point.grid_current_A * point.grid_cathode_V, 0.0)
    return np.asarray(point.plate_dissipation_W + control)


def capacitance_spreads(
    tolerance: float = 0.10, source: str = "common practice, no source"
) -> tuple[Spread, ...]:
    """Return a spread for each capacitance of a device, plus and minus three sigma."""
    names = ("valve_grid_cathode_F", "valve_grid_plate_F", "valve_plate_cathode_F")
    return tuple(Spread.plus_minus(name, tolerance, "normal", source) for name in names)
