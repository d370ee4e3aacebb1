"""Sections of a valve in parallel, electrode to electrode, as one device."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Self

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import FloatArray
from objectives.checks import require
from objectives.devices.law import ConductionLaw, Datum, Linearised
from objectives.devices.modified import ModifiedDevice
from objectives.devices.protocol import (
    Caveat,
    Device,
    DeviceNoise,
    OperatingPoint,
    Rating,
    TrustedRange,
)
from objectives.stage import Stage


@dataclass(frozen=True)
class _ParallelLaw(ConductionLaw):
    """The currents of one section, so many times."""

    title: ClassVar[str] = "sections in parallel, each by its own equation"

    section: ConductionLaw
    sections: float

    def linearise(self, grid_V: ArrayLike, plate_V: ArrayLike) -> Linearised:
        """Return plate current (A), transconductance (S) and plate conductance (S)."""
        current, gm, gp = self.section.linearise(grid_V, plate_V)
        return self.sections * current, self.sections * gm, self.sections * gp

    def linearise_grid(self, grid_V: ArrayLike, plate_V: ArrayLike) -> Linearised:
        """Return grid current (A) and its derivatives by grid and by plate voltage (S)."""
        current, by_grid, by_plate = self.section.linearise_grid(grid_V, plate_V)
        return self.sections * current, self.sections * by_grid, self.sections * by_plate

    def plate_current(self, grid_V: ArrayLike, plate_V: ArrayLike) -> FloatArray:
        """Return the plate current (A)."""
        return self.sections * self.section.plate_current(grid_V, plate_V)

    def varied(self, *, current: ArrayLike = 1.0, mu: ArrayLike = 1.0) -> Self:
        """Return the law with plate current and amplification factor multiplied."""
        return replace(self, section=self.section.varied(current=current, mu=mu))

    def multiplied(self, factors: Mapping[str, ArrayLike]) -> Self:
        """Return the law with some parameters of every section multiplied, by name."""
        return replace(self, section=self.section.multiplied(factors))

    @property
    def saturation_V(self) -> float | None:  # type: ignore[override]
        """Plate voltage (V) that ends the swing towards more current: that of a section."""
        return self.section.saturation_V

    def grid_parameters(self) -> tuple[Datum, ...]:
        """Return the parameters of the grid current of one section."""
        return self.section.grid_parameters()

    def parameters(self) -> tuple[Datum, ...]:
        """Return the number of sections, and the parameters of one."""
        return (Datum("sections", self.sections), *self.section.parameters())


def _together(trusted: TrustedRange | None, sections: int) -> TrustedRange | None:
    if trusted is None:
        return None
    low, high = trusted.plate_current_A
    return replace(trusted, plate_current_A=(sections * low, sections * high))


@dataclass(frozen=True, kw_only=True)
class ParallelSections(ModifiedDevice):
    """Like sections of a valve in parallel.

    Currents, conductances and capacitances add up; noise voltages average, so that their power
    goes down with the number. A rating holds for each section, and sections that share a grid leak
    may have so much less of it (common practice, no source). How sections differ is taken to be
    common to all of them, which errs on the safe side: differences that are not average out.
    """

    sections: int

    def __post_init__(self) -> None:
        require("sections", self.sections, self.sections >= 1, "1 or more")

    @classmethod
    def of(cls, nominal: Device, **changed: Any) -> Self:
        """Return ``sections`` of a device as one."""
        n, rated = changed["sections"], nominal.plate_dissipation_max_W
        together: dict[str, Any] = {
            "name": f"{nominal.name}, {n} sections in parallel",
            "law": _ParallelLaw(nominal.law, float(n)),
            "plate_dissipation_max_W": None if rated is None else n * rated,
            "connections": replace(nominal.connections, used=n),
            "trusted": _together(nominal.trusted, n),
            "fit": None,  # what is recorded of the fit is of one section
        }
        return super().of(nominal, **(together | changed))

    def capacitances(self, point: OperatingPoint) -> tuple[ArrayLike, ArrayLike, ArrayLike]:
        """Return grid-cathode, grid-plate and plate-cathode capacitance (F) of all sections."""
        gk, gp, pk = (np.asarray(c, float) for c in self.nominal.capacitances(self._each(point)))
        return self.sections * gk, self.sections * gp, self.sections * pk

    def noise(self, point: OperatingPoint, temperature_K: float) -> DeviceNoise:
        """Return the noise of all sections.

        Their noise currents are independent, so the powers add to n times that of one; across n
        times the transconductance this is one n-th of the voltage noise power, white and flicker
        alike.
        """
        one = self.nominal.noise(self._each(point), temperature_K)
        return DeviceNoise(
            one.white_V2_per_Hz / self.sections,
            one.flicker_corner_Hz,
            one.grid_current_A * self.sections,
        )

    def ratings(self, stage: Stage, point: OperatingPoint) -> list[Rating]:
        """Return every published maximum with the value of one section beside it."""
        shared = replace(stage, grid_leak_ohm=self.sections * np.asarray(stage.grid_leak_ohm))
        return [
            replace(r, value=r.value / self.sections, allowed=r.allowed / self.sections)
            if r.unit == "ohm"  # a resistor that the sections share
            else r
            for r in self.nominal.ratings(shared, self._each(point))
        ]

    def _each(self, point: OperatingPoint) -> OperatingPoint:
        """Return the operating point of one section."""
        shares = {
            name: value / self.sections
            for name, value in point.numeric_fields().items()
            if name.endswith(("_A", "_S"))
        }
        return replace(point, **shares)

    @property
    def caveats(self) -> tuple[Caveat, ...]:
        """What its model leaves out."""
        return (*self.nominal.caveats, Caveat("Sections in parallel are taken to be alike."))
