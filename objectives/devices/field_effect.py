"""The junction field-effect transistor: its law, and an entry of the table as a device."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from objectives import constants
from objectives.arrays import FloatArray
from objectives.checks import require
from objectives.devices.junctions import (
    LEAST_S,
    RECOMBINATION_IDEALITY,
    SHEET_TEMPERATURE,
    depletion_capacitance_F,
    dissipation_W,
    exponential,
    thermal_V,
)
from objectives.devices.law import ConductionLaw, Datum, Linearised, Parameter
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
from objectives.devices.terms import FIELD_EFFECT, Terms
from objectives.stage import Stage


@dataclass(frozen=True)
class SquareLawFet(ConductionLaw):
    """The square law of the junction field-effect transistor, with its gate diode.

    With ``u = V_gs - V_off`` positive, ``beta = I_dss / V_off^2``::

        I_d = beta u^2 (1 + lambda V_ds)                     V_ds >= u   (saturation)
        I_d = beta V_ds (2 u - V_ds) (1 + lambda V_ds)       V_ds <  u   (triode region)

    and no current for u <= 0 or V_ds <= 0. Value and first derivatives are continuous across
    both limits of u; across V_ds = 0 only the value is, as a channel that conducts backwards is
    left out. Both regions rise with both voltages.

    The gate current is that of the gate-source junction alone,
    ``I_s (exp(V_gs/V_t) - 1) + I_r (exp(V_gs/2V_t) - 1)``: diffusion, and recombination, which in
    reverse is the leakage, -I_r. What the gate collects from impact ionisation at a high drain
    voltage is left out; it can exceed the leakage a thousandfold (common practice, no source).

    Attributes
    ----------
    idss_A : I_dss (A), saturation current at V_gs = 0, extrapolated to V_ds = 0
    cutoff_V : V_off (V), negative
    channel_modulation_per_V : lambda (1/V)
    gate_saturation_A, gate_leakage_A : I_s and I_r (A)
    temperature_K : of the gate diode

    Source: H. Shichman, D. A. Hodges, "Modeling and simulation of insulated-gate field-effect
    transistor switching circuits", IEEE J. Solid-State Circuits SC-3, 1968, p. 285 (the equations);
    I. Richer, R. D. Middlebrook, "Power-law nature of field-effect transistor experimental
    characteristics", Proc. IEEE 51, 1963, p. 1145 (that a JFET's law is close to a square); C. T.
    Sah, R. N. Noyce, W. Shockley, Proc. IRE 45, 1957, p. 1228 (recombination) (all from memory).
    """

    title: ClassVar[str] = "square law of the channel, and gate diode"
    parameter_labels: ClassVar[Mapping[str, tuple[str, str]]] = {
        "idss_A": ("I_dss", "A"),
        "cutoff_V": ("cut-off voltage", "V"),
        "channel_modulation_per_V": ("channel modulation per volt", ""),
        "gate_saturation_A": ("{grid} saturation current", "A"),
        "gate_leakage_A": ("{grid} leakage", "A"),
        "temperature_K": ("at", "K"),
    }
    current_powers: ClassVar[Mapping[str, float]] = {"idss_A": 1.0}
    mu_powers: ClassVar[Mapping[str, float]] = {"channel_modulation_per_V": -1.0}

    idss_A: Parameter
    cutoff_V: Parameter
    channel_modulation_per_V: Parameter = 0.0
    gate_saturation_A: Parameter = 0.0
    gate_leakage_A: Parameter = 0.0
    temperature_K: Parameter = 298.15

    def __post_init__(self) -> None:
        for name, value in self.numeric_fields().items():
            finite = np.isfinite(value)
            if name == "cutoff_V":
                require(name, value, finite & (value < 0), "finite and less than 0")
            elif name in ("idss_A", "temperature_K"):
                require(name, value, finite & (value > 0), "finite and more than 0")
            else:
                require(name, value, finite & (value >= 0), "finite and not less than 0")

    @property
    def mu(self) -> FloatArray:
        """Amplification factor at I_dss and the onset of saturation (dimensionless)."""
        modulation = np.maximum(np.asarray(self.channel_modulation_per_V, float), 1e-9)
        off = -np.asarray(self.cutoff_V, float)
        return np.asarray(2.0 * (1.0 / modulation + off) / off)

    def linearise(self, grid_V: ArrayLike, plate_V: ArrayLike) -> Linearised:
        """Return drain current (A), transconductance (S) and output conductance (S)."""
        beta = self.idss_A / np.square(self.cutoff_V)
        u = np.maximum(np.asarray(grid_V, float) - self.cutoff_V, 0.0)
        v = np.maximum(np.asarray(plate_V, float), 0.0)
        # In saturation the channel holds no more than u of the drain's voltage; with that as w
        # one formula serves both regions, and its slope by w is zero where w stops.
        w = np.minimum(v, u)
        rise = 1.0 + self.channel_modulation_per_V * v
        channel = beta * w * (2.0 * u - w)
        by_drain = 2.0 * beta * (u - w) * rise + channel * self.channel_modulation_per_V
        conducts = np.asarray(plate_V, float) > 0
        return (
            np.asarray(channel * rise),
            np.asarray(2.0 * beta * w * rise),
            np.where(conducts, by_drain, 0.0),
        )

    def linearise_grid(self, grid_V: ArrayLike, plate_V: ArrayLike) -> Linearised:
        """Return gate current (A) and its derivatives by gate and drain voltage (S)."""
        zeros = np.zeros(np.broadcast_shapes(np.shape(grid_V), np.shape(plate_V), self.shape))
        v_t = thermal_V(self.temperature_K)
        slow = RECOMBINATION_IDEALITY * v_t
        v = np.asarray(grid_V, float)
        diffusion, by_v = exponential(v / v_t)
        recombination, by_v_slow = exponential(v / slow)
        current = self.gate_saturation_A * (diffusion - 1.0) + self.gate_leakage_A * (
            recombination - 1.0
        )
        slope = self.gate_saturation_A * by_v / v_t + self.gate_leakage_A * by_v_slow / slow
        return np.asarray(current + zeros), np.asarray(slope + zeros), zeros


@dataclass(frozen=True, kw_only=True)
class JunctionFet(Device):
    """A junction field-effect transistor of the table.

    Attributes
    ----------
    gate_source_0_F, gate_drain_0_F : junction capacitance at no bias (F)
    drain_source_F : capacitance of case and leads from drain to source (F)
    built_in_V, grading : of both junctions
    channel_noise_factor : thermal noise of the channel over 4 k T gm; 2/3 in saturation
    flicker_corner_Hz : frequency (Hz) at which flicker noise equals the white noise
    drain_gate_max_V, gate_source_reverse_max_V, gate_current_max_A : ratings (V, A, positive);
        None where not published
    """

    law: SquareLawFet
    terms: Terms = FIELD_EFFECT
    symbol: Symbol = "junction-fet"
    gate_source_0_F: float
    gate_drain_0_F: float
    built_in_V: float
    grading: float
    flicker_corner_Hz: float
    channel_noise_factor: float = 2.0 / 3.0
    drain_source_F: float = 0.0
    drain_gate_max_V: float | None = None
    gate_source_reverse_max_V: float | None = None
    gate_current_max_A: float | None = None

    @property
    def maxima(self) -> tuple[Datum, ...]:
        """The published maxima."""
        return published(
            ("drain-source voltage", self.plate_voltage_max_V, "V"),
            ("drain-gate voltage", self.drain_gate_max_V, "V"),
            ("reverse gate-source voltage", self.gate_source_reverse_max_V, "V"),
            ("gate current", self.gate_current_max_A, "A"),
            ("dissipation", self.plate_dissipation_max_W, "W"),
        )

    @property
    def noise_data(self) -> tuple[Datum, ...]:
        """The numbers that its noise is worked out from."""
        return (
            Datum("channel noise factor", self.channel_noise_factor),
            Datum("flicker corner", self.flicker_corner_Hz, "Hz"),
        )

    @property
    def caveats(self) -> tuple[Caveat, ...]:
        """What its model leaves out: warmth."""
        return (SHEET_TEMPERATURE,)

    def capacitances(self, point: OperatingPoint) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return gate-source, gate-drain and drain-source capacitance (F) at the bias.

        The gate-source value is that of the whole junction at its bias; that of a pinched channel
        is smaller by up to a third (common practice, no source).
        """
        gs, gd = (
            depletion_capacitance_F(forward, zero, self.built_in_V, self.grading)
            for forward, zero in (
                (point.grid_cathode_V, self.gate_source_0_F),
                (point.grid_V - point.plate_V, self.gate_drain_0_F),
            )
        )
        return gs, gd, np.asarray(self.drain_source_F)

    def noise(self, point: OperatingPoint, temperature_K: float) -> DeviceNoise:
        """Return thermal noise of the channel, 4 k T (2/3)/gm, flicker, and the gate's shot noise.

        Source: A. van der Ziel, "Thermal noise in field-effect transistors", Proc. IRE 50, 1962,
        p. 1808 (from memory): 2/3 holds in saturation.
        """
        gm = np.maximum(point.transconductance_S, LEAST_S)
        return DeviceNoise(
            white_V2_per_Hz=np.asarray(
                4 * constants.k * temperature_K * self.channel_noise_factor / gm
            ),
            flicker_corner_Hz=np.asarray(self.flicker_corner_Hz),
            grid_current_A=np.abs(point.grid_current_A),
        )

    def ratings(self, stage: Stage, point: OperatingPoint) -> list[Rating]:
        """Return the published maxima with the stage's values beside them."""
        values = {
            "drain-source voltage": point.plate_cathode_V,
            "drain-gate voltage": point.plate_V - point.grid_V,
            "reverse gate-source voltage": np.maximum(-point.grid_cathode_V, 0.0),
            "gate current": np.maximum(point.grid_current_A, 0.0),
            "dissipation": dissipation_W(point),
        }
        return rated(self.maxima, values, self.sources.ratings)
