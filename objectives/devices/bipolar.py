"""TODO objectives.devices.bipolar."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar, Self

import numpy as np
from numpy.typing import ArrayLike
from scipy import constants

from objectives.arrays import Batch, FloatArray
from objectives.devices.junctions import (
    _LEAST_A,
    _LEAST_S,
    DataSources,
    Parameter,
    ParameterSpread,
    _dissipation_W,
    _exponential,
    _positive,
    _ratings,
    _require_not_negative,
    _require_positive,
    _Sourced,
    depletion_capacitance_F,
    thermal_V,
)
from objectives.devices.protocol import DeviceNoise, OperatingPoint, Rating
from objectives.devices.terms import BIPOLAR, Terms
from objectives.stage import Stage

__all__ = ["Bipolar", "BipolarTransistor"]

_RECOMBINATION_IDEALITY = 2.0


@dataclass(frozen=True)
class Bipolar(Batch):
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

    saturation_A: Parameter
    forward_gain: Parameter
    early_V: Parameter = np.inf
    ideality: Parameter = 1.0
    leakage_A: Parameter = 0.0
    leakage_ideality: Parameter = 2.0
    temperature_K: Parameter = 298.15

    saturation_V: ClassVar[float] = 0.2
    """Collector-emitter voltage (V) at which a swing towards more current ends."""

    def __post_init__(self) -> None:
        _require_positive(
            saturation_A=self.saturation_A,
            forward_gain=self.forward_gain,
            ideality=self.ideality,
            leakage_ideality=self.leakage_ideality,
            temperature_K=self.temperature_K,
        )
        _require_not_negative(leakage_A=self.leakage_A)
        if not np.all(np.asarray(self.early_V, float) > 0):
            raise ValueError(f"early_V: {self.early_V!r}: must be more than 0 (inf for none)")

    @property
    def mu(self) -> FloatArray:
        """Amplification factor at low collector voltage, V_A/V_n (dimensionless)."""
        return np.asarray(np.minimum(self.early_V, 1e9) / self._junction_V)

    @property
    def _junction_V(self) -> FloatArray:
        return np.asarray(self.ideality * thermal_V(self.temperature_K))

    def plate_current(self, grid_V: ArrayLike, plate_V: ArrayLike) -> FloatArray:
        """Return the collector current (A)."""
        return self.linearise(grid_V, plate_V)[0]

    def linearise(
        self, grid_V: ArrayLike, plate_V: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return collector current (A), transconductance (S) and output conductance (S)."""
        v_n = self._junction_V
        value, slope = _exponential(np.asarray(grid_V, float) / v_n)
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

    def grid_current(self, grid_V: ArrayLike, plate_V: ArrayLike) -> FloatArray:
        """Return the base current (A)."""
        return self.linearise_grid(grid_V, plate_V)[0]

    def linearise_grid(
        self, grid_V: ArrayLike, plate_V: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return base current (A) and its derivatives by base and collector voltage (S)."""
        zeros = np.zeros(np.broadcast_shapes(np.shape(grid_V), np.shape(plate_V), self.shape))
        v = np.asarray(grid_V, float)
        v_n = self._junction_V
        v_l = self.leakage_ideality * thermal_V(self.temperature_K)
        ideal, ideal_slope = _exponential(v / v_n)
        leak, leak_slope = _exponential(v / v_l)
        injected = self.saturation_A / np.asarray(self.forward_gain, float)
        return (
            np.asarray(injected * ideal + self.leakage_A * leak + zeros),
            np.asarray(injected * ideal_slope / v_n + self.leakage_A * leak_slope / v_l + zeros),
            zeros,
        )

    def varied(self, *, current: ArrayLike = 1.0, mu: ArrayLike = 1.0) -> Self:
        """Return the law with collector current and amplification factor multiplied.

        The base current stays, so the current gain is multiplied with the collector current.
        """
        factor = np.asarray(current, float)
        return replace(
            self,
            saturation_A=self.saturation_A * factor,
            forward_gain=self.forward_gain * factor,
            early_V=self.early_V * np.asarray(mu, float),
        )


@dataclass(frozen=True)
class BipolarTransistor(_Sourced):
    """A bipolar transistor of the table, as :class:`~objectives.device.Device`.

    The base spreading resistance counts in the noise alone; in the response it is to be added to
    the stopper, and is next to nothing beside one of kilohms.

    Attributes
    ----------
    name, aliases, description : type number, other types with the same data, and words
    law : collector and base current
    base_emitter_0_F, base_collector_0_F : depletion capacitance at no bias (F)
    collector_emitter_F : capacitance of case and leads from collector to emitter (F)
    built_in_V, grading : of both junctions
    transit_s : forward transit time (s): diffusion capacitance is gm times it
    base_ohm : base spreading resistance (ohm)
    flicker_corner_Hz : frequency (Hz) at which flicker noise equals the white noise
    collector_emitter_max_V, collector_base_max_V, emitter_base_max_V : ratings (V)
    collector_current_max_A, dissipation_max_W : ratings; None where not published
    forward_gain_range : ends of the published range of the current gain, as a share of the
        typical one (dimensionless)
    sources : where law, capacitances, noise, ratings and spread come from
    """

    terms: ClassVar[Terms] = BIPOLAR
    noise_parameters: ClassVar[tuple[str, ...]] = ("base_ohm", "flicker_corner_Hz")

    name: str
    law: Bipolar
    base_emitter_0_F: float
    base_collector_0_F: float
    built_in_V: float
    grading: float
    transit_s: float
    flicker_corner_Hz: float
    sources: DataSources
    base_ohm: float = 0.0
    collector_emitter_F: float = 0.0
    collector_emitter_max_V: float | None = None
    collector_base_max_V: float | None = None
    emitter_base_max_V: float | None = None
    collector_current_max_A: float | None = None
    dissipation_max_W: float | None = None
    forward_gain_range: tuple[float, float] | None = None
    aliases: tuple[str, ...] = ()
    description: str = ""

    @property
    def parameter_spread(self) -> tuple[ParameterSpread, ...]:
        """How the law's parameters stray from transistor to transistor, as published."""
        if self.forward_gain_range is None:
            return ()
        low, high = (end - 1.0 for end in self.forward_gain_range)
        # The leakage of the base goes with the rest of its current: the gain falls at all currents.
        powers = {"forward_gain": 1.0, "leakage_A": -1.0}
        return (ParameterSpread("transistor_current_gain", low, high, powers),)

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
        gm = np.maximum(point.transconductance_S, _LEAST_S)
        current = np.maximum(point.plate_current_A, _LEAST_A)
        return DeviceNoise(
            white_V2_per_Hz=np.asarray(
                2 * constants.e * current / gm**2 + 4 * constants.k * temperature_K * self.base_ohm
            ),
            flicker_corner_Hz=np.asarray(self.flicker_corner_Hz),
            grid_current_A=np.abs(point.grid_current_A),
        )

    def ratings(self, stage: Stage, point: OperatingPoint) -> list[Rating]:
        """Return the published maxima with the stage's values beside them."""
        return _ratings(
            self.sources.ratings,
            ("collector-emitter voltage", point.plate_cathode_V,
             self.collector_emitter_max_V, "V"),
            ("collector-base voltage", point.plate_V - point.grid_V,
             self.collector_base_max_V, "V"),
            ("emitter-base voltage", _positive(-point.grid_cathode_V), self.emitter_base_max_V,
             "V"),
            ("collector current", point.plate_current_A, self.collector_current_max_A, "A"),
            ("dissipation", _dissipation_W(point), self.dissipation_max_W, "W"),
        )  # fmt: skip
