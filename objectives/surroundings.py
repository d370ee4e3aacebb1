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

from objectives.batch import Batch, ComplexArray, FloatArray
from objectives.device import Device, small_signal
from objectives.network import Network, SmallSignal, flatten
from objectives.operating_point import OperatingPoint, operating_point
from objectives.stage import Stage, parallel
from objectives.textbook import miller_capacitance_F
from objectives.triodes import ConductionLaw, flat_law, law_shape

__all__ = [
    "CathodeFollower",
    "Driver",
    "FollowerPoint",
    "NextLoad",
    "coupled_operating_point",
    "driver_of",
    "follower_linear",
    "follower_point",
    "next_stage_load",
    "with_follower",
]


# The load resistance at which the impedance of an output is measured; any value serves, as the
# measurement allows for it exactly.
_PROBE_OHM = 1e6


# -- an earlier stage as the driver --------------------------------------------------------------


@dataclass(frozen=True)
class Driver:
    """An earlier stage as seen by the stage that it drives; arrays of its batch's shape.

    Impedances and gains are complex, at the reference frequency.
    """

    point: OperatingPoint
    """The driver's own operating point."""
    linear: SmallSignal
    """The driver's device at that point, strays added."""
    cathode_impedance_ohm: ComplexArray
    """What stands between the driver's cathode and ground."""
    device_resistance_ohm: ComplexArray
    """``rp + (1 + mu) Zk``: what the plate alone presents by the textbook, without capacitances."""
    textbook_output_ohm: ComplexArray
    """The plate load in parallel with :attr:`device_resistance_ohm`."""
    output_impedance_ohm: ComplexArray
    """Exact impedance at the driver's output, ahead of the divider."""
    output_F: FloatArray
    """Capacitance in parallel with the driver's plate, feedback through C_gp included."""
    open_circuit_gain: ComplexArray
    """Driver's source EMF to its output (V/V) with the divider taken off."""
    divider_series_ohm: FloatArray
    divider_shunt_ohm: FloatArray
    level_fraction: FloatArray
    divider_loss_dB: FloatArray
    """Open-circuit voltage before the divider over that after it, driver's impedance included."""
    thevenin_gain: ComplexArray
    """Driver's source EMF to the open-circuit voltage after the divider (V/V)."""
    thevenin_impedance_ohm: ComplexArray
    """Impedance behind that voltage."""

    @property
    def output_resistance_ohm(self) -> FloatArray:
        """Real part of the output impedance ahead of the divider (ohm)."""
        return np.asarray(self.output_impedance_ohm.real)

    @property
    def source_ohm(self) -> FloatArray:
        """Real part of the impedance after the divider (ohm), for ``Stage.source_ohm``."""
        return np.asarray(self.thevenin_impedance_ohm.real)

    def drive(self, stage: Stage) -> Stage:
        """Return the stage with this driver's Thevenin resistance as its source resistance."""
        return replace(stage, source_ohm=self.source_ohm)


