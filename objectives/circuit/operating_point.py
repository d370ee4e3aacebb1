"""The operating point: plate and cathode load lines solved with the device's own equation."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import elementwise

from objectives.arrays import FloatArray
from objectives.devices.protocol import ConductionLaw, OperatingPoint, flat_law, law_shape
from objectives.stage import Stage

__all__ = ["load_lines", "operating_point"]

# Below this the cathode is taken as grounded: the solver divides by the cathode resistance. At
# 10 mA it moves the grid-cathode voltage by 0.1 uV, a few parts per million of the thermal voltage
# that the steepest device, a bipolar transistor, goes by.
_LEAST_CATHODE_OHM = 1e-5


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
    bracketed root always exists and is unique.

    Parameters
    ----------
    stage, law :
        Batch of stages and the device's equation; parameters of the law may be arrays that
        broadcast with the stage (tolerance draws).
    extra_plate_current_A :
        Further direct current drawn from the plate node (for example by the grid of a directly
        coupled follower).

    Raises
    ------
    ValueError
        If the supply is not positive, a resistance is negative, or a grid floats.

    Source: the two load lines, e.g. F. Langford-Smith (ed.), Radiotron Designer's Handbook,
    4th ed., 1953, ch. 12 (from memory); solver: Chandrupatla's bracketed method as in SciPy.
    """
    bias_V, grid_ohm = stage.grid_return()
    supply = stage.supply_V
    load = stage.plate_load_ohm
    cathode = np.maximum(stage.cathode_total_ohm, _LEAST_CATHODE_OHM)
    extra = np.asarray(extra_plate_current_A, float)
    _require_positive("supply_V", supply)
    for name, value in (("plate_load_ohm", load), ("cathode_resistor_ohm", cathode)):
        if np.any(~(value >= 0)):
            raise ValueError(f"{name}: {float(np.min(value))!r}: must be 0 or more")
    shape = np.broadcast_shapes(
        bias_V.shape, grid_ohm.shape, supply.shape, load.shape, cathode.shape, extra.shape,
        stage.shape,
    )  # fmt: skip
    own_shape = law_shape(law)
    has_arrays = own_shape != ()
    if has_arrays and int(np.prod(shape)) == 1:
        shape = own_shape  # one stage, many devices
    # The root finder drops finished elements as it goes, so each carries its own index into the
    # parameters of the law.
    each_law = flat_law(law, shape)
    flat = [
        np.broadcast_to(a, shape).ravel() for a in (bias_V, grid_ohm, supply, load, cathode, extra)
    ]

    def ports(v: FloatArray, *args: FloatArray) -> tuple[FloatArray, ...]:
        bias, rg, vb, rp, rk, drawn, index = args
        own = each_law.at(index.astype(np.intp)) if has_arrays else each_law
        # The grid currents of the sources depend on the grid voltage alone while the device
        # amplifies; taking them at the supply voltage keeps this one equation in one unknown.
        grid = own.grid_current(v, vb)
        cathode_V, plate_A, plate_V = load_lines(v, grid, bias, rg, vb, rp, rk, drawn)
        return grid, cathode_V, plate_A, plate_V, own.plate_current(v, plate_V - cathode_V)

    def excess(v: FloatArray, *args: FloatArray) -> FloatArray:
        _, _, asked, _, given = ports(v, *args)
        return given - asked

    index = np.arange(flat[0].size, dtype=float)
    if flat[0].size == 0:
        v = flat[0]
    else:
        # At or below this voltage the cathode is at or above the supply, so no plate current flows.
        low = np.minimum(flat[0] - flat[2], 0.0)
        taken = np.maximum(each_law.grid_current(low, flat[2]), 0.0)
        low = low - 2.0 * taken * (flat[1] + flat[4])
        # Leakage out of the grid lifts grid and cathode above the bias of a device cut off; twice
        # as much is above the root whatever the rounding.
        leaked = np.maximum(-each_law.grid_current(low, flat[2]), 0.0)
        high = flat[0] + 2.0 * leaked * (flat[1] + flat[4])
        found = elementwise.find_root(excess, (low, high), args=(*flat, index), maxiter=200)
        v = np.asarray(found.x, float)
    grid, cathode_V, asked, _, given = ports(v, *flat, index)
    # With a grounded cathode the current is known better from the device than from the tiny
    # voltage across the least resistance.
    plate_A = np.where(flat[4] > _LEAST_CATHODE_OHM, asked, given)
    # Likewise near cut-off, where rounding of the cathode voltage could leave a negative current.
    plate_A = np.maximum(plate_A, 0.0)
    cathode_V = np.where(flat[4] > _LEAST_CATHODE_OHM, cathode_V, 0.0)
    plate_V = flat[2] - (plate_A + flat[5]) * flat[3]
    vpk = plate_V - cathode_V
    own = each_law
    _, gm, gp = own.linearise(v, vpk)
    _, gg, ggp = own.linearise_grid(v, vpk)

    def shaped(a: ArrayLike) -> FloatArray:
        return np.broadcast_to(np.asarray(a, float), flat[0].shape).reshape(shape)

    return OperatingPoint(
        plate_current_A=shaped(plate_A),
        grid_current_A=shaped(grid),
        grid_V=shaped(v + cathode_V),
        cathode_V=shaped(cathode_V),
        plate_V=shaped(plate_V),
        transconductance_S=shaped(gm),
        plate_conductance_S=shaped(gp),
        grid_conductance_S=shaped(gg),
        grid_plate_conductance_S=shaped(ggp),
        supply_current_A=shaped(plate_A + flat[5]),
    )


def _require_positive(name: str, value: FloatArray) -> None:
    if np.any(~(value > 0)):
        raise ValueError(f"{name}: {float(np.min(value))!r}: must be more than 0")
