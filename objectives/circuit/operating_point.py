"""The operating point: plate and cathode load lines solved with the device's own equation."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import BoolArray, FloatArray, IntArray
from objectives.checks import require
from objectives.devices.law import ConductionLaw
from objectives.devices.protocol import OperatingPoint
from objectives.roots import SMALL_STEP_V, Step, bracketed_roots, newton_roots
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
    bracketed root always exists and is unique. Newton's steps inside the bracket find most; the
    rest are left to a bracketed solver. A grounded cathode leaves two equations that are
    solved one after the other: the grid return for v, then the plate's load line.

    Stages that differ in what the point does not depend on, such as a bypass, are solved once: the
    arrays returned are then views of fewer numbers, and read-only.

    Parameters of the law may be arrays that broadcast with the stage (tolerance draws);
    ``extra_plate_current_A`` is further direct current drawn from the plate node (for example by
    the grid of a directly coupled follower).

    Raises
    ------
    ValueError
        If the supply is not positive, a resistance is negative, or a grid floats.

    Source: the two load lines, e.g. F. Langford-Smith (ed.), Radiotron Designer's Handbook,
    4th ed., 1953, ch. 12 (from memory); solver: Newton-Raphson, safeguarded, and Chandrupatla's
    bracketed method as in SciPy.
    """
    own_shape = stage.shape
    stage = stage.varied()
    bias_V, grid_ohm = stage.grid_return()
    supply, load, resistor = stage.supply_V, stage.plate_load_ohm, stage.cathode_total_ohm
    require("supply_V", supply, supply > 0, "more than 0")
    require("plate_load_ohm", load, load >= 0, "0 or more")
    require("cathode_resistor_ohm", resistor, resistor >= 0, "0 or more")
    columns = bias_V, grid_ohm, supply, load, resistor, np.asarray(extra_plate_current_A, float)
    shape = np.broadcast_shapes(own_shape, columns[-1].shape)
    if law.shape != () and int(np.prod(shape)) == 1:
        shape = law.shape  # one stage, many devices
    if law.shape != ():
        flat = (np.broadcast_to(a, shape).ravel() for a in columns)
        return _solved(law.flat(shape), *flat).reshape(shape)
    needed = np.broadcast_shapes(*(a.shape for a in columns))
    rows, place = _distinct(columns, needed)
    point = _solved(law, *(np.broadcast_to(a, needed).ravel()[rows] for a in columns))
    return point.map(lambda a: np.broadcast_to(a[place].reshape(needed), shape))


def _distinct(
    columns: Sequence[FloatArray], shape: tuple[int, ...]
) -> tuple[IntArray | slice, IntArray | slice]:
    """Return where each distinct row of some columns is first met, and of every row which it is."""
    everyone = slice(None), slice(None)
    number, kinds = np.zeros(shape, np.intp), 1
    for column in columns:
        if column.size < 2:
            continue
        values, code = np.unique(column, return_inverse=True)
        if 2 * values.size > number.size:
            return everyone
        number = number + kinds * code.reshape(column.shape)
        kinds *= values.size
        if kinds > number.size:
            values, code = np.unique(number, return_inverse=True)
            number, kinds = code.reshape(shape), values.size
    if 2 * kinds > number.size:
        return everyone
    first = np.full(kinds, -1)
    first[number.ravel()] = np.arange(number.size)
    met = first >= 0
    return first[met], (np.cumsum(met) - 1)[number.ravel()]


