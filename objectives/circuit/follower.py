"""What stands before and after the stage: a driver stage, a next stage, a cathode follower.

Each is worked out at its own operating point with the same exact network as the stage itself, and
handed over as the fields of :class:`~objectives.stage.Stage` that it fills in: ``source_ohm`` for a
driver, ``load_ohm`` and ``load_F`` for what follows.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import elementwise

from objectives.arrays import Batch, FloatArray, Floats, flatten
from objectives.circuit.driver import _require, _shaped
from objectives.circuit.operating_point import operating_point
from objectives.circuit.small_signal import SmallSignal, small_signal
from objectives.devices.protocol import ConductionLaw, Device, OperatingPoint, flat_law, law_shape
from objectives.stage import Stage, parallel

__all__ = [
    "CathodeFollower",
    "FollowerPoint",
    "coupled_operating_point",
    "follower_linear",
    "follower_point",
    "with_follower",
]


@dataclass(frozen=True)
class CathodeFollower(Batch):
    """A cathode follower whose grid is wired straight to the stage's plate; fields broadcast.

    Its plate goes straight to its supply, its cathode through a resistor to ground.
    """

    supply_V: Floats = Floats()
    cathode_resistor_ohm: Floats = Floats()
    load_ohm: Floats = Floats(np.inf)
    """What the follower drives, through a capacitor: a load for signals only."""
    load_F: Floats = Floats(0.0)
    stray_grid_plate_F: Floats = Floats(0.0)
    stray_grid_cathode_F: Floats = Floats(0.0)
    stray_plate_cathode_F: Floats = Floats(0.0)

    @property
    def signal_load_ohm(self) -> FloatArray:
        """Cathode resistor in parallel with the load (ohm)."""
        return parallel(self.cathode_resistor_ohm, self.load_ohm)

    def as_stage(self) -> Stage:
        """Return the follower as a :class:`Stage` without plate load, for a device's ratings.

        Its grid returns through the driving stage's plate circuit, so it has no leak to rate.
        """
        return Stage(
            supply_V=self.supply_V,
            plate_load_ohm=0.0,
            cathode_resistor_ohm=self.cathode_resistor_ohm,
            bypass_F=0.0,
            grid_leak_ohm=0.0,
            stray_grid_plate_F=self.stray_grid_plate_F,
            stray_grid_cathode_F=self.stray_grid_cathode_F,
            stray_plate_cathode_F=self.stray_plate_cathode_F,
        )


@dataclass(frozen=True)
class FollowerPoint:
    """Operating point of a follower and what follows from it at low frequency; batch shape."""

    point: OperatingPoint
    gain: FloatArray
    """A_cf: grid to cathode (V/V), its load included."""
    output_resistance_ohm: FloatArray
    """At the cathode, cathode resistor included and the load not, grid held still."""
    input_conductance_S: FloatArray
    """What grid conduction loads the stage's plate with: gg (1 - A_cf), bootstrapped."""

    @property
    def input_ohm(self) -> FloatArray:
        """Reciprocal of the input conductance (ohm); inf without grid conduction."""
        with np.errstate(divide="ignore"):
            return np.asarray(1.0 / self.input_conductance_S)


