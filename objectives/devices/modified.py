"""A device that changes some properties of another and passes on the rest."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Self

from numpy.typing import ArrayLike

from objectives.devices.law import Datum
from objectives.devices.protocol import Caveat, Device, DeviceNoise, OperatingPoint, Rating
from objectives.stage import Stage


@dataclass(frozen=True, kw_only=True)
class ModifiedDevice(Device):
    """A device made of another; a subclass states what differs."""

    nominal: Device

    @classmethod
    def of(cls, nominal: Device, **changed: Any) -> Self:
        """Return the device with the fields of another, but for those that are given."""
        same = {field.name: getattr(nominal, field.name) for field in fields(Device)}
        return cls(nominal=nominal, **(same | changed))

    @property
    def caveats(self) -> tuple[Caveat, ...]:
        """What its model leaves out."""
        return self.nominal.caveats

    @property
    def maxima(self) -> tuple[Datum, ...]:
        """The published maxima."""
        return self.nominal.maxima

    @property
    def noise_data(self) -> tuple[Datum, ...]:
        """The numbers that its noise is worked out from."""
        return self.nominal.noise_data

    def capacitances(self, point: OperatingPoint) -> tuple[ArrayLike, ArrayLike, ArrayLike]:
        """Return grid-cathode, grid-plate and plate-cathode capacitance (F)."""
        return self.nominal.capacitances(point)

    def noise(self, point: OperatingPoint, temperature_K: float) -> DeviceNoise:
        """Return the device's own noise at its operating point."""
        return self.nominal.noise(point, temperature_K)

    def ratings(self, stage: Stage, point: OperatingPoint) -> list[Rating]:
        """Return every published maximum with the stage's value beside it."""
        return self.nominal.ratings(stage, point)
