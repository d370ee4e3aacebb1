"""A valve of the table as the device of a stage: capacitances, noise and ratings at its point."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import constants

from objectives.arrays import FloatArray
from objectives.devices.fit_record import FitRecord, Law
from objectives.devices.protocol import ConductionLaw, DeviceNoise, OperatingPoint, Rating
from objectives.devices.terms import VALVE, Terms
from objectives.stage import Stage

__all__ = ["Valve", "ValveDevice", "ValveNoise", "ValveSpread"]


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
    def terms(self) -> Terms:
        """What people call it and its electrodes."""
        return VALVE

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


@dataclass(frozen=True)
class ValveNoise:
    """The valve's own noise, referred to its grid.

    Attributes
    ----------
    resistance_factor : equivalent noise resistance times transconductance (dimensionless)
    flicker_corner_Hz : frequency (Hz) at which flicker noise equals the white noise
    source : where both come from
    """

    resistance_factor: float
    flicker_corner_Hz: float
    source: str


@dataclass(frozen=True)
class ValveSpread:
    """Relative spread (one sigma, dimensionless) from valve to valve of one type, when new.

    Attributes
    ----------
    current : plate current at given voltages, and transconductance in proportion
    amplification_factor : amplification factor
    capacitance : each interelectrode capacitance
    source : where the three come from
    """

    current: float
    amplification_factor: float
    capacitance: float
    source: str


@dataclass(frozen=True)
class Valve:
    """One section of a triode: law, capacitances, ratings, noise, spread, and how it was fitted.

    Capacitances are in farads, without external shield; the ``_shielded`` ones are None where not
    published. Ratings are per section and None where not published; ``ratings_source`` names the
    rating system.

    Attributes
    ----------
    name, aliases, description : the type number, equivalents with the same data, and words
    law : large-signal equation
    c_grid_plate_F, c_grid_cathode_F, c_plate_cathode_F : interelectrode capacitance (F)
    plate_voltage_max_V, plate_dissipation_max_W, cathode_current_max_A : ratings
    heater_cathode_max_V : peak voltage between heater and cathode (V), the smaller polarity
    grid_leak_cathode_bias_max_ohm, grid_leak_fixed_bias_max_ohm : grid-circuit resistance (ohm)
    grid_negative_max_V : most negative bias, given as a positive number (V)
    grid_positive_max_V : most positive direct grid voltage (V)
    heater_V, heater_A : heater, for the whole envelope
    """

    name: str
    law: Law
    c_grid_plate_F: float
    c_grid_cathode_F: float
    c_plate_cathode_F: float
    capacitance_source: str
    law_source: str
    grid_current_source: str = ""
    aliases: tuple[str, ...] = ()
    description: str = ""
    c_grid_plate_shielded_F: float | None = None
    c_grid_cathode_shielded_F: float | None = None
    c_plate_cathode_shielded_F: float | None = None
    plate_voltage_max_V: float | None = None
    plate_dissipation_max_W: float | None = None
    cathode_current_max_A: float | None = None
    heater_cathode_max_V: float | None = None
    grid_leak_cathode_bias_max_ohm: float | None = None
    grid_leak_fixed_bias_max_ohm: float | None = None
    grid_negative_max_V: float | None = None
    grid_positive_max_V: float | None = None
    ratings_source: str = ""
    heater_V: float | None = None
    heater_A: float | None = None
    noise: ValveNoise = ValveNoise(2.5, 5e3, "common practice, no source")
    spread: ValveSpread = ValveSpread(0.1, 0.05, 0.05, "common practice, no source")
    fit: FitRecord | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Name and aliases."""
        return (self.name, *self.aliases)

    def capacitances_F(self, *, shielded: bool = False) -> tuple[float, float, float]:
        """Return grid-cathode, grid-plate and plate-cathode capacitance (F).

        Raises
        ------
        ValueError
            If the shielded values are asked for and not published.
        """
        if not shielded:
            return self.c_grid_cathode_F, self.c_grid_plate_F, self.c_plate_cathode_F
        found = (
            self.c_grid_cathode_shielded_F,
            self.c_grid_plate_shielded_F,
            self.c_plate_cathode_shielded_F,
        )
        if None in found:
            raise ValueError(
                f"shielded: True: the table has no capacitances of the {self.name} with shield"
            )
        return found  # type: ignore[return-value]
