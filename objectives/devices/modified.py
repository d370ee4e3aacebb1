"""A device that changes some properties of another and passes on the rest."""

from __future__ import annotations

from dataclasses import dataclass

from numpy.typing import ArrayLike

from objectives.devices.fit_record import FitRecord
from objectives.devices.law import ConductionLaw, Datum
from objectives.devices.protocol import (
    Caveat,
    DataSources,
    Device,
    DeviceNoise,
    OperatingPoint,
    Rating,
    Symbol,
)
from objectives.devices.terms import Terms
from objectives.stage import Stage
from objectives.tolerance.spreads import Spread


@dataclass(frozen=True)
class ModifiedDevice:
    """The whole contract of :class:`~objectives.devices.protocol.Device`, passed on.

    A subclass states what differs.
    """

    nominal: Device

    @property
    def name(self) -> str:
        """Type number."""
        return self.nominal.name

    @property
    def aliases(self) -> tuple[str, ...]:
        """Other types with the same data."""
        return self.nominal.aliases

    @property
    def description(self) -> str:
        """What it is and what it is used for."""
        return self.nominal.description

    @property
    def terms(self) -> Terms:
        """What people call it and its electrodes."""
        return self.nominal.terms

    @property
    def symbol(self) -> Symbol:
        """Which symbol a schematic shows."""
        return self.nominal.symbol

    @property
    def law(self) -> ConductionLaw:
        """Large-signal equation."""
        return self.nominal.law

    def capacitances(self, point: OperatingPoint) -> tuple[ArrayLike, ArrayLike, ArrayLike]:
        """Return grid-cathode, grid-plate and plate-cathode capacitance (F)."""
        return self.nominal.capacitances(point)

    def noise(self, point: OperatingPoint, temperature_K: float) -> DeviceNoise:
        """Return the device's own noise at its operating point."""
        return self.nominal.noise(point, temperature_K)

    def ratings(self, stage: Stage, point: OperatingPoint) -> list[Rating]:
        """Return every published maximum with the stage's value beside it."""
        return self.nominal.ratings(stage, point)

    @property
    def spreads(self) -> tuple[Spread, ...]:
        """How devices of this type differ."""
        return self.nominal.spreads

    @property
    def maxima(self) -> tuple[Datum, ...]:
        """The published maxima."""
        return self.nominal.maxima

    @property
    def noise_data(self) -> tuple[Datum, ...]:
        """The numbers that its noise is worked out from."""
        return self.nominal.noise_data

    @property
    def plate_voltage_max_V(self) -> float | None:
        """Rated plate-cathode voltage (V)."""
        return self.nominal.plate_voltage_max_V

    @property
    def plate_dissipation_max_W(self) -> float | None:
        """Rated dissipation (W)."""
        return self.nominal.plate_dissipation_max_W

    @property
    def sources(self) -> DataSources:
        """Where its numbers come from."""
        return self.nominal.sources

    @property
    def fit(self) -> FitRecord | None:
        """How its law was fitted."""
        return self.nominal.fit

    @property
    def caveats(self) -> tuple[Caveat, ...]:
        """What its model leaves out."""
        return self.nominal.caveats