def driver_of(
    stage: Stage,
    device: Device,
    reference_Hz: float,
    *,
    divider_series_ohm: ArrayLike = 0.0,
    divider_shunt_ohm: ArrayLike = np.inf,
    level_fraction: ArrayLike = 1.0,
) -> Driver:
    """Work out an earlier stage as the driver of the stage under design.

    The output is the driver's node after its ``output_coupling_F``; loads that its own fields
    state (``load_ohm``, ``load_F``) count as part of it. The divider follows: a series resistance,
    then a shunt resistance with a tap (a level control's wiper) at ``level_fraction`` of it. The
    coupling capacitor is taken to keep the divider from the driver's direct voltages even where it
    is ``inf``, as everywhere in :class:`~objectives.stage.Stage`.

    Parameters
    ----------
    stage, device :
        The driver; a batch gives a driver for each candidate.
    reference_Hz :
        Frequency (Hz) of the impedances and gains.
    divider_series_ohm, divider_shunt_ohm :
        0 and inf where absent.
    level_fraction :
        Share of the shunt resistance below the tap, more than 0 and at most 1 (the full signal);
        a share of the resistance, not of the rotation.

    Raises
    ------
    ValueError
        If a resistance is negative or zero where it must not be, or the level is out of range.

    Source: Thevenin's theorem on the exact network; the textbook value is R_L in parallel with
    r_p + (mu + 1) R_k, e.g. F. Langford-Smith (ed.), Radiotron Designer's Handbook, 4th ed., 1953
    (from memory).
    """
    series = np.asarray(divider_series_ohm, float)
    shunt = np.asarray(divider_shunt_ohm, float)
    level = np.asarray(level_fraction, float)
    _require("divider_series_ohm", series, np.isfinite(series) & (series >= 0), "0 or more, finite")
    _require("divider_shunt_ohm", shunt, shunt > 0, "more than 0 (inf where absent)")
    _require("level_fraction", level, (level > 0) & (level <= 1), "more than 0, at most 1")
    _require(
        "level_fraction", level, (level == 1) | np.isfinite(shunt),
        "1 where divider_shunt_ohm is inf, as there is no resistance to tap",
    )  # fmt: skip
    point = operating_point(stage, device.law)
    linear = small_signal(stage, device, point)
    network = Network(stage, linear, reference_Hz)
    gm = np.asarray(linear.transconductance_S, float)
    gp = np.asarray(linear.plate_conductance_S, float)
    zk = network.cathode_impedance_ohm
    with np.errstate(divide="ignore", invalid="ignore"):
        device_ohm = (1.0 + (gm + gp) * zk) / gp
        textbook = 1.0 / (1.0 / np.asarray(stage.plate_load_ohm, float) + gp / (1 + (gm + gp) * zk))
    output = _output_impedance(stage, linear, reference_Hz)
    at_plate = 1.0 / _output_impedance(
        replace(stage, output_coupling_F=np.inf, load_ohm=np.inf, load_F=0.0), linear, reference_Hz
    )
    gain = network.output

    # With no shunt the tap is the output itself: 1/inf below makes both shares exact.
    upper = output + series + (1.0 - level) * np.where(np.isfinite(shunt), shunt, 0.0)
    lower_S = 1.0 / (level * shunt)
    share = 1.0 / (1.0 + upper * lower_S)
    return Driver(
        point=point,
        linear=linear,
        cathode_impedance_ohm=zk,
        device_resistance_ohm=np.asarray(device_ohm),
        textbook_output_ohm=np.asarray(textbook),
        output_impedance_ohm=output,
        output_F=np.asarray(at_plate.imag / (2 * np.pi * reference_Hz)),
        open_circuit_gain=gain,
        divider_series_ohm=series,
        divider_shunt_ohm=shunt,
        level_fraction=level,
        divider_loss_dB=np.asarray(-20 * np.log10(np.abs(share))),
        thevenin_gain=np.asarray(gain * share),
        thevenin_impedance_ohm=np.asarray(upper * share),
    )


def _output_impedance(stage: Stage, linear: SmallSignal, frequency_Hz: float) -> ComplexArray:
    """Return the impedance (ohm) at the output node, the stage's own load included."""
    probed = Network(replace(stage, load_ohm=_PROBE_OHM), linear, frequency_Hz)
    # One volt in series with the probe divides between probe and the rest.
    share = probed.output_of("load")
    rest_S = (1.0 - share) / (share * _PROBE_OHM)
    return np.asarray(1.0 / (rest_S + 1.0 / np.asarray(stage.load_ohm, float)))


# -- a next stage as the load --------------------------------------------------------------------


@dataclass(frozen=True)
class NextLoad:
    """What a next stage presents to the stage that drives it; arrays of its batch's shape."""

    resistance_ohm: FloatArray
    """Parallel resistance at the reference frequency: leak, and grid conduction if any."""
    capacitance_F: FloatArray
    """Parallel capacitance at the reference frequency, Miller effect included, exact."""
    gain: ComplexArray
    """Grid to plate (V/V) at the reference frequency."""
    point: OperatingPoint
    textbook_F: FloatArray
    """``C_gk + C_gp (1 + mu R/(rp + R))`` with the cathode grounded, plus the same strays."""

    @property
    def textbook_error_percent(self) -> FloatArray:
        """Departure of the textbook capacitance from the exact one (per cent)."""
        return np.asarray(100 * (self.textbook_F / self.capacitance_F - 1))

    def load(self, stage: Stage) -> Stage:
        """Return the stage with this load as its ``load_ohm`` and ``load_F``."""
        return replace(stage, load_ohm=self.resistance_ohm, load_F=self.capacitance_F)