def _solved(
    law: ConductionLaw,
    bias: FloatArray,
    rg: FloatArray,
    vb: FloatArray,
    rp: FloatArray,
    rk: FloatArray,
    drawn: FloatArray,
) -> OperatingPoint:
    """Return operating points; all arguments have one axis, the law's parameters that or none."""

    def excess(v: FloatArray, at: IntArray) -> FloatArray:
        """Return the device's plate current less what the cathode resistor asks for (A)."""
        own = law.at(at)
        # The grid currents of the sources depend on the grid voltage alone while the device
        # amplifies; taking them at the supply voltage keeps this one equation in one unknown.
        grid = own.grid_current(v, vb[at])
        cathode_V, asked, plate_V = load_lines(
            v, grid, bias[at], rg[at], vb[at], rp[at], rk[at], drawn[at]
        )
        return own.plate_current(v, plate_V - cathode_V) - asked

    def step_of(at: IntArray) -> Step:
        own, columns = law.at(at), [a[at] for a in (bias, rg, vb, rp, rk, drawn)]

        def step(v: FloatArray) -> tuple[FloatArray, BoolArray]:
            bias, rg, vb, rp, rk, drawn = columns
            grid, gg, _ = own.linearise_grid(v, vb)
            cathode_V, asked, plate_V = load_lines(v, grid, bias, rg, vb, rp, rk, drawn)
            given, gm, gp = own.linearise(v, plate_V - cathode_V)
            by_cathode = -gg * rg - 1.0
            by_asked = by_cathode / rk - gg
            move = (asked - given) / (gm - gp * (by_asked * rp + by_cathode) - by_asked)
            # What it moves at the plate counts too: behind a small cathode resistor far more.
            return move, np.abs(move) * np.maximum(1.0, np.abs(by_asked * rp)) < SMALL_STEP_V

        return step

    def grid_excess_V(v: FloatArray, at: IntArray) -> FloatArray:
        """Return by how much the grid is above what its return leaves it, cathode grounded."""
        over_V: FloatArray = v + law.at(at).grid_current(v, vb[at]) * rg[at] - bias[at]
        return over_V

    def plate_excess_V(plate_V: FloatArray, at: IntArray) -> FloatArray:
        """Return by how much the plate is above its load line, cathode grounded."""
        current = law.at(at).plate_current(v[at], plate_V)
        over_V: FloatArray = plate_V + (current + drawn[at]) * rp[at] - vb[at]
        return over_V

    grounded = rk == 0
    lifted, at_ground = np.flatnonzero(~grounded), np.flatnonzero(grounded)
    # At or below this voltage the cathode is at or above the supply, so no plate current flows.
    low = np.minimum(bias - vb, 0.0)
    taken = np.maximum(law.grid_current(low, vb), 0.0)
    low = low - 2.0 * taken * (rg + rk)
    # Leakage out of the grid lifts grid and cathode above the bias of a device cut off; twice
    # as much is above the root whatever the rounding.
    leaked = np.maximum(-law.grid_current(low, vb), 0.0)
    high = bias + 2.0 * leaked * (rg + rk)
    with np.errstate(divide="ignore", invalid="ignore"):
        # A quarter of the supply across the plate load is usual.
        v = np.clip(np.nan_to_num(bias - rk * vb / (4.0 * rp)), low, high)
    if lifted.size:
        v[lifted] = newton_roots(step_of, excess, v[lifted], low[lifted], high[lifted], lifted)
    if at_ground.size:
        v[at_ground] = bracketed_roots(grid_excess_V, low[at_ground], high[at_ground], at_ground).x
    grid = law.grid_current(v, vb)
    cathode_V, plate_A, _ = load_lines(
        v, grid, bias, rg, vb, rp, np.where(grounded, np.inf, rk), drawn
    )
    cathode_V = np.where(grounded, 0.0, cathode_V)
    if at_ground.size:
        unloaded = (vb - drawn * rp)[at_ground]
        plate = bracketed_roots(plate_excess_V, np.minimum(unloaded, 0.0), unloaded, at_ground).x
        plate_A[at_ground] = law.at(at_ground).plate_current(v[at_ground], plate)
    # Near cut-off rounding of the cathode voltage could leave a negative current.
    plate_A = np.maximum(plate_A, 0.0)
    plate_V = vb - (plate_A + drawn) * rp
    _, *slopes = law.linearise(v, plate_V - cathode_V)
    return point_of(law, v, cathode_V, plate_V, plate_A, grid, slopes, drawn_A=drawn)


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
