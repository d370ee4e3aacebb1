"""The stages before and after the one under design: what drives it, and what it drives."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from objectives import constants
from objectives.arrays import ComplexArray, FloatArray
from objectives.checks import require
from objectives.circuit.by_cathode import squared
from objectives.circuit.network import Network
from objectives.circuit.noise import output_noise_V2_per_Hz
from objectives.circuit.operating_point import operating_point
from objectives.circuit.small_signal import SmallSignal, small_signal
from objectives.devices.protocol import Device, OperatingPoint
from objectives.stage import Stage

# The load resistance at which the impedance of an output is measured; any value serves, as the
# measurement allows for it exactly.
_PROBE_OHM = 1e6


@dataclass(frozen=True)
class Driver:
    """An earlier stage as seen by the stage that it drives; arrays of its batch's shape.

    Impedances and gains are complex, at the reference frequency.
    """

    point: OperatingPoint
    """The driver's own operating point."""
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
    noise_ohm: FloatArray
    """Resistance whose thermal noise equals the white noise of that voltage, at the reference."""
    flicker_Hz: FloatArray
    """Where the flicker noise of that voltage equals the white."""

    @property
    def source_ohm(self) -> FloatArray:
        """Real part of the impedance after the divider (ohm), for ``Stage.source_ohm``."""
        return self.thevenin_impedance_ohm.real

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
    temperature_K: float = 300.0,
) -> Driver:
    """Work out an earlier stage as the driver of the stage under design.

    The output is the driver's node after its ``output_coupling_F``; loads that its own fields state
    (``load_ohm``, ``load_F``) count as part of it. The divider follows: a series resistance (0
    where absent), then a shunt resistance (inf where absent) with a tap (a level control's wiper)
    at ``level_fraction`` of it, more than 0 and at most 1 (the full signal): a share of the
    resistance, not of the rotation. The coupling capacitor is taken to keep the divider from the
    driver's direct voltages even where it is ``inf``, as everywhere in
    :class:`~objectives.stage.Stage`.

    Impedances and gains are at ``reference_Hz``, for each driver of a batch.

    Raises
    ------
    InputError
        If a resistance is negative or zero where it must not be, or the level is out of range.

    Source: Thevenin's theorem on the exact network; the noise of the divider is that of the real
    part of the impedance, less what of it is the stage's (H. Nyquist, Phys. Rev. 32, 1928).
    """
    series = np.asarray(divider_series_ohm, float)
    shunt = np.asarray(divider_shunt_ohm, float)
    level = np.asarray(level_fraction, float)
    require("divider_series_ohm", series, np.isfinite(series) & (series >= 0), "0 or more, finite")
    require("divider_shunt_ohm", shunt, shunt > 0, "more than 0 (inf where absent)")
    require("level_fraction", level, (level > 0) & (level <= 1), "more than 0, at most 1")
    require("level_fraction", level, (level == 1) | np.isfinite(shunt),
            "1 where divider_shunt_ohm is inf, as there is no resistance to tap")  # fmt: skip
    point = operating_point(stage, device.law)
    linear = small_signal(stage, device, point)
    output = _output_impedance(stage, linear, reference_Hz)
    at_plate = 1.0 / _output_impedance(
        replace(stage, output_coupling_F=np.inf, load_ohm=np.inf, load_F=0.0), linear, reference_Hz
    )
    gain = Network(stage, linear, reference_Hz).output
    # With no shunt the tap is the output itself: 1/inf below makes both shares exact.
    upper = output + series + (1.0 - level) * np.where(np.isfinite(shunt), shunt, 0.0)
    lower_S = 1.0 / (level * shunt)
    share = 1.0 / (1.0 + upper * lower_S)
    thermal = 4 * constants.k * temperature_K
    noise = device.noise(point, temperature_K)
    own = output_noise_V2_per_Hz(
        stage, linear, noise, frequency_Hz=reference_Hz, temperature_K=temperature_K
    )
    of_device = squared(Network(stage, linear, reference_Hz).output_of("device"))
    noise_ohm = squared(share) * (own / thermal - output.real) + (upper * share).real
    flicker = squared(share) * of_device * noise.white_V2_per_Hz * noise.flicker_corner_Hz
    return Driver(
        point=point,
        output_impedance_ohm=output,
        output_F=at_plate.imag / (2 * np.pi * reference_Hz),
        open_circuit_gain=gain,
        divider_series_ohm=series,
        divider_shunt_ohm=shunt,
        level_fraction=level,
        divider_loss_dB=-20 * np.log10(np.abs(share)),
        thevenin_gain=gain * share,
        thevenin_impedance_ohm=upper * share,
        noise_ohm=noise_ohm,
        flicker_Hz=flicker / (thermal * noise_ohm),
    )


def _output_impedance(stage: Stage, linear: SmallSignal, frequency_Hz: float) -> ComplexArray:
    """Return the impedance (ohm) at the output node, the stage's own load included."""
    probed = Network(replace(stage, load_ohm=_PROBE_OHM), linear, frequency_Hz)
    # One volt in series with the probe divides between probe and the rest.
    share = probed.output_of("load")
    rest_S = (1.0 - share) / (share * _PROBE_OHM)
    return 1.0 / (rest_S + 1.0 / stage.load_ohm)


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

    def load(self, stage: Stage) -> Stage:
        """Return the stage with this load as its ``load_ohm`` and ``load_F``."""
        return replace(stage, load_ohm=self.resistance_ohm, load_F=self.capacitance_F)


def next_stage_load(stage: Stage, device: Device, reference_Hz: float) -> NextLoad:
    """Work out what a next stage presents at its input, its coupling capacitor left to the driver.

    The input is the node after the next stage's ``input_coupling_F``, which is the same part as
    the ``output_coupling_F`` of the stage that drives it and must be stated only there. Leak,
    stopper, ``grid_capacitor_F``, ``cable_F`` and strays of the next stage are counted. A parallel
    conductance that feedback makes negative is given as an infinite resistance.
    """
    point = operating_point(stage, device.law)
    linear = small_signal(stage, device, point)
    network = Network(stage, linear, reference_Hz)
    s = network.s
    strays = np.add(stage.grid_capacitor_F, stage.stray_grid_ground_F)
    leak_S = 1.0 / stage.grid_leak_ohm
    at_grid = stage.leak_at_grid
    rg = stage.stopper_ohm
    # The same elements in the same order as the source side of the network, seen from outside.
    electrode = network.input_admittance_S
    beyond_lead = electrode / (1.0 + electrode * s * stage.grid_lead_H)
    behind = beyond_lead + s * strays + leak_S * at_grid
    stopper = rg / (1.0 + s * rg * stage.stopper_shunt_F) + s * stage.stopper_lead_H
    total = leak_S * (1.0 - at_grid) + behind / (1.0 + behind * stopper) + s * stage.cable_F
    conductance = np.maximum(total.real, 0.0)
    with np.errstate(divide="ignore"):
        resistance = 1.0 / conductance
    return NextLoad(
        resistance_ohm=resistance,
        capacitance_F=total.imag / (2 * np.pi * reference_Hz),
        gain=network.plate / network.grid,
        point=point,
    )
