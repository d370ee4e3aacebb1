"""The linearised device: what of it the small-signal network knows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from objectives.arrays import Batch, Floats
from objectives.devices.protocol import Device, OperatingPoint
from objectives.stage import Stage


def small_signal(stage: Stage, device: Device, point: OperatingPoint) -> SmallSignal:
    """Return the linearised device at its operating point, wiring strays added."""
    grid_cathode, grid_plate, plate_cathode = device.capacitances(point)
    return SmallSignal(
        transconductance_S=point.transconductance_S,
        plate_conductance_S=point.plate_conductance_S,
        grid_cathode_F=np.add(grid_cathode, stage.stray_grid_cathode_F),
        grid_plate_F=np.add(grid_plate, stage.stray_grid_plate_F),
        plate_cathode_F=np.add(plate_cathode, stage.stray_plate_cathode_F),
        grid_conductance_S=point.grid_conductance_S,
        grid_plate_conductance_S=point.grid_plate_conductance_S,
    )


@dataclass(frozen=True)
class SmallSignal(Batch):
    """The linearised three-terminal device, shape of the stage (or with a trailing axis)."""

    transconductance_S: Floats = Floats()
    plate_conductance_S: Floats = Floats()
    grid_cathode_F: Floats = Floats()
    grid_plate_F: Floats = Floats()
    plate_cathode_F: Floats = Floats()
    grid_conductance_S: Floats = Floats(0.0)
    grid_plate_conductance_S: Floats = Floats(0.0)