def follower_point(
    follower: CathodeFollower, law: ConductionLaw, grid_V: ArrayLike
) -> FollowerPoint:
    """Solve a follower whose grid is held at ``grid_V`` (V to ground); all shapes broadcast.

    The unknown is its grid-cathode voltage w: the cathode then stands at ``grid_V - w``, and
    ``device's cathode current - (grid_V - w)/R_k`` rises with w, as both currents of the device
    do not fall with w at a plate-cathode voltage ``supply - grid_V + w`` that rises too, while
    the resistor's falls. It is not positive at the low end of the bracket, where the cathode is
    held at or above the supply so that no plate current flows and the resistor takes at least the
    grid current of zero bias; it is not negative at the high end, where the cathode is at or below
    ground. So one root exists and bracketing finds it.

    Raises
    ------
    ValueError
        If the supply or the cathode resistor is not positive.
    """
    supply = follower.supply_V
    resistor = follower.cathode_resistor_ohm
    _require("follower.supply_V", supply, supply > 0, "more than 0")
    _require("follower.cathode_resistor_ohm", resistor, resistor > 0, "more than 0")
    held = np.asarray(grid_V, float)
    shape = np.broadcast_shapes(follower.shape, law_shape(law), held.shape)
    each_law = flat_law(law, shape)
    vg, vb, rk = (np.broadcast_to(a, shape).ravel() for a in (held, supply, resistor))
    index = np.arange(vg.size, dtype=float)

    def excess(
        w: FloatArray, vg: FloatArray, vb: FloatArray, rk: FloatArray, index: FloatArray
    ) -> FloatArray:
        own = each_law.at(index.astype(np.intp))
        cathode_V = vg - w
        current = own.plate_current(w, vb - cathode_V) + own.grid_current(w, vb - cathode_V)
        return np.asarray(current - cathode_V / rk)

    if vg.size:
        at_zero = each_law.grid_current(0.0, 0.0)
        low = np.minimum(np.minimum(vg - vb, 0.0), vg - rk * np.maximum(at_zero, 0.0))
        # A law may leave a small negative grid current at a very negative grid; twice what it
        # makes in the resistor keeps rounding from moving the root out of the bracket.
        least = each_law.grid_current(low, 0.0)
        high = np.maximum(vg + 2.0 * rk * np.maximum(-least, 0.0), low)
        found = elementwise.find_root(excess, (low, high), args=(vg, vb, rk, index), maxiter=200)
        w = np.asarray(found.x, float)
    else:
        w = vg
    vpk = vb - vg + w
    plate_A, gm, gp = each_law.linearise(w, vpk)
    grid_A, gg, ggp = each_law.linearise_grid(w, vpk)

    def shaped(a: ArrayLike) -> FloatArray:
        return np.broadcast_to(np.asarray(a, float), vg.shape).reshape(shape)

    point = OperatingPoint(
        plate_current_A=shaped(plate_A),
        grid_current_A=shaped(grid_A),
        grid_V=shaped(vg),
        cathode_V=shaped(vg - w),
        plate_V=shaped(vb),
        transconductance_S=shaped(gm),
        plate_conductance_S=shaped(gp),
        grid_conductance_S=shaped(gg),
        grid_plate_conductance_S=shaped(ggp),
        supply_current_A=shaped(plate_A),
    )
    into_cathode_S = shaped(gm) + shaped(gg)
    device_S = into_cathode_S + shaped(gp) + shaped(ggp)
    gain = into_cathode_S / (device_S + 1.0 / follower.signal_load_ohm)
    return FollowerPoint(
        point=point,
        gain=_shaped(gain, shape),
        output_resistance_ohm=_shaped(1.0 / (device_S + 1.0 / resistor), shape),
        # The plate is at rest, so the plate-cathode voltage moves by minus the cathode's.
        input_conductance_S=_shaped(
            point.grid_conductance_S * (1.0 - gain) - point.grid_plate_conductance_S * gain, shape
        ),
    )


