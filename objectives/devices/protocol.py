"""The contract of a device: all that the rest of stagefront may ask of a valve or a transistor."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import Batch, BoolArray, FloatArray
from objectives.devices.connections import NOT_KNOWN, Connections
from objectives.devices.fit_record import FitRecord
from objectives.devices.law import ConductionLaw, Datum
from objectives.devices.terms import Terms
from objectives.stage import Stage
from objectives.tolerance.spreads import Spread

Symbol: TypeAlias = Literal["triode", "junction-fet", "bipolar"]


@dataclass(frozen=True)
class Rating:
    """One maximum: what is rated, the stage's values, what is allowed, and who says so."""

    name: str
    value: FloatArray
    allowed: FloatArray
    unit: str
    source: str
    part: str = ""
    """Name of the element that it is of; empty where it is of the device."""

    @property
    def excess(self) -> FloatArray:
        """How far the value is over what is allowed, as a fraction of it (negative: inside)."""
        return self.value / self.allowed - 1.0


@dataclass(frozen=True)
class DataSources:
    """Where the numbers of a device come from."""

    law: str
    capacitance: str
    noise: str = "common practice, no source"
    ratings: str = ""
    grid_current: str = ""
    grid_current_is_illustrative: bool = False
    """Whether nothing was published or measured of this type's grid current."""


MET_WITHIN: Final = 0.1
"""A law is borne out by data that it meets within this share, whether its fit has seen them or not
(common practice, no source)."""


@dataclass(frozen=True)
class TrustedRange:
    """Between which plate currents (A) and plate-cathode voltages (V) data bear a law out."""

    plate_current_A: tuple[float, float]
    plate_voltage_V: tuple[float, float]


@dataclass(frozen=True)
class Caveat:
    """What the model of a device leaves out, with the number concerned where there is one.

    ``text`` is a template: ``{name}`` is the device, ``{value}`` the number.
    """

    text: str
    datum: Datum | None = None


def published(*rows: tuple[str, float | None, str]) -> tuple[Datum, ...]:
    """Return the numbers that are published, of rows of label, number and unit."""
    return tuple(Datum(label, v, unit) for label, v, unit in rows if v is not None)


def rated(maxima: tuple[Datum, ...], values: Mapping[str, FloatArray], source: str) -> list[Rating]:
    """Return each published maximum with the stage's value, by label, beside it."""
    return [Rating(m.label, np.asarray(values[m.label]), m.value, m.unit, source) for m in maxima]


@dataclass(frozen=True, kw_only=True)
class Device(ABC):
    """A three-terminal amplifying device: a valve, a transistor, or several of them."""

    law: ConductionLaw
    """Large-signal equation."""
    name: str
    """Type number."""
    terms: Terms
    """What people call it, its electrodes and the stage made with it."""
    symbol: Symbol
    """Which symbol a schematic shows."""
    sources: DataSources
    """Where its numbers come from."""
    aliases: tuple[str, ...] = ()
    """Other types with the same data."""
    description: str = ""
    """What it is and what it is used for."""
    spreads: tuple[Spread, ...] = ()
    """How devices of this type differ."""
    plate_voltage_max_V: float | None = None
    """Rated plate-cathode voltage (V); None where not published."""
    plate_dissipation_max_W: float | None = None
    """Rated dissipation (W); None where not published."""
    connections: Connections = NOT_KNOWN
    """Base or case, pins and heater."""
    fit: FitRecord | None = None
    """How its law was fitted and how well it does; None where that is not recorded."""
    trusted: TrustedRange | None = None
    """Where its law can be trusted; None where that is not recorded."""

    def trusts(self, point: OperatingPoint) -> BoolArray:
        """Return where the law is known to hold, true where no range is recorded."""
        if self.trusted is None:
            return np.ones(np.shape(point.plate_current_A), bool)
        within = (
            (point.plate_current_A, self.trusted.plate_current_A),
            (point.plate_cathode_V, self.trusted.plate_voltage_V),
        )
        return np.logical_and(*((low <= v) & (v <= high) for v, (low, high) in within))

    @property
    def caveats(self) -> tuple[Caveat, ...]:
        """What its model leaves out."""
        return ()

    @property
    @abstractmethod
    def maxima(self) -> tuple[Datum, ...]:
        """The published maxima as a data table lists them."""

    @property
    @abstractmethod
    def noise_data(self) -> tuple[Datum, ...]:
        """The numbers that its noise is worked out from."""

    @abstractmethod
    def capacitances(self, point: OperatingPoint) -> tuple[ArrayLike, ArrayLike, ArrayLike]:
        """Return grid-cathode, grid-plate and plate-cathode capacitance (F)."""

    @abstractmethod
    def noise(self, point: OperatingPoint, temperature_K: float) -> DeviceNoise:
        """Return the device's own noise at its operating point."""

    @abstractmethod
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
