"""What a next stage presents to the stage that drives it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from objectives.arrays import ComplexArray, FloatArray
from objectives.circuit.network import Network
from objectives.circuit.operating_point import operating_point
from objectives.circuit.small_signal import small_signal
from objectives.devices.protocol import Device, OperatingPoint
from objectives.stage import Stage


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
