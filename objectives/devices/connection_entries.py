"""Base, case and heater as the device tables state them."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from objectives.devices.connections import Connections, Heater, Pins
from objectives.devices.table import Entry, Positive, Sourced, Text

_Pin = Annotated[int, Field(ge=1)]


class HeaterEntry(Entry):
    """The heater of an envelope; ``pins`` are its two ends."""

    voltage_V: Positive
    current_A: Positive
    pins: tuple[_Pin, ...] = Field(default=(), min_length=2, max_length=2, strict=False)
    centre_tap: _Pin | None = None


class _ValvePins(Entry):
    plate: _Pin
    grid: _Pin
    cathode: _Pin


class BaseEntry(Sourced):
    """The base of a valve, with the pins of each section."""

    name: Text
    sections: tuple[_ValvePins, ...] = Field(min_length=1, strict=False)
    shield: _Pin | None = None


class _FetPins(Entry):
    gate: _Pin
    drain: _Pin
    source: _Pin


class FetCase(Sourced):
    """The case of a field-effect transistor."""

    name: Text
    pins: _FetPins

    def connections(self) -> Connections:
        """Return it as the device has it."""
        pins = Pins(grid=self.pins.gate, plate=self.pins.drain, cathode=self.pins.source)
        return Connections(self.name, (pins,), source=self.source)


class _BipolarPins(Entry):
    base: _Pin
    collector: _Pin
    emitter: _Pin


class BipolarCase(Sourced):
    """The case of a bipolar transistor."""

    name: Text
    pins: _BipolarPins

    def connections(self) -> Connections:
        """Return it as the device has it."""
        pins = Pins(grid=self.pins.base, plate=self.pins.collector, cathode=self.pins.emitter)
        return Connections(self.name, (pins,), source=self.source)


def valve_connections(heater: HeaterEntry | None, base: BaseEntry | None) -> Connections:
    """Return heater and base of a valve, of which either may not be stated."""
    hot = None if heater is None else Heater(**heater.model_dump())
    if base is None:
        return Connections(heater=hot)
    sections = tuple(Pins(**pins.model_dump()) for pins in base.sections)
    return Connections(base.name, sections, base.shield, hot, base.source)


def connection_tables(wired: Connections) -> dict[str, dict[str, Any]]:
    """Return the tables ``heater`` and ``base`` of a valve; what is not known is None or empty."""
    heater = wired.heater
    return {
        "heater": {} if heater is None else {**vars(heater), "pins": list(heater.pins)},
        "base": {
            "name": wired.base or None,
            "sections": [
                {"plate": pins.plate, "grid": pins.grid, "cathode": pins.cathode}
                for pins in wired.sections
            ],
            "shield": wired.shield,
            "source": wired.source or None,
        },
    }
