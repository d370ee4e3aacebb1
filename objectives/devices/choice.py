"""Several devices, one of them chosen for each candidate, as one device."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, ClassVar, Self

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import Batch, FloatArray, IntArray
from objectives.checks import InputError, require
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

__all__ = ["ChosenLaw", "DeviceChoice"]


@dataclass(frozen=True)
class ChosenLaw(ConductionLaw):
    """The law that ``index`` chooses for each candidate; a law may have parameters for each."""

    title: ClassVar[str] = "that of the device chosen"

    laws: tuple[ConductionLaw, ...]
    index: IntArray

    def nested_batches(self) -> dict[str, Batch]:
        """Return the laws by their number."""
        return {str(number): law for number, law in enumerate(self.laws)}

    def map(self, change: Callable[[FloatArray], ArrayLike]) -> Self:
        """Return a copy with ``change`` applied to the index and the parameters of all laws."""
        index = np.asarray(change(np.asarray(self.index, float)))
        return replace(
            self, laws=tuple(law.map(change) for law in self.laws), index=index.astype(np.intp)
        )

    def linearise(
        self, grid_V: ArrayLike, plate_V: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return plate current (A), transconductance (S) and plate conductance (S)."""
        return self._each(lambda law, *voltages: law.linearise(*voltages), grid_V, plate_V)

    def linearise_grid(
        self, grid_V: ArrayLike, plate_V: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return grid current (A) and its derivatives by grid and by plate voltage (S)."""
        return self._each(lambda law, *voltages: law.linearise_grid(*voltages), grid_V, plate_V)

    def _each(
        self, ask: Callable[..., Any], *voltages: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        shape = np.broadcast_shapes(self.shape, *map(np.shape, voltages))
        v, u = (np.broadcast_to(np.asarray(value, float), shape) for value in voltages)

        def own(number: int, mask: Any) -> Sequence[ArrayLike]:
            law = self.laws[number].map(lambda a: a if a.ndim == 0 else np.broadcast_to(a, shape))
            answer: Sequence[ArrayLike] = ask(law.at(mask), v[mask], u[mask])
            return answer

        current, first, second = _gathered(np.broadcast_to(self.index, shape), own, 3)
        return current, first, second

    @property
    def saturation_V(self) -> float | None:  # type: ignore[override]
        """Plate voltage (V) that ends the swing towards more current, alike for all laws."""
        return self.laws[0].saturation_V

    def multiplied(self, factors: Mapping[str, ArrayLike]) -> Self:
        """Return the law with some parameters of all laws multiplied, by name."""
        return replace(self, laws=tuple(law.multiplied(factors) for law in self.laws))

    def varied(self, *, current: ArrayLike = 1.0, mu: ArrayLike = 1.0) -> Self:
        """Return the law with plate current and amplification factor multiplied."""
        varied = tuple(law.varied(current=current, mu=mu) for law in self.laws)
        return replace(self, laws=varied)

    def parameters(self) -> tuple[Datum, ...]:
        """Return nothing: each law has its own."""
        return ()


def _gathered(
    index: IntArray, own: Callable[[int, Any], Sequence[ArrayLike]], count: int
) -> tuple[FloatArray, ...]:
    """Return arrays of the shape of ``index``, put together from what each device gives."""
    found = tuple(np.zeros(index.shape) for _ in range(count))
    for number in np.unique(index):
        mask = index == number
        for whole, part in zip(found, own(int(number), mask), strict=True):
            whole[mask] = part
    return found


@dataclass(frozen=True)
class DeviceChoice:
    """Devices of one kind, as :class:`~objectives.devices.protocol.Device`.

    Where one thing must hold for all, it is the cautious one: the widest spread, every caveat.
    What belongs to one device alone (fit, data table, ratings on charts) is left out; :meth:`at`
    gives the device itself.

    Attributes
    ----------
    devices : what there is to choose from
    index : number of the device of each candidate, shape of the stages

    Raises
    ------
    InputError
        If a number is out of range, or the devices are not of one kind.
    """

    devices: tuple[Device, ...]
    index: IntArray

    fit: ClassVar[FitRecord | None] = None
    aliases: ClassVar[tuple[str, ...]] = ()
    description: ClassVar[str] = ""
    maxima: ClassVar[tuple[Datum, ...]] = ()
    noise_data: ClassVar[tuple[Datum, ...]] = ()
    plate_voltage_max_V: ClassVar[float | None] = None
    plate_dissipation_max_W: ClassVar[float | None] = None

    def __post_init__(self) -> None:
        index, last = np.asarray(self.index, np.intp), len(self.devices) - 1
        require("index", index, (index >= 0) & (index <= last), f"from 0 to {last}")
        if any(device.symbol != self.symbol for device in self.devices):
            kinds = ", ".join(device.symbol for device in self.devices)
            raise InputError("devices", kinds, "must be of one kind")
        object.__setattr__(self, "index", index)

    def at(self, index: Any) -> Device:
        """Return the devices of some candidates: one itself where all of them have the same."""
        chosen = np.asarray(self.index[index])
        if np.unique(chosen).size == 1:
            return self.devices[int(chosen.flat[0])]
        return replace(self, index=chosen)

    @property
    def name(self) -> str:
        """All type numbers."""
        return " or ".join(device.name for device in self.devices)

    @property
    def terms(self) -> Terms:
        """What people call them and their electrodes."""
        return self.devices[0].terms

    @property
    def symbol(self) -> Symbol:
        """Which symbol a schematic shows."""
        return self.devices[0].symbol

    @property
    def law(self) -> ConductionLaw:
        """Large-signal equation of the device of each candidate."""
        return ChosenLaw(tuple(device.law for device in self.devices), self.index)

    def capacitances(self, point: OperatingPoint) -> tuple[ArrayLike, ArrayLike, ArrayLike]:
        """Return grid-cathode, grid-plate and plate-cathode capacitance (F)."""
        index = self._over(point)

        def own(number: int, mask: Any) -> Sequence[ArrayLike]:
            return self.devices[number].capacitances(point.broadcast().at(mask))

        gk, gp, pk = _gathered(index, own, 3)
        return gk, gp, pk

    def noise(self, point: OperatingPoint, temperature_K: float) -> DeviceNoise:
        """Return the noise of the device of each candidate."""
        index = self._over(point)

        def own(number: int, mask: Any) -> Sequence[ArrayLike]:
            noise = self.devices[number].noise(point.broadcast().at(mask), temperature_K)
            return noise.white_V2_per_Hz, noise.flicker_corner_Hz, noise.grid_current_A

        return DeviceNoise(*_gathered(index, own, 3))

    def ratings(self, stage: Stage, point: OperatingPoint) -> list[Rating]:
        """Return every maximum that any of the devices has; inf where a device has none."""
        index = self._over(point)
        whole = stage.map(lambda a: np.broadcast_to(a, index.shape))
        found: dict[str, Rating] = {}
        for number in np.unique(index):
            mask = index == number
            for own in self.devices[number].ratings(whole.at(mask), point.broadcast().at(mask)):
                none, most = np.zeros(index.shape), np.full(index.shape, np.inf)
                rating = found.setdefault(own.name, replace(own, value=none, allowed=most))
                rating.value[mask], rating.allowed[mask] = own.value, own.allowed
                if own.source not in rating.source:
                    found[own.name] = replace(rating, source=f"{rating.source}; {own.source}")
        return list(found.values())

    @property
    def spreads(self) -> tuple[Spread, ...]:
        """The widest spread of each quantity among the devices."""
        found: dict[str, Spread] = {}
        for spread in (spread for device in self.devices for spread in device.spreads):
            known = found.setdefault(spread.quantity, spread)
            found[spread.quantity] = replace(
                known, low=min(known.low, spread.low), high=max(known.high, spread.high)
            )
        return tuple(found.values())

    @property
    def sources(self) -> DataSources:
        """Where the numbers of all devices come from."""
        own = [vars(device.sources) for device in self.devices]
        names = (field.name for field in fields(DataSources))
        return DataSources(
            **{name: "; ".join(dict.fromkeys(s[name] for s in own)) for name in names}
        )

    @property
    def caveats(self) -> tuple[Caveat, ...]:
        """What the models of the devices leave out."""
        every = (caveat for device in self.devices for caveat in device.caveats)
        return tuple({caveat.text: caveat for caveat in every}.values())

    def _over(self, point: OperatingPoint) -> IntArray:
        """Return the number of the device at each operating point."""
        return np.broadcast_to(self.index, point.shape or (1,))
