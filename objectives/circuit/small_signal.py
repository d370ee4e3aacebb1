"""TODO objectives.circuit.small_signal."""

from __future__ import annotations

from dataclasses import dataclass

from numpy.typing import ArrayLike

from objectives.arrays import Batch
from objectives.devices.protocol import Device, OperatingPoint
from objectives.stage import Stage

__all__ = ["SmallSignal", "small_signal"]


def small_signal(stage: Stage, device: Device, point: OperatingPoint) -> SmallSignal:
    """Return the linearised device at its operating point, wiring strays added."""
    grid_cathode, grid_plate, plate_cathode = device.capacitances(point)
    return SmallSignal(
        transconductance_S=point.transconductance_S,
        plate_conductance_S=point.plate_conductance_S,
        grid_cathode_F=grid_cathode + stage.stray_grid_cathode_F,  # type: ignore[operator]
        grid_plate_F=grid_plate + stage.stray_grid_plate_F,  # type: ignore[operator]
        plate_cathode_F=plate_cathode + stage.stray_plate_cathode_F,  # type: ignore[operator]
        grid_conductance_S=point.grid_conductance_S,
        grid_plate_conductance_S=point.grid_plate_conductance_S,
    )


@dataclass(frozen=True)
class SmallSignal(Batch):
    """The linearised three-terminal device, shape of the stage (or with a trailing axis)."""

    transconductance_S: ArrayLike
    plate_conductance_S: ArrayLike
    grid_cathode_F: ArrayLike
    grid_plate_F: ArrayLike
    plate_cathode_F: ArrayLike
    grid_conductance_S: ArrayLike = 0.0
    grid_plate_conductance_S: ArrayLike = 0.0
