"""A cathode follower on the stage's plate: both operating points together, and the load it is."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import Batch, FloatArray, Floats, IntArray, flatten
from objectives.checks import require
from objectives.circuit.operating_point import operating_point, point_of
from objectives.circuit.small_signal import small_signal
from objectives.devices.law import ConductionLaw
from objectives.devices.protocol import Device, OperatingPoint
from objectives.roots import bracketed_roots
from objectives.stage import Stage, parallel


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
class FollowerPoint(Batch):
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
            return 1.0 / self.input_conductance_S


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
    supply, resistor = follower.supply_V, follower.cathode_resistor_ohm
    require("follower.supply_V", supply, supply > 0, "more than 0")
    require("follower.cathode_resistor_ohm", resistor, resistor > 0, "more than 0")
    shape = np.broadcast_shapes(follower.shape, law.shape, np.shape(grid_V))
    each_law = law.flat(shape)
    vg, vb, rk, out_S = (
        np.broadcast_to(a, shape).ravel()
        for a in (grid_V, supply, resistor, 1.0 / follower.signal_load_ohm)
    )

    def excess(w: FloatArray, at: IntArray) -> FloatArray:
        own, cathode_V = each_law.at(at), vg[at] - w
        voltages = w, vb[at] - cathode_V
        into_resistor: FloatArray = cathode_V / rk[at]
        return own.plate_current(*voltages) + own.grid_current(*voltages) - into_resistor

    w = vg
    if vg.size:
        at_zero = each_law.grid_current(0.0, 0.0)
        low = np.minimum(np.minimum(vg - vb, 0.0), vg - rk * np.maximum(at_zero, 0.0))
        # A law may leave a small negative grid current at a very negative grid; twice what it
        # makes in the resistor keeps rounding from moving the root out of the bracket.
        least = each_law.grid_current(low, 0.0)
        high = np.maximum(vg + 2.0 * rk * np.maximum(-least, 0.0), low)
        w = bracketed_roots(excess, low, high).x
    plate_A, *slopes = each_law.linearise(w, vb - vg + w)
    grid_A = each_law.grid_current(w, vb - vg + w)
    point = replace(point_of(each_law, w, vg - w, vb, plate_A, grid_A, slopes), grid_V=vg)
    gg, ggp = point.grid_conductance_S, point.grid_plate_conductance_S
    into_cathode_S = point.transconductance_S + gg
    device_S = into_cathode_S + point.plate_conductance_S + ggp
    gain = into_cathode_S / (device_S + out_S)
    return FollowerPoint(
        point=point,
        gain=gain,
        output_resistance_ohm=1.0 / (device_S + 1.0 / rk),
        # The plate is at rest, so the plate-cathode voltage moves by minus the cathode's.
        input_conductance_S=gg * (1.0 - gain) - ggp * gain,
    ).reshape(shape)


def coupled_operating_point(
    stage: Stage, law: ConductionLaw, follower: CathodeFollower, follower_law: ConductionLaw
) -> tuple[OperatingPoint, FollowerPoint]:
    """Solve a stage and the follower on its plate together; all shapes broadcast.

    The unknown is the direct current x that the follower's grid draws from the plate. For a
    given x the stage is solved by :func:`~objectives.circuit.operating_point.operating_point`;
    its plate voltage does not rise with x. At that voltage the follower is solved by
    :func:`follower_point`; its grid-cathode voltage, hence its grid current g(x), does not fall
    with its grid voltage. So ``g(x) - x`` falls strictly. With y = g(0), the sign of
    ``g(x) - x`` at 0 is that of y and at y the opposite (or zero; at 2y surely, whatever the
    rounding), so the bracket from 0 to 2y always holds exactly one root, whatever the sign of y.

    The stage's ``supply_current_A`` includes the follower's grid current.

    Raises
    ------
    ValueError
        As the two solvers; and if array parameters of a law have another than the common shape.
    """
    shape = np.broadcast_shapes(stage.shape, follower.shape, law.shape, follower_law.shape)
    flat_stage, flat_follower = flatten(stage, shape), flatten(follower, shape)
    each_law, each_follower_law = law.flat(shape), follower_law.flat(shape)

    def both(x: FloatArray, at: IntArray | slice) -> tuple[OperatingPoint, FollowerPoint]:
        point = operating_point(flat_stage.at(at), each_law.at(at), extra_plate_current_A=x)
        return point, follower_point(flat_follower.at(at), each_follower_law.at(at), point.plate_V)

    def excess(x: FloatArray, at: IntArray) -> FloatArray:
        return both(x, at)[1].point.grid_current_A - x

    size = int(np.prod(shape))
    x = np.zeros(size)
    first = excess(x, np.arange(size)) if size else x
    # Most followers at rest draw next to nothing; those that draw exactly nothing are done.
    drawing = np.flatnonzero(first != 0)
    if drawing.size:
        ends = 2 * first[drawing]
        x[drawing] = bracketed_roots(
            excess, np.minimum(ends, 0.0), np.maximum(ends, 0.0), drawing
        ).x
    point, after = both(x, slice(None))
    return point.reshape(shape), after.reshape(shape)


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
    require("output_coupling_F", stage.output_coupling_F, np.isinf(stage.output_coupling_F),
            "inf (direct coupling) where a cathode follower is on the plate")  # fmt: skip
    linear = small_signal(follower.as_stage(), device, after.point)
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
        stage, load_F=stage.load_F + capacitance, load_ohm=parallel(stage.load_ohm, after.input_ohm)
    )
