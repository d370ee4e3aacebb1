"""A device for tests: a law, constant capacitances, the plainest noise, and what is asked of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import constants

from objectives.devices.protocol import ConductionLaw, DeviceNoise, OperatingPoint, Rating
from objectives.devices.terms import VALVE, Terms
from objectives.devices.triodes import Koren
from objectives.stage import Stage

PUBLISHED = Koren(mu=100.0, ex=1.4, kg1=1060.0, kp=600.0, kvb=300.0)
"""Published set for the 12AX7, N. Koren, Glass Audio 8(5), 1996."""

Rated = tuple[str, Callable[[Stage, OperatingPoint], Any], float, str]


@dataclass(frozen=True)
class StandIn:
    """A stand-in for an entry of a device table; all but the law is invented.

    ``farads``: grid-cathode, grid-plate, plate-cathode; of 1 aF each they make a network of the
    stage's parts alone. ``rated``: name, value of stage and point, maximum, unit.
    """

    law: ConductionLaw = PUBLISHED
    farads: tuple[float, float, float] = (1.6e-12, 1.7e-12, 0.5e-12)
    rated: Sequence[Rated] = ()
    name: str = "stand-in"
    terms: Terms = VALVE

    def capacitances(self, point: OperatingPoint) -> tuple[float, float, float]:
        return self.farads

    def noise(self, point: OperatingPoint, temperature_K: float) -> DeviceNoise:
        gm = np.maximum(point.transconductance_S, 1e-9)
        white = 4 * constants.k * temperature_K * 2.5 / gm
        return DeviceNoise(white, np.full(np.shape(gm), 1e3), np.abs(point.grid_current_A))

    def ratings(self, stage: Stage, point: OperatingPoint) -> list[Rating]:
        return [
            Rating(name, np.asarray(value(stage, point)), np.asarray(most), unit, "invented")
            for name, value, most, unit in self.rated
        ]
