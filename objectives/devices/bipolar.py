"""The bipolar transistor: its law, and an entry of the transistor table as a device."""

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
    LEAST_A,
    LEAST_S,
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
from objectives.devices.terms import BIPOLAR, Terms
from objectives.stage import Stage


@dataclass(frozen=True)
class Bipolar(ConductionLaw):
    """The bipolar transistor, forward: transport current with the Early effect, and base current.

    ``I_c = I_s exp(V_be/V_n) (1 - exp(-V_ce/V_n)) (1 + V_ce/V_A)``, ``V_n = n kT/q``

    ``I_b = (I_s/beta) exp(V_be/V_n) + I_l exp(V_be/(n_l kT/q))``

    The bracket with V_ce is what the reverse-biased collector junction leaves of the transport
    current: 1 in the active region, 0 at V_ce = 0, below which no current is given (the backward
    transistor is left out; across V_ce = 0 the value alone is continuous). Both currents rise
    with both voltages, or stay. The base current is that of the emitter junction; the
    surplus of a saturated transistor is left out, so a saturated stage is recognised as such, by
    V_ce under :attr:`saturation_V`, but its base current is too small. High injection is left out
    as well: the law is good well below the current at which the sheet's current gain begins to
    fall.

    Attributes
    ----------
    saturation_A : I_s (A) at the temperature given
    forward_gain : beta (dimensionless) without leakage, extrapolated to V_ce = 0
    early_V : V_A (V); inf for none
    ideality : n (dimensionless)
    leakage_A, leakage_ideality : I_l (A) and n_l of the base current at low currents
    temperature_K : of both junctions

    Source: J. J. Ebers, J. L. Moll, "Large-signal behavior of junction transistors", Proc. IRE 42,
    1954, p. 1761; J. M. Early, "Effects of space-charge layer widening in junction transistors",
    Proc. IRE 40, 1952, p. 1401; H. K. Gummel, H. C. Poon, "An integral charge control model of
    bipolar transistors", Bell Syst. Tech. J. 49, 1970, p. 827 (base leakage); the factor
    1 + V_ce/V_A as in P. R. Gray, R. G. Meyer, Analysis and Design of Analog Integrated Circuits
    (all from memory).
    """

    title: ClassVar[str] = "transport current with the Early effect, and base current"
    parameter_labels: ClassVar[Mapping[str, tuple[str, str]]] = {
        "saturation_A": ("saturation current", "A"),
        "forward_gain": ("forward current gain", ""),
        "early_V": ("Early voltage", "V"),
        "leakage_A": ("{grid} leakage", "A"),
        "leakage_ideality": ("its ideality", ""),
        "temperature_K": ("at", "K"),
    }
    # The base current stays, so the current gain goes with the collector current.
    current_powers: ClassVar[Mapping[str, float]] = {"saturation_A": 1.0, "forward_gain": 1.0}
    mu_powers: ClassVar[Mapping[str, float]] = {"early_V": 1.0}
    saturation_V: ClassVar[float | None] = 0.2

    saturation_A: Parameter
    forward_gain: Parameter
    early_V: Parameter = np.inf
    ideality: Parameter = 1.0
    leakage_A: Parameter = 0.0
    leakage_ideality: Parameter = 2.0
    temperature_K: Parameter = 298.15

    def __post_init__(self) -> None:
        for name, value in self.numeric_fields().items():
            finite = np.isfinite(value) | (name == "early_V")
            if name == "leakage_A":
                require(name, value, finite & (value >= 0), "finite and not less than 0")
            else:
                allowed = (
                    "more than 0 (inf for none)" if name == "early_V" else "finite and more than 0"
                )
                require(name, value, finite & (value > 0), allowed)

    @property
    def mu(self) -> FloatArray:
        """Amplification factor at low collector voltage, V_A/V_n (dimensionless)."""
        return np.asarray(np.minimum(self.early_V, 1e9) / self._junction_V)

    @property
    def _junction_V(self) -> FloatArray:
        return np.asarray(self.ideality * thermal_V(self.temperature_K))

    def linearise(self, grid_V: ArrayLike, plate_V: ArrayLike) -> Linearised:
        """Return collector current (A), transconductance (S) and output conductance (S)."""
        v_n = self._junction_V
        value, slope = exponential(np.asarray(grid_V, float) / v_n)
        v = np.maximum(np.asarray(plate_V, float), 0.0)
        left, left_slope = -np.expm1(-v / v_n), np.exp(-v / v_n) / v_n
        rise, rise_slope = 1.0 + v / self.early_V, 1.0 / np.asarray(self.early_V, float)
        transport = self.saturation_A * value
        by_collector = transport * (left_slope * rise + left * rise_slope)
        conducts = np.asarray(plate_V, float) > 0
        return (
            np.asarray(transport * left * rise),
            np.asarray(self.saturation_A * slope / v_n * left * rise),
            np.where(conducts, by_collector, 0.0),
        )

    def linearise_grid(self, grid_V: ArrayLike, plate_V: ArrayLike) -> Linearised:
        """Return base current (A) and its derivatives by base and collector voltage (S)."""
        zeros = np.zeros(np.broadcast_shapes(np.shape(grid_V), np.shape(plate_V), self.shape))
        v = np.asarray(grid_V, float)
        v_n = self._junction_V
        v_l = self.leakage_ideality * thermal_V(self.temperature_K)
        ideal, ideal_slope = exponential(v / v_n)
        leak, leak_slope = exponential(v / v_l)
        injected = self.saturation_A / np.asarray(self.forward_gain, float)
        return (
            np.asarray(injected * ideal + self.leakage_A * leak + zeros),
            np.asarray(injected * ideal_slope / v_n + self.leakage_A * leak_slope / v_l + zeros),
            zeros,
        )


