"""A valve of the table as the device of a stage: capacitances, noise and ratings at its point."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import constants

from objectives.batch import FloatArray
from objectives.device import Rating
from objectives.noise import DeviceNoise
from objectives.operating_point import OperatingPoint
from objectives.stage import Stage
from objectives.triodes import ConductionLaw
from objectives.valves import Valve

__all__ = ["ValveDevice"]


@dataclass(frozen=True)
class ValveDevice:
    """One section of a valve, with or without its shield, as :class:`~objectives.device.Device`.

    Parameters
    ----------
    valve :
        Entry of the valve table.
    shielded :
        Use the capacitances published with an external shield.
    heater_V :
        Direct voltage of the heater to ground, for the heater-cathode rating.
    """

    valve: Valve
    shielded: bool = False
    heater_V: float = 0.0

    @property
    def name(self) -> str:
        """Type number."""
        return self.valve.name

    @property
    def law(self) -> ConductionLaw:
        """Large-signal equation of the table's entry."""
        return self.valve.law

    def capacitances(self, point: OperatingPoint) -> tuple[ArrayLike, ArrayLike, ArrayLike]:
        """Return grid-cathode, grid-plate and plate-cathode capacitance (F); bias moves none."""
        return self.valve.capacitances_F(shielded=self.shielded)

    def noise(self, point: OperatingPoint, temperature_K: float) -> DeviceNoise:
        """Return the valve's noise: 4 k T0 R_eq with R_eq = factor/gm, and flicker below a corner.

        The equivalent noise resistance of a valve is defined at T0 = 290 K: its electrons come
        from a cathode whose temperature does not follow the room's (source: the table's entry).
        """
        gm = np.maximum(point.transconductance_S, 1e-12)
        white = 4 * constants.k * 290.0 * self.valve.noise.resistance_factor / gm
        return DeviceNoise(
            white_V2_per_Hz=np.asarray(white),
            flicker_corner_Hz=np.asarray(self.valve.noise.flicker_corner_Hz),
            grid_current_A=np.abs(point.grid_current_A),
        )

    def ratings(self, stage: Stage, point: OperatingPoint) -> list[Rating]:
        """Return the published maxima of the valve; those not published are left out."""
        entry, shape = self.valve, np.shape(point.plate_current_A)
        leak = np.broadcast_to(np.asarray(stage.grid_leak_ohm, float), shape)
        cathode_biased = np.broadcast_to(stage.cathode_total_ohm > 0, shape)
        leak_max = _either(
            cathode_biased,
            entry.grid_leak_cathode_bias_max_ohm,
            entry.grid_leak_fixed_bias_max_ohm,
        )
        rows = (
            ("plate voltage", point.plate_cathode_V, entry.plate_voltage_max_V, "V"),
            ("plate dissipation", point.plate_dissipation_W, entry.plate_dissipation_max_W, "W"),
            ("cathode current", point.cathode_current_A, entry.cathode_current_max_A, "A"),
            ("heater-cathode voltage", np.abs(point.cathode_V - self.heater_V),
             entry.heater_cathode_max_V, "V"),
            ("negative grid voltage", -point.grid_cathode_V, entry.grid_negative_max_V, "V"),
            ("grid leak", leak, leak_max, "ohm"),
        )  # fmt: skip
        return [
            Rating(name, value, np.asarray(allowed, float), unit, entry.ratings_source)
            for name, value, allowed, unit in rows
            if allowed is not None
        ]


def _either(where: np.ndarray, yes: float | None, no: float | None) -> FloatArray | None:
    """Return one rating or the other by bias; the one that is published where only one is."""
    if yes is None and no is None:
        return None
    first = yes if yes is not None else no
    second = no if no is not None else yes
    return np.where(where, float(first or 0), float(second or 0))
