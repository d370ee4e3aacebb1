"""A device for tests: a law, constant capacitances, the plainest noise, and what is asked of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import KW_ONLY, dataclass
from typing import Any

import numpy as np
from scipy import constants

from objectives.devices.bipolar import BipolarTransistor
from objectives.devices.fit_record import FitRecord
from objectives.devices.law import ConductionLaw, Datum
from objectives.devices.lookup import device
from objectives.devices.protocol import (
    DataSources,
    Device,
    DeviceNoise,
    OperatingPoint,
    Rating,
    Symbol,
)
from objectives.devices.terms import VALVE, Terms
from objectives.devices.triodes import Koren
from objectives.devices.valve_table import usual_spreads
from objectives.stage import Stage
from objectives.tolerance.spreads import Spread

PUBLISHED = Koren(mu=100.0, ex=1.4, kg1=1060.0, kp=600.0, kvb=300.0)
"""Published set for the 12AX7, N. Koren, Glass Audio 8(5), 1996."""

INVENTED = DataSources("invented", "invented", "invented", "invented")
Rated = tuple[str, Callable[[Stage, OperatingPoint], Any], float, str]


def fit_of(entry: Device) -> FitRecord:
    """Return how the law of a device was fitted, which must be recorded."""
    assert entry.fit is not None
    return entry.fit


def bipolar(name: str) -> BipolarTransistor:
    """Return a bipolar transistor of the table."""
    part = device(name)
    assert isinstance(part, BipolarTransistor)
    return part


@dataclass(frozen=True)
class StandIn(Device):
    """A stand-in for an entry of a device table; all but the law is invented.

    ``farads``: grid-cathode, grid-plate, plate-cathode; of 1 aF each they make a network of the
    stage's parts alone. ``rated``: name, value of stage and point, maximum, unit.
    """

    law: ConductionLaw = PUBLISHED
    farads: tuple[float, float, float] = (1.6e-12, 1.7e-12, 0.5e-12)
    rated: Sequence[Rated] = ()
    flicker_Hz: float = 1e3
    _: KW_ONLY
    name: str = "stand-in"
    terms: Terms = VALVE
    symbol: Symbol = "triode"
    spreads: tuple[Spread, ...] = usual_spreads()
    sources: DataSources = INVENTED
    maxima = ()
    noise_data = (Datum("flicker corner", 1e3, "Hz"),)

    def capacitances(self, point: OperatingPoint) -> tuple[float, float, float]:
        return self.farads

    def noise(self, point: OperatingPoint, temperature_K: float) -> DeviceNoise:
        gm = np.maximum(point.transconductance_S, 1e-9)
        white = 4 * constants.k * temperature_K * 2.5 / gm
        return DeviceNoise(
            white, np.full(np.shape(gm), self.flicker_Hz), np.abs(point.grid_current_A)
        )

    def ratings(self, stage: Stage, point: OperatingPoint) -> list[Rating]:
        return [
            Rating(name, np.asarray(value(stage, point)), np.asarray(most), unit, "invented")
            for name, value, most, unit in self.rated
        ]