@dataclass(frozen=True, kw_only=True)
class BipolarTransistor(Device):
    """A bipolar transistor of the table.

    The base spreading resistance counts in the noise alone; in the response it is to be added to
    the stopper, and is next to nothing beside one of kilohms.

    Attributes
    ----------
    base_emitter_0_F, base_collector_0_F : depletion capacitance at no bias (F)
    collector_emitter_F : capacitance of case and leads from collector to emitter (F)
    built_in_V, grading : of both junctions
    transit_s : forward transit time (s): diffusion capacitance is gm times it
    base_ohm : base spreading resistance (ohm)
    flicker_corner_Hz : frequency (Hz) at which flicker noise equals the white noise
    collector_base_max_V, emitter_base_max_V, collector_current_max_A : ratings (V, A); None where
        not published
    """

    law: Bipolar
    terms: Terms = BIPOLAR
    symbol: Symbol = "bipolar"
    base_emitter_0_F: float
    base_collector_0_F: float
    built_in_V: float
    grading: float
    transit_s: float
    flicker_corner_Hz: float
    base_ohm: float = 0.0
    collector_emitter_F: float = 0.0
    collector_base_max_V: float | None = None
    emitter_base_max_V: float | None = None
    collector_current_max_A: float | None = None

    @property
    def maxima(self) -> tuple[Datum, ...]:
        """The published maxima."""
        return published(
            ("collector-emitter voltage", self.plate_voltage_max_V, "V"),
            ("collector-base voltage", self.collector_base_max_V, "V"),
            ("emitter-base voltage", self.emitter_base_max_V, "V"),
            ("collector current", self.collector_current_max_A, "A"),
            ("dissipation", self.plate_dissipation_max_W, "W"),
        )

    @property
    def noise_data(self) -> tuple[Datum, ...]:
        """The numbers that its noise is worked out from."""
        return (
            Datum("base resistance", self.base_ohm, "ohm"),
            Datum("flicker corner", self.flicker_corner_Hz, "Hz"),
        )

    @property
    def caveats(self) -> tuple[Caveat, ...]:
        """What its model leaves out: warmth, and the base resistance in the response."""
        base = Caveat(
            "The base resistance, {value}, counts in the noise alone; in the response it would "
            "add to the stopper.",
            Datum("base resistance", self.base_ohm, "ohm"),
        )
        return (SHEET_TEMPERATURE, base) if self.base_ohm else (SHEET_TEMPERATURE,)

    def capacitances(self, point: OperatingPoint) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return C_pi = gm tau_F + C_je, C_mu and collector-emitter capacitance (F) at the bias."""
        depletion, c_mu = (
            depletion_capacitance_F(forward, zero, self.built_in_V, self.grading)
            for forward, zero in (
                (point.grid_cathode_V, self.base_emitter_0_F),
                (point.grid_V - point.plate_V, self.base_collector_0_F),
            )
        )
        c_pi = point.transconductance_S * self.transit_s + depletion
        return np.asarray(c_pi), c_mu, np.asarray(self.collector_emitter_F)

    def noise(self, point: OperatingPoint, temperature_K: float) -> DeviceNoise:
        """Return shot noise of both currents, the base resistance's thermal noise, and flicker.

        The collector's shot noise referred to the base is 2 q I_c/gm^2 = 2 k T/gm. Flicker is
        put on the voltage noise; that of the base current is left out.

        Source: e.g. P. R. Gray, R. G. Meyer, Analysis and Design of Analog Integrated Circuits,
        the chapter on noise (from memory).
        """
        gm = np.maximum(point.transconductance_S, LEAST_S)
        current = np.maximum(point.plate_current_A, LEAST_A)
        return DeviceNoise(
            white_V2_per_Hz=np.asarray(
                2 * constants.e * current / gm**2 + 4 * constants.k * temperature_K * self.base_ohm
            ),
            flicker_corner_Hz=np.asarray(self.flicker_corner_Hz),
            grid_current_A=np.abs(point.grid_current_A),
        )

    def ratings(self, stage: Stage, point: OperatingPoint) -> list[Rating]:
        """Return the published maxima with the stage's values beside them."""
        values = {
            "collector-emitter voltage": point.plate_cathode_V,
            "collector-base voltage": point.plate_V - point.grid_V,
            "emitter-base voltage": np.maximum(-point.grid_cathode_V, 0.0),
            "collector current": point.plate_current_A,
            "dissipation": dissipation_W(point),
        }
        return rated(self.maxima, values, self.sources.ratings)
