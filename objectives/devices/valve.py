"""A valve of the table as the device of a stage: one section, and how it is used."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from objectives import constants
from objectives.arrays import FloatArray
from objectives.checks import InputError
from objectives.devices.junctions import capacitance_spreads
from objectives.devices.law import Datum
from objectives.devices.protocol import (
    Caveat,
    Device,
    DeviceNoise,
    OperatingPoint,
    Rating,
    Symbol,
    published,
    rated,
)
from objectives.devices.terms import VALVE, Terms
from objectives.devices.triodes import TriodeLaw
from objectives.stage import Stage
from objectives.tolerance.spreads import Spread


def valve_spreads(
    transconductance: float,
    amplification_factor: float,
    capacitance: float,
    *,
    transconductance_source: str,
    amplification_factor_source: str,
    capacitance_source: str,
) -> tuple[Spread, ...]:
    """Return how new valves of one type differ: relative, plus and minus three sigma.

    ``transconductance`` is that of the plate current at given voltages, and of the transconductance
    in proportion; ``capacitance`` is that of each. The sources say where these come from.
    """
    current = ("valve_transconductance", transconductance, transconductance_source)
    factor = ("valve_amplification_factor", amplification_factor, amplification_factor_source)
    return (
        *(Spread.plus_minus(name, by, "normal", source) for name, by, source in (current, factor)),
        *capacitance_spreads(capacitance, capacitance_source),
    )


@dataclass(frozen=True)
class FlickerVoltage:
    """Flicker noise in series with the grid, whose power falls as 1/f.

    It is the same at every current. How it goes with current we found published nowhere; this
    takes neither side, where a corner frequency would tie it to 1/gm.
    """

    V_per_rtHz: float
    """Density (V/√Hz), without the white noise."""
    at_Hz: float
    """Frequency of that density."""
    at_A: float | None = None
    """Plate current at which it was measured; None where it was not."""

    @property
    def at_1_Hz_V2(self) -> float:
        """Its power density (V²/Hz) at 1 Hz."""
        return self.V_per_rtHz**2 * self.at_Hz


@dataclass(frozen=True, kw_only=True)
class Valve(Device):
    """One section of a triode.

    Capacitances are in farads, without external shield; the ``_shielded`` ones are None where not
    published. Ratings are per section and None where not published; their source names the rating
    system.

    Attributes
    ----------
    c_grid_plate_F, c_grid_cathode_F, c_plate_cathode_F : interelectrode capacitance (F)
    cathode_current_max_A : rating
    heater_cathode_max_V : peak voltage between heater and cathode (V), the smaller polarity
    grid_leak_cathode_bias_max_ohm, grid_leak_fixed_bias_max_ohm : grid-circuit resistance (ohm)
    grid_negative_max_V : most negative bias, given as a positive number (V)
    grid_positive_max_V : most positive direct grid voltage (V)
    noise_resistance_factor : equivalent noise resistance times transconductance (dimensionless)
    flicker : flicker noise as a voltage of its own
    flicker_corner_Hz : without ``flicker``, frequency (Hz) at which flicker equals the white noise
    shielded : whether the capacitances published with an external shield hold
    heater_elevation_V : direct voltage of the heater to ground

    Raises
    ------
    InputError
        If the shielded capacitances are asked for and not published.
    """

    law: TriodeLaw
    terms: Terms = VALVE
    symbol: Symbol = "triode"
    spreads: tuple[Spread, ...]
    c_grid_plate_F: float
    c_grid_cathode_F: float
    c_plate_cathode_F: float
    c_grid_plate_shielded_F: float | None = None
    c_grid_cathode_shielded_F: float | None = None
    c_plate_cathode_shielded_F: float | None = None
    cathode_current_max_A: float | None = None
    heater_cathode_max_V: float | None = None
    grid_leak_cathode_bias_max_ohm: float | None = None
    grid_leak_fixed_bias_max_ohm: float | None = None
    grid_negative_max_V: float | None = None
    grid_positive_max_V: float | None = None
    noise_resistance_factor: float = 2.5
    flicker: FlickerVoltage | None = None
    flicker_corner_Hz: float = 5e3
    shielded: bool = False
    heater_elevation_V: float = 0.0

    def __post_init__(self) -> None:
        if self.shielded and self.c_grid_plate_shielded_F is None:
            raise InputError(
                "shielded",
                True,
                f"must be False: the table has no capacitances of the {self.name} with shield",
            )

    def capacitances(self, point: OperatingPoint) -> tuple[ArrayLike, ArrayLike, ArrayLike]:
        """Return grid-cathode, grid-plate and plate-cathode capacitance (F); bias moves none."""
        return self.capacitances_F

    @property
    def capacitances_F(self) -> tuple[float, float, float]:
        """Grid-cathode, grid-plate and plate-cathode capacitance (F), at any bias."""
        if self.shielded:
            return (
                self.c_grid_cathode_shielded_F,
                self.c_grid_plate_shielded_F,
                self.c_plate_cathode_shielded_F,
            )  # type: ignore[return-value]
        return self.c_grid_cathode_F, self.c_grid_plate_F, self.c_plate_cathode_F

    @property
    def caveats(self) -> tuple[Caveat, ...]:
        """What its model leaves out."""
        if self.flicker is None:
            return ()
        text = "The flicker noise of the {name} is taken to be the same voltage at every current: "
        return (Caveat(f"{text}how it goes with current we found published nowhere."),)

    def noise(self, point: OperatingPoint, temperature_K: float) -> DeviceNoise:
        """Return the valve's noise: 4 k T0 R_eq with R_eq = factor/gm, and flicker.

        The equivalent noise resistance of a valve is defined at T0 = 290 K: its electrons come
        from a cathode whose temperature does not follow the room's (source: the table's entry).
        """
        gm = np.maximum(point.transconductance_S, 1e-12)
        white = np.asarray(4 * constants.k * 290.0 * self.noise_resistance_factor / gm)
        corner = self.flicker_corner_Hz if self.flicker is None else self.flicker.at_1_Hz_V2 / white
        return DeviceNoise(white, np.asarray(corner), np.abs(point.grid_current_A))

    def ratings(self, stage: Stage, point: OperatingPoint) -> list[Rating]:
        """Return the published maxima of the valve; those not published are left out."""
        shape = np.shape(point.plate_current_A)
        cathode_biased = np.broadcast_to(stage.cathode_total_ohm > 0, shape)
        leak_max = _either(
            cathode_biased, self.grid_leak_cathode_bias_max_ohm, self.grid_leak_fixed_bias_max_ohm
        )
        values = {
            "plate voltage": point.plate_cathode_V,
            "plate dissipation": point.plate_dissipation_W,
            "cathode current": point.cathode_current_A,
            "heater-cathode voltage": np.abs(point.cathode_V - self.heater_elevation_V),
            "negative grid voltage": -point.grid_cathode_V,
        }
        found = rated(
            tuple(m for m in self.maxima if m.label in values), values, self.sources.ratings
        )
        if leak_max is not None:
            leak = np.broadcast_to(np.asarray(stage.grid_leak_ohm, float), shape)
            found.append(Rating("grid leak", leak, leak_max, "ohm", self.sources.ratings))
        return found

    @property
    def maxima(self) -> tuple[Datum, ...]:
        """The published maxima."""
        return published(
            ("plate voltage", self.plate_voltage_max_V, "V"),
            ("plate dissipation", self.plate_dissipation_max_W, "W"),
            ("cathode current", self.cathode_current_max_A, "A"),
            ("heater-cathode voltage", self.heater_cathode_max_V, "V"),
            ("negative grid voltage", self.grid_negative_max_V, "V"),
            ("grid leak, cathode bias", self.grid_leak_cathode_bias_max_ohm, "ohm"),
            ("grid leak, fixed bias", self.grid_leak_fixed_bias_max_ohm, "ohm"),
        )

    @property
    def noise_data(self) -> tuple[Datum, ...]:
        """The numbers that its noise is worked out from."""
        white = Datum("noise resistance times transconductance", self.noise_resistance_factor)
        if self.flicker is None:
            return white, Datum("flicker corner", self.flicker_corner_Hz, "Hz")
        return white, *published(
            ("flicker noise voltage", self.flicker.V_per_rtHz, "V/√Hz"),
            ("at a frequency of", self.flicker.at_Hz, "Hz"),
            ("at a plate current of", self.flicker.at_A, "A"),
        )


def _either(where: np.ndarray, yes: float | None, no: float | None) -> FloatArray | None:
    """Return one rating or the other by bias; the one that is published where only one is."""
    first, second = (yes if yes is not None else no), (no if no is not None else yes)
    if first is None or second is None:
        return None
    return np.where(where, first, second)
