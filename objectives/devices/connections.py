"""How a device is wired: its base or case with the pins, and its heater."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import Final


@dataclass(frozen=True)
class Pins:
    """Pin of each electrode of one section."""

    grid: int
    plate: int
    cathode: int


@dataclass(frozen=True)
class Heater:
    """Heater of the whole envelope; ``voltage_V`` and ``current_A`` hold across ``pins``."""

    voltage_V: float
    current_A: float
    pins: tuple[int, ...] = ()
    """The two ends; empty where not known."""
    centre_tap: int | None = None
    """Half the voltage at twice the current lies between it and both ends joined."""


@dataclass(frozen=True)
class Connections:
    """Terminal connections as a data sheet states them; empty where they are not known."""

    base: str = ""
    """Base or case: 'B9A (noval), diagram 9A'."""
    sections: tuple[Pins, ...] = ()
    """Of one envelope."""
    shield: int | None = None
    """Pin of a shield inside."""
    heater: Heater | None = None
    source: str = ""
    used: int = 1
    """Sections that a stage takes."""

    @property
    def envelopes(self) -> int:
        """Valves or transistors to buy for the sections that a stage takes."""
        return ceil(self.used / max(len(self.sections), 1))


NOT_KNOWN: Final = Connections()
"""Of a device whose table says nothing of its pins."""