def next_stage_load(stage: Stage, device: Device, reference_Hz: float) -> NextLoad:
    """Work out what a next stage presents at its input, its coupling capacitor left to the driver.

    The input is the node after the next stage's ``input_coupling_F``, which is the same part as
    the ``output_coupling_F`` of the stage that drives it and must be stated only there. Leak,
    stopper, ``grid_capacitor_F``, ``cable_F`` and strays of the next stage are counted. A parallel
    conductance that feedback makes negative is given as an infinite resistance.

    Source: exact network; the textbook value as :func:`~objectives.textbook.miller_capacitance_F`.
    """
    point = operating_point(stage, device.law)
    linear = small_signal(stage, device, point)
    network = Network(stage, linear, reference_Hz)
    s = network.s
    strays = np.add(stage.grid_capacitor_F, stage.stray_grid_ground_F)
    leak_S = 1.0 / np.asarray(stage.grid_leak_ohm, float)
    at_grid = np.asarray(stage.leak_at_grid, float)
    rg = np.asarray(stage.stopper_ohm, float)
    # The same elements in the same order as the source side of the network, seen from outside.
    electrode = network.input_admittance_S
    beyond_lead = electrode / (1.0 + electrode * s * np.asarray(stage.grid_lead_H, float))
    behind = beyond_lead + s * strays + leak_S * at_grid
    stopper = rg / (1.0 + s * rg * np.asarray(stage.stopper_shunt_F, float)) + s * np.asarray(
        stage.stopper_lead_H, float
    )
    total = (
        leak_S * (1.0 - at_grid)
        + behind / (1.0 + behind * stopper)
        + s * np.asarray(stage.cable_F, float)
    )
    conductance = np.maximum(total.real, 0.0)
    with np.errstate(divide="ignore"):
        resistance = np.asarray(1.0 / conductance)
    gm = np.asarray(linear.transconductance_S, float)
    gp = np.asarray(linear.plate_conductance_S, float)
    load_S = 1.0 / parallel(stage.plate_load_ohm, stage.load_ohm)
    textbook = miller_capacitance_F(
        np.asarray(linear.grid_cathode_F), np.asarray(linear.grid_plate_F), gm / (gp + load_S)
    )
    return NextLoad(
        resistance_ohm=resistance,
        capacitance_F=np.asarray(total.imag / (2 * np.pi * reference_Hz)),
        gain=np.asarray(network.plate / network.grid),
        point=point,
        textbook_F=textbook + strays + np.asarray(stage.cable_F, float),
    )


# -- a directly coupled cathode follower ---------------------------------------------------------


@dataclass(frozen=True)
class CathodeFollower(Batch):
    """A cathode follower whose grid is wired straight to the stage's plate; fields broadcast.

    Its plate goes straight to its supply, its cathode through a resistor to ground.
    """

    supply_V: ArrayLike
    cathode_resistor_ohm: ArrayLike
    load_ohm: ArrayLike = np.inf
    """What the follower drives, through a capacitor: a load for signals only."""
    load_F: ArrayLike = 0.0
    stray_grid_plate_F: ArrayLike = 0.0
    stray_grid_cathode_F: ArrayLike = 0.0
    stray_plate_cathode_F: ArrayLike = 0.0

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
    supply = np.asarray(follower.supply_V, float)
    resistor = np.asarray(follower.cathode_resistor_ohm, float)
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
    coupling = np.asarray(stage.output_coupling_F, float)
    _require(
        "output_coupling_F", coupling, np.isinf(coupling),
        "inf (direct coupling) where a cathode follower is on the plate",
    )  # fmt: skip
    linear = follower_linear(follower, device, after)
    point, gain = after.point, after.gain
    c_gk = np.asarray(linear.grid_cathode_F, float)
    at_cathode = c_gk + np.asarray(linear.plate_cathode_F, float) + np.asarray(follower.load_F)
    # The gain is what the device feeds into the cathode over all the conductance there.
    total_S = 1.0 / after.output_resistance_ohm + 1.0 / np.asarray(follower.load_ohm, float)
    grid_S = point.grid_conductance_S + point.grid_plate_conductance_S
    capacitance = (
        np.asarray(linear.grid_plate_F, float)
        + c_gk * (1.0 - gain)
        + grid_S * (gain * at_cathode - c_gk) / total_S
    )
    return replace(
        stage,
        load_F=np.asarray(stage.load_F, float) + capacitance,
        load_ohm=parallel(stage.load_ohm, after.input_ohm),
    )


# -- shared --------------------------------------------------------------------------------------


def _shaped(value: ArrayLike, shape: tuple[int, ...]) -> FloatArray:
    """Return the value broadcast to the shape."""
    return np.broadcast_to(np.asarray(value, float), shape)


def _require(name: str, value: FloatArray, good: ArrayLike, allowed: str) -> None:
    """Raise a ValueError that names the first bad value."""
    bad = ~np.broadcast_to(np.asarray(good), np.broadcast_shapes(np.shape(good), value.shape))
    if np.any(bad):
        worst = np.broadcast_to(value, bad.shape)[bad][0]
        raise ValueError(f"{name}: {float(worst)!r}: must be {allowed}")
