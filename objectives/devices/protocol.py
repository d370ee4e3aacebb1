"""TODO objectives.devices.protocol."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol, Self

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import Batch, FloatArray
from objectives.devices.terms import Terms
from objectives.stage import Stage

__all__ = [
    "ConductionLaw",
    "Device",
    "DeviceNoise",
    "OperatingPoint",
    "Rating",
    "flat_law",
    "law_shape",
]


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
    def terms(self) -> Terms:
        """What people call it, its electrodes and the stage made with it."""

    @property
    def law(self) -> ConductionLaw:
        """Large-signal equation."""

    def capacitances(self, point: OperatingPoint) -> tuple[ArrayLike, ArrayLike, ArrayLike]:
        """Return grid-cathode, grid-plate and plate-cathode capacitance (F)."""

    def noise(self, point: OperatingPoint, temperature_K: float) -> DeviceNoise:
        """Return the device's own noise at its operating point."""

    def ratings(self, stage: Stage, point: OperatingPoint) -> list[Rating]:
        """Return every published maximum with the stage's value beside it."""


@dataclass(frozen=True)
class DeviceNoise:
    """The device's own noise, shape of the stage.

    White noise in series with the control voltage of spectral density ``white_V2_per_Hz``, raised
    by ``1 + flicker_corner_Hz/f``, and shot noise of the grid current, 2 q I.
    """

    white_V2_per_Hz: FloatArray
    flicker_corner_Hz: FloatArray
    grid_current_A: FloatArray


@dataclass(frozen=True)
class OperatingPoint(Batch):
    """Quiescent currents, voltages to ground and true partial derivatives, shape of the stage."""

    plate_current_A: FloatArray
    grid_current_A: FloatArray
    grid_V: FloatArray
    cathode_V: FloatArray
    plate_V: FloatArray
    transconductance_S: FloatArray
    plate_conductance_S: FloatArray
    grid_conductance_S: FloatArray
    """Partial derivative of grid current by grid-cathode voltage."""
    grid_plate_conductance_S: FloatArray
    """Partial derivative of grid current by plate-cathode voltage."""
    supply_current_A: FloatArray
    """Current through the plate load."""

    @property
    def grid_cathode_V(self) -> FloatArray:
        """Grid voltage relative to the cathode."""
        return self.grid_V - self.cathode_V

    @property
    def plate_cathode_V(self) -> FloatArray:
        """Plate voltage relative to the cathode."""
        return self.plate_V - self.cathode_V

    @property
    def cathode_current_A(self) -> FloatArray:
        """Plate plus grid current."""
        return self.plate_current_A + self.grid_current_A

    @property
    def plate_resistance_ohm(self) -> FloatArray:
        """Reciprocal of the plate conductance; inf at cut-off."""
        with np.errstate(divide="ignore"):
            return np.asarray(1.0 / self.plate_conductance_S)

    @property
    def amplification_factor(self) -> FloatArray:
        """Transconductance times plate resistance (dimensionless); nan at cut-off."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(self.transconductance_S / self.plate_conductance_S)

    @property
    def plate_dissipation_W(self) -> FloatArray:
        """Power turned into heat in the plate."""
        return self.plate_current_A * self.plate_cathode_V


class ConductionLaw(Protocol):
    """Any inverting three-terminal device: control (grid), output (plate), common (cathode)."""

    def plate_current(self, grid_V: ArrayLike, plate_V: ArrayLike) -> FloatArray:
        """Return the plate current (A), of the broadcast shape of voltages and parameters."""

    def linearise(
        self, grid_V: ArrayLike, plate_V: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return plate current (A), transconductance (S) and plate conductance (S)."""

    def grid_current(self, grid_V: ArrayLike, plate_V: ArrayLike) -> FloatArray:
        """Return the grid current (A); zeros where the law has none."""

    def linearise_grid(
        self, grid_V: ArrayLike, plate_V: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return grid current (A) and its derivatives by grid and by plate voltage (S)."""

    def at(self, index: Any) -> Self:
        """Return the law with its array parameters indexed; scalar parameters stay."""


def law_shape(law: ConductionLaw) -> tuple[int, ...]:
    """Return the common shape of a law's parameters, found from what it gives for one voltage.

    Both currents are asked: a parameter of the grid current alone, a current gain say, does not
    show in the plate's.
    """
    return np.broadcast_shapes(
        np.shape(law.plate_current(0.0, 100.0)), np.shape(law.grid_current(0.0, 100.0))
    )


def flat_law(law: ConductionLaw, shape: tuple[int, ...]) -> ConductionLaw:
    """Return the law with array parameters as one flat axis of stages of that shape.

    Raises
    ------
    ValueError
        If the parameters are neither scalars nor of that shape.
    """
    own = law_shape(law)
    if own == ():
        return law
    if own != shape:
        raise ValueError(
            f"law: parameters of shape {own}: must be scalars or have the shape of the stages, "
            f"{shape}"
        )
    return law.at(np.unravel_index(np.arange(int(np.prod(shape))), shape))
