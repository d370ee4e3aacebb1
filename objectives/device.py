"""What the stage needs to know of the three-terminal device in it.

A valve is the case that this project is about; anything that inverts between a control electrode
and an output electrode, with a common electrode below, satisfies the same protocol.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from numpy.typing import ArrayLike

from objectives.batch import FloatArray
from objectives.network import SmallSignal
from objectives.noise import DeviceNoise
from objectives.operating_point import OperatingPoint
from objectives.stage import Stage

if TYPE_CHECKING:
    from objectives.triodes import ConductionLaw

__all__ = ["Device", "Rating", "small_signal"]


@dataclass(frozen=True)
class Rating:
    """One maximum: what is rated, the stage's values, what is allowed, and who says so."""

    name: str
    value: FloatArray
    allowed: FloatArray
    unit: str
    source: str

    @property
    def excess(self) -> FloatArray:
        """How far the value is over what is allowed, as a fraction of it (negative: inside)."""
        return self.value / self.allowed - 1.0


class Device(Protocol):
    """A three-terminal amplifying device."""

    @property
    def name(self) -> str:
        """Name for reports."""

    @property
    def law(self) -> ConductionLaw:
        """Large-signal equation."""

    def capacitances(self, point: OperatingPoint) -> tuple[ArrayLike, ArrayLike, ArrayLike]:
        """Return grid-cathode, grid-plate and plate-cathode capacitance (F)."""

    def noise(self, point: OperatingPoint, temperature_K: float) -> DeviceNoise:
        """Return the device's own noise at its operating point."""

    def ratings(self, stage: Stage, point: OperatingPoint) -> list[Rating]:
        """Return every published maximum with the stage's value beside it."""


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
