"""The operating point: plate and cathode load lines solved with the device's own equation."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import FloatArray, IntArray
from objectives.checks import require
from objectives.devices.law import ConductionLaw
from objectives.devices.protocol import OperatingPoint
from objectives.roots import bracketed_roots
from objectives.stage import Stage


def load_lines(
    grid_cathode_V: FloatArray,
    grid_A: FloatArray,
    bias_V: FloatArray,
    grid_ohm: FloatArray,
    supply_V: FloatArray,
    load_ohm: FloatArray,
    cathode_ohm: FloatArray,
    drawn_A: FloatArray | float = 0.0,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return what the resistors make of a grid-cathode voltage: all of the stage but its valve.

    All arguments broadcast; ``cathode_ohm`` is more than 0 and ``drawn_A`` leaves the plate node.

    Returns
    -------
    cathode_V, plate_A, plate_V :
        Voltages to ground (V), and the plate current that the cathode resistor asks for (A).
    """
    cathode_V = bias_V - grid_A * grid_ohm - grid_cathode_V
    plate_A = cathode_V / cathode_ohm - grid_A
    return cathode_V, plate_A, supply_V - (plate_A + drawn_A) * load_ohm


def operating_point(
    stage: Stage, law: ConductionLaw, *, extra_plate_current_A: ArrayLike = 0.0
) -> OperatingPoint:
    """Solve the quiescent point of every stage in the batch.

    The unknown is the grid-cathode voltage v. For a given v the grid current follows from the
    device, hence the grid and cathode voltages from the grid return, the cathode current from the
    cathode resistor and the plate voltage from the plate load; what is left over,
    ``plate current of the device - plate current that the cathode resistor asks for``, rises with
    v, is negative at v = bias - supply (or below, where the grid takes current there) and not
    negative at v = bias (or a little above, where the grid leaks at a very negative voltage), so a
    bracketed root always exists and is unique. A grounded cathode leaves two equations that are
    solved one after the other: the grid return for v, then the plate's load line.

    Parameters of the law may be arrays that broadcast with the stage (tolerance draws);
    ``extra_plate_current_A`` is further direct current drawn from the plate node (for example by
    the grid of a directly coupled follower).

    Raises
    ------
    ValueError
        If the supply is not positive, a resistance is negative, or a grid floats.

    Source: the two load lines, e.g. F. Langford-Smith (ed.), Radiotron Designer's Handbook,
    4th ed., 1953, ch. 12 (from memory); solver: Chandrupatla's bracketed method as in SciPy.
    """
    bias_V, grid_ohm = stage.grid_return()
    supply, load, resistor = stage.supply_V, stage.plate_load_ohm, stage.cathode_total_ohm
    require("supply_V", supply, supply > 0, "more than 0")
    require("plate_load_ohm", load, load >= 0, "0 or more")
    require("cathode_resistor_ohm", resistor, resistor >= 0, "0 or more")
    extra = np.asarray(extra_plate_current_A, float)
    shape = np.broadcast_shapes(stage.shape, extra.shape)
    own_shape = law.shape
    if own_shape != () and int(np.prod(shape)) == 1:
        shape = own_shape  # one stage, many devices
    each_law = law.flat(shape)
    bias, rg, vb, rp, rk, drawn = (
        np.broadcast_to(a, shape).ravel() for a in (bias_V, grid_ohm, supply, load, resistor, extra)
    )

    def law_of(at: IntArray) -> ConductionLaw:
        return law if own_shape == () else each_law.at(at)

    def excess(v: FloatArray, at: IntArray) -> FloatArray:
        """Return the device's plate current less what the cathode resistor asks for (A)."""
        own = law_of(at)
        # The grid currents of the sources depend on the grid voltage alone while the device
        # amplifies; taking them at the supply voltage keeps this one equation in one unknown.
        grid = own.grid_current(v, vb[at])
        cathode_V, asked, plate_V = load_lines(
            v, grid, bias[at], rg[at], vb[at], rp[at], rk[at], drawn[at]
        )
        return own.plate_current(v, plate_V - cathode_V) - asked

    def grid_excess_V(v: FloatArray, at: IntArray) -> FloatArray:
        """Return by how much the grid is above what its return leaves it, cathode grounded."""
        over_V: FloatArray = v + law_of(at).grid_current(v, vb[at]) * rg[at] - bias[at]
        return over_V

    def plate_excess_V(plate_V: FloatArray, at: IntArray) -> FloatArray:
        """Return by how much the plate is above its load line, cathode grounded."""
        current = law_of(at).plate_current(v[at], plate_V)
        over_V: FloatArray = plate_V + (current + drawn[at]) * rp[at] - vb[at]
        return over_V

    grounded = rk == 0
    lifted, at_ground = np.flatnonzero(~grounded), np.flatnonzero(grounded)
    v = np.empty(bias.shape)
    # At or below this voltage the cathode is at or above the supply, so no plate current flows.
    low = np.minimum(bias - vb, 0.0)
    taken = np.maximum(each_law.grid_current(low, vb), 0.0)
    low = low - 2.0 * taken * (rg + rk)
    # Leakage out of the grid lifts grid and cathode above the bias of a device cut off; twice
    # as much is above the root whatever the rounding.
    leaked = np.maximum(-each_law.grid_current(low, vb), 0.0)
    high = bias + 2.0 * leaked * (rg + rk)
    for equation, which in ((excess, lifted), (grid_excess_V, at_ground)):
        if which.size:
            v[which] = bracketed_roots(equation, low[which], high[which], which).x
    grid = each_law.grid_current(v, vb)
    cathode_V, plate_A, _ = load_lines(
        v, grid, bias, rg, vb, rp, np.where(grounded, np.inf, rk), drawn
    )
    cathode_V = np.where(grounded, 0.0, cathode_V)
    if at_ground.size:
        unloaded = (vb - drawn * rp)[at_ground]
        plate = bracketed_roots(plate_excess_V, np.minimum(unloaded, 0.0), unloaded, at_ground).x
        plate_A[at_ground] = law_of(at_ground).plate_current(v[at_ground], plate)
    # Near cut-off rounding of the cathode voltage could leave a negative current.
    plate_A = np.maximum(plate_A, 0.0)
    plate_V = vb - (plate_A + drawn) * rp
    _, *slopes = each_law.linearise(v, plate_V - cathode_V)
    return point_of(each_law, v, cathode_V, plate_V, plate_A, grid, slopes, drawn_A=drawn).reshape(
        shape
    )


def point_of(
    law: ConductionLaw,
    grid_cathode_V: FloatArray,
    cathode_V: FloatArray,
    plate_V: FloatArray,
    plate_A: FloatArray,
    grid_A: FloatArray,
    slopes: Sequence[FloatArray],
    *,
    drawn_A: FloatArray | float = 0.0,
) -> OperatingPoint:
    """Return the operating point of known voltages (V) and currents (A); all shapes broadcast.

    ``slopes`` are transconductance and plate conductance (S) there, the grid's are taken from the
    law; ``drawn_A`` is the direct current that leaves the plate node beside the plate current.
    """
    _, by_grid, by_plate = law.linearise_grid(grid_cathode_V, plate_V - cathode_V)
    return OperatingPoint(
        plate_current_A=plate_A,
        grid_current_A=grid_A,
        grid_V=grid_cathode_V + cathode_V,
        cathode_V=cathode_V,
        plate_V=plate_V,
        transconductance_S=slopes[0],
        plate_conductance_S=slopes[1],
        grid_conductance_S=by_grid,
        grid_plate_conductance_S=by_plate,
        supply_current_A=plate_A + drawn_A,
    ).broadcast()