def coupled_operating_point(
    stage: Stage, law: ConductionLaw, follower: CathodeFollower, follower_law: ConductionLaw
) -> tuple[OperatingPoint, FollowerPoint]:
    """Solve a stage and the follower on its plate together, every candidate at once.

    The unknown is the direct current x that the follower's grid draws from the plate. For a given
    x the stage is solved by :func:`~objectives.operating_point.operating_point`; its plate voltage
    does not rise with x. At that voltage the follower is solved by :func:`follower_point`; its
    grid-cathode voltage, hence its grid current g(x), does not fall with its grid voltage. So
    ``g(x) - x`` falls strictly. With y = g(0), the sign of ``g(x) - x`` at 0 is that of y and at y
    the opposite (or zero; at 2y surely, whatever the rounding), so the bracket from 0 to 2y always
    holds exactly one root, whatever the sign of y.

    Parameters
    ----------
    stage, follower :
        Batches that broadcast against each other.
    law, follower_law :
        Equations of the two devices; parameters may be scalars or have the common shape.

    Returns
    -------
    Both operating points, of the common shape. The stage's ``supply_current_A`` includes the
    follower's grid current.

    Raises
    ------
    ValueError
        As the two solvers; and if array parameters of a law have another shape.
    """
    shape = np.broadcast_shapes(
        stage.shape, follower.shape, law_shape(law), law_shape(follower_law)
    )
    flat_stage, flat_follower = flatten(stage, shape), flatten(follower, shape)
    each_law, each_follower_law = flat_law(law, shape), flat_law(follower_law, shape)

    def drawn(x: FloatArray, index: FloatArray) -> FloatArray:
        where = index.astype(np.intp)
        point = operating_point(flat_stage.at(where), each_law.at(where), extra_plate_current_A=x)
        after = follower_point(flat_follower.at(where), each_follower_law.at(where), point.plate_V)
        return after.point.grid_current_A

    def excess(x: FloatArray, index: FloatArray) -> FloatArray:
        return drawn(x, index) - x

    size = int(np.prod(shape))
    index = np.arange(size, dtype=float)
    x = np.zeros(size)
    first = drawn(x, index) if size else x
    # Most followers at rest draw next to nothing; those that draw exactly nothing are done.
    open_ = np.flatnonzero(first != 0)
    if open_.size:
        found = elementwise.find_root(
            excess,
            (np.minimum(2 * first[open_], 0.0), np.maximum(2 * first[open_], 0.0)),
            args=(index[open_],),
            maxiter=200,
        )
        x[open_] = found.x
    point = operating_point(flat_stage, each_law, extra_plate_current_A=x)
    after = follower_point(flat_follower, each_follower_law, point.plate_V)
    return point.map(lambda a: a.reshape(shape)), FollowerPoint(
        point=after.point.map(lambda a: a.reshape(shape)),
        gain=after.gain.reshape(shape),
        output_resistance_ohm=after.output_resistance_ohm.reshape(shape),
        input_conductance_S=after.input_conductance_S.reshape(shape),
    )


def follower_linear(follower: CathodeFollower, device: Device, after: FollowerPoint) -> SmallSignal:
    """Return the follower's linearised device, strays added."""
    return small_signal(follower.as_stage(), device, after.point)


def with_follower(
    stage: Stage, follower: CathodeFollower, device: Device, after: FollowerPoint
) -> Stage:
    """Return the stage with its follower as the load for signals.

    ``load_F`` gains ``C_gp + C_gk (1 - A_cf)`` and, with grid current, a third term: the grid's
    conductance sees the cathode lag, which is the same as a capacitance of
    ``gg (A_cf (C_gk + C_pk + C_load) - C_gk) / G`` with G all the conductance at the cathode.
    ``load_ohm`` gets the follower's bootstrapped grid conductance in parallel. Both are the first
    two terms of the exact input admittance in rising powers of frequency, so they hold well below
    the follower's own corner G / (2 pi C) (megahertz, unless its load is a large capacitance).

    Raises
    ------
    ValueError
        If the stage has an output coupling capacitor, which a direct coupling has not.

    Source: the first two terms are the input capacitance of a cathode follower, e.g. F.
    Langford-Smith (ed.), Radiotron Designer's Handbook, 4th ed., 1953 (from memory); the third
    follows from the same nodal equation.
    """
    coupling = stage.output_coupling_F
    _require(
        "output_coupling_F", coupling, np.isinf(coupling),
        "inf (direct coupling) where a cathode follower is on the plate",
    )  # fmt: skip
    linear = follower_linear(follower, device, after)
    point, gain = after.point, after.gain
    c_gk = linear.grid_cathode_F
    at_cathode = c_gk + linear.plate_cathode_F + follower.load_F
    # The gain is what the device feeds into the cathode over all the conductance there.
    total_S = 1.0 / after.output_resistance_ohm + 1.0 / follower.load_ohm
    grid_S = point.grid_conductance_S + point.grid_plate_conductance_S
    capacitance = (
        linear.grid_plate_F + c_gk * (1.0 - gain) + grid_S * (gain * at_cathode - c_gk) / total_S
    )
    return replace(
        stage,
        load_F=stage.load_F + capacitance,
        load_ohm=parallel(stage.load_ohm, after.input_ohm),
    )
