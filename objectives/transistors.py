"""Field-effect and bipolar transistors as the device of a stage: common source, common emitter.

Miller's theorem and the stage's algebra hold for any three-terminal device that inverts, so these
fill the places of the triode: gate or base is the grid, drain or collector the plate, source or
emitter the cathode. Voltages and currents are those of the n-channel and NPN kinds; a p-channel or
PNP stage is entered with every voltage turned round.

The built-in table is ``objectives/data/transistors.toml``; a user's own file has the same format
(:func:`load_transistors`). A base divider enters a :class:`~objectives.stage.Stage` as its Thevenin
equivalent: ``grid_bias_V`` and ``grid_leak_ohm``.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Annotated, ClassVar, Self, TypeAlias

import numpy as np
from numpy.typing import ArrayLike
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from scipy import constants

from objectives.batch import Batch, FloatArray
from objectives.device import Rating
from objectives.noise import DeviceNoise
from objectives.operating_point import OperatingPoint
from objectives.stage import Stage
from objectives.terms import BIPOLAR, FIELD_EFFECT, Terms

__all__ = [
    "Bipolar",
    "BipolarTransistor",
    "DataSources",
    "JunctionFet",
    "SquareLawFet",
    "Transistor",
    "depletion_capacitance_F",
    "load_transistors",
    "read_transistors",
    "thermal_V",
    "transistors",
]

Parameter: TypeAlias = float | FloatArray

# Beyond this many thermal voltages an exponential goes on along its tangent: about 2 V at room
# temperature, far past any current that a device survives, and products of it stay finite.
_STEEPEST = 80.0
# A junction is taken as parabolic up to this share of its built-in potential and as straight
# beyond, where the depletion formula would run to infinity.
_FORWARD_SHARE = 0.5
# Least current and transconductance that noise is divided by, so that cut-off gives a number.
_LEAST_A, _LEAST_S = 1e-15, 1e-12
_RECOMBINATION_IDEALITY = 2.0


def thermal_V(temperature_K: ArrayLike) -> FloatArray:
    """Return the thermal voltage kT/q (V)."""
    return np.asarray(constants.k / constants.e * np.asarray(temperature_K, float))


def depletion_capacitance_F(
    forward_V: ArrayLike, zero_bias_F: ArrayLike, built_in_V: ArrayLike, grading: ArrayLike
) -> FloatArray:
    """Return the depletion capacitance (F) of a junction, ``C_0 / (1 - V/phi)^m``.

    From half the built-in potential on it continues along its tangent; all shapes broadcast.

    Parameters
    ----------
    forward_V :
        Voltage across the junction, positive forward.
    zero_bias_F, built_in_V, grading :
        C_0 (F), phi (V) and m (1/2 for an abrupt, 1/3 for a graded junction).

    Source: the depletion approximation, e.g. S. M. Sze, Physics of Semiconductor Devices, 2nd ed.,
    Wiley, 1981 (from memory); going on along the tangent is common practice, no source.
    """
    share = np.asarray(forward_V, float) / built_in_V
    held = np.minimum(share, _FORWARD_SHARE)
    m = np.asarray(grading, float)
    at_held = np.asarray(zero_bias_F, float) * (1.0 - held) ** -m
    return np.asarray(at_held * (1.0 + m * (share - held) / (1.0 - held)))


def _exponential(x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return exp(x), continued along its tangent beyond :data:`_STEEPEST`, and its slope."""
    slope = np.exp(np.minimum(x, _STEEPEST))
    return np.asarray(slope * (1.0 + np.maximum(x - _STEEPEST, 0.0))), np.asarray(slope)


# -- laws ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class SquareLawFet(Batch):
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

    idss_A: Parameter
    cutoff_V: Parameter
    channel_modulation_per_V: Parameter = 0.0
    gate_saturation_A: Parameter = 0.0
    gate_leakage_A: Parameter = 0.0
    temperature_K: Parameter = 298.15

    def __post_init__(self) -> None:
        _require_positive(idss_A=self.idss_A, temperature_K=self.temperature_K)
        _require_not_negative(
            channel_modulation_per_V=self.channel_modulation_per_V,
            gate_saturation_A=self.gate_saturation_A,
            gate_leakage_A=self.gate_leakage_A,
        )
        cutoff = np.asarray(self.cutoff_V, float)
        if not np.all((cutoff < 0) & np.isfinite(cutoff)):
            raise ValueError(f"cutoff_V: {self.cutoff_V!r}: must be finite and less than 0")

    @property
    def mu(self) -> FloatArray:
        """Amplification factor at I_dss and the onset of saturation (dimensionless)."""
        modulation = np.maximum(np.asarray(self.channel_modulation_per_V, float), 1e-9)
        off = -np.asarray(self.cutoff_V, float)
        return np.asarray(2.0 * (1.0 / modulation + off) / off)

    def plate_current(self, grid_V: ArrayLike, plate_V: ArrayLike) -> FloatArray:
        """Return the drain current (A)."""
        return self.linearise(grid_V, plate_V)[0]

    def linearise(
        self, grid_V: ArrayLike, plate_V: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
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

    def grid_current(self, grid_V: ArrayLike, plate_V: ArrayLike) -> FloatArray:
        """Return the gate current (A); negative in reverse."""
        return self.linearise_grid(grid_V, plate_V)[0]

    def linearise_grid(
        self, grid_V: ArrayLike, plate_V: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return gate current (A) and its derivatives by gate and drain voltage (S)."""
        zeros = np.zeros(np.broadcast_shapes(np.shape(grid_V), np.shape(plate_V), self.shape))
        v_t = thermal_V(self.temperature_K)
        slow = _RECOMBINATION_IDEALITY * v_t
        v = np.asarray(grid_V, float)
        diffusion, by_v = _exponential(v / v_t)
        recombination, by_v_slow = _exponential(v / slow)
        current = self.gate_saturation_A * (diffusion - 1.0) + self.gate_leakage_A * (
            recombination - 1.0
        )
        slope = self.gate_saturation_A * by_v / v_t + self.gate_leakage_A * by_v_slow / slow
        return np.asarray(current + zeros), np.asarray(slope + zeros), zeros

    def varied(self, *, current: ArrayLike = 1.0, mu: ArrayLike = 1.0) -> Self:
        """Return the law with drain current and amplification factor multiplied."""
        return replace(
            self,
            idss_A=self.idss_A * np.asarray(current, float),
            channel_modulation_per_V=self.channel_modulation_per_V / np.asarray(mu, float),
        )


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


def _require_positive(**values: Parameter) -> None:
    for name, value in values.items():
        array = np.asarray(value, float)
        if not np.all((array > 0) & np.isfinite(array)):
            raise ValueError(f"{name}: {value!r}: must be finite and more than 0")


def _require_not_negative(**values: Parameter) -> None:
    for name, value in values.items():
        array = np.asarray(value, float)
        if not np.all((array >= 0) & np.isfinite(array)):
            raise ValueError(f"{name}: {value!r}: must be finite and not less than 0")


@dataclass(frozen=True)
class ParameterSpread:
    """How far parameters of a law stray together from transistor to transistor of one type.

    Attributes
    ----------
    quantity : what strays, one of :data:`objectives.spreads.TRANSISTOR_QUANTITIES`
    low, high : ends of its relative deviation (dimensionless)
    powers : fields of the law; each is multiplied by the factor to its power
    """

    quantity: str
    low: float
    high: float
    powers: Mapping[str, float]


# -- devices -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class DataSources:
    """Where the numbers of a table entry come from."""

    law: str
    capacitance: str
    noise: str
    ratings: str
    spread: str


class _Sourced:
    """The sources under the names that an entry of the valve table has for them."""

    sources: DataSources

    @property
    def law_source(self) -> str:
        """Where the law comes from."""
        return self.sources.law

    @property
    def capacitance_source(self) -> str:
        """Where the capacitances come from."""
        return self.sources.capacitance

    @property
    def ratings_source(self) -> str:
        """Where the ratings come from."""
        return self.sources.ratings


@dataclass(frozen=True)
class JunctionFet(_Sourced):
    """A junction field-effect transistor of the table, as :class:`~objectives.device.Device`.

    Attributes
    ----------
    name, aliases, description : type number, other types with the same data, and words
    law : drain and gate current
    gate_source_0_F, gate_drain_0_F : junction capacitance at no bias (F)
    drain_source_F : capacitance of case and leads from drain to source (F)
    built_in_V, grading : of both junctions
    channel_noise_factor : thermal noise of the channel over 4 k T gm; 2/3 in saturation
    flicker_corner_Hz : frequency (Hz) at which flicker noise equals the white noise
    drain_source_max_V, drain_gate_max_V, gate_source_reverse_max_V : ratings (V, positive)
    gate_current_max_A, dissipation_max_W : ratings; None where not published
    cutoff_range_V : ends of the published range of the cut-off voltage (V), the least first
    idss_power : I_dss goes with the cut-off voltage to this power from transistor to transistor
    sources : where law, capacitances, noise, ratings and spread come from
    """

    terms: ClassVar[Terms] = FIELD_EFFECT
    noise_parameters: ClassVar[tuple[str, ...]] = ("channel_noise_factor", "flicker_corner_Hz")

    name: str
    law: SquareLawFet
    gate_source_0_F: float
    gate_drain_0_F: float
    built_in_V: float
    grading: float
    flicker_corner_Hz: float
    sources: DataSources
    channel_noise_factor: float = 2.0 / 3.0
    drain_source_F: float = 0.0
    drain_source_max_V: float | None = None
    drain_gate_max_V: float | None = None
    gate_source_reverse_max_V: float | None = None
    gate_current_max_A: float | None = None
    dissipation_max_W: float | None = None
    cutoff_range_V: tuple[float, float] | None = None
    idss_power: float = 1.0
    aliases: tuple[str, ...] = ()
    description: str = ""

    @property
    def parameter_spread(self) -> tuple[ParameterSpread, ...]:
        """How the law's parameters stray from transistor to transistor, as published."""
        if self.cutoff_range_V is None:
            return ()
        low, high = (end / float(self.law.cutoff_V) - 1.0 for end in self.cutoff_range_V)
        powers = {"cutoff_V": 1.0, "idss_A": self.idss_power}
        return (ParameterSpread("transistor_cutoff_voltage", low, high, powers),)

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
        gm = np.maximum(point.transconductance_S, _LEAST_S)
        return DeviceNoise(
            white_V2_per_Hz=np.asarray(
                4 * constants.k * temperature_K * self.channel_noise_factor / gm
            ),
            flicker_corner_Hz=np.asarray(self.flicker_corner_Hz),
            grid_current_A=np.abs(point.grid_current_A),
        )

    def ratings(self, stage: Stage, point: OperatingPoint) -> list[Rating]:
        """Return the published maxima with the stage's values beside them."""
        return _ratings(
            self.sources.ratings,
            ("drain-source voltage", point.plate_cathode_V, self.drain_source_max_V, "V"),
            ("drain-gate voltage", point.plate_V - point.grid_V, self.drain_gate_max_V, "V"),
            ("reverse gate-source voltage", _positive(-point.grid_cathode_V),
             self.gate_source_reverse_max_V, "V"),
            ("gate current", _positive(point.grid_current_A), self.gate_current_max_A, "A"),
            ("dissipation", _dissipation_W(point), self.dissipation_max_W, "W"),
        )  # fmt: skip


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


Transistor: TypeAlias = JunctionFet | BipolarTransistor


def _dissipation_W(point: OperatingPoint) -> FloatArray:
    control = np.maximum(point.grid_current_A * point.grid_cathode_V, 0.0)
    return np.asarray(point.plate_dissipation_W + control)


def _positive(value: FloatArray) -> FloatArray:
    """Return what counts against a rating of one direction: nothing in the other."""
    return np.maximum(value, 0.0)


def _ratings(source: str, *rows: tuple[str, FloatArray, float | None, str]) -> list[Rating]:
    return [
        Rating(name, np.asarray(value), np.asarray(allowed, float), unit, source)
        for name, value, allowed, unit in rows
        if allowed is not None
    ]


# -- table ---------------------------------------------------------------------------------------

_Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
_NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
_Text = Annotated[str, Field(min_length=1)]
_PICO, _NANO = 1e-12, 1e-9


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class _FetLaw(_Model):
    idss_A: _Positive
    cutoff_V: Annotated[float, Field(lt=0, allow_inf_nan=False)]
    channel_modulation_per_V: _NotNegative = 0.0
    gate_saturation_A: _NotNegative = 0.0
    gate_leakage_A: _NotNegative = 0.0
    temperature_K: _Positive = 298.15
    source: _Text


class _FetCapacitance(_Model):
    gate_source_0_pF: _NotNegative
    gate_drain_0_pF: _NotNegative
    drain_source_pF: _NotNegative = 0.0
    built_in_V: _Positive
    grading: _NotNegative
    source: _Text


class _FetNoise(_Model):
    channel_noise_factor: _Positive = 2.0 / 3.0
    flicker_corner_Hz: _NotNegative
    source: _Text


class _FetRatings(_Model):
    drain_source_max_V: _Positive | None = None
    drain_gate_max_V: _Positive | None = None
    gate_source_reverse_max_V: _Positive | None = None
    gate_current_max_A: _Positive | None = None
    dissipation_max_W: _Positive | None = None
    source: _Text


class _FetSpread(_Model):
    cutoff_least_V: Annotated[float, Field(lt=0, allow_inf_nan=False)]
    cutoff_most_V: Annotated[float, Field(lt=0, allow_inf_nan=False)]
    idss_power: _NotNegative
    source: _Text


class _Named(_Model):
    name: _Text
    aliases: tuple[_Text, ...] = Field(default=(), strict=False)
    description: str = ""


class _FetEntry(_Named):
    law: _FetLaw
    capacitance: _FetCapacitance
    noise: _FetNoise
    ratings: _FetRatings
    spread: _FetSpread | None = None

    def device(self) -> JunctionFet:
        c, s = self.capacitance, self.spread
        return JunctionFet(
            name=self.name,
            aliases=self.aliases,
            description=self.description,
            law=SquareLawFet(**self.law.model_dump(exclude={"source"})),
            gate_source_0_F=c.gate_source_0_pF * _PICO,
            gate_drain_0_F=c.gate_drain_0_pF * _PICO,
            drain_source_F=c.drain_source_pF * _PICO,
            built_in_V=c.built_in_V,
            grading=c.grading,
            cutoff_range_V=(s.cutoff_least_V, s.cutoff_most_V) if s is not None else None,
            idss_power=s.idss_power if s is not None else 1.0,
            sources=_sources(self),
            **self.noise.model_dump(exclude={"source"}),
            **self.ratings.model_dump(exclude={"source"}),
        )


class _BipolarLaw(_Model):
    saturation_A: _Positive
    forward_gain: _Positive
    early_V: _Positive | None = None
    ideality: _Positive = 1.0
    leakage_A: _NotNegative = 0.0
    leakage_ideality: _Positive = 2.0
    temperature_K: _Positive = 298.15
    source: _Text


class _BipolarCapacitance(_Model):
    base_emitter_0_pF: _NotNegative
    base_collector_0_pF: _NotNegative
    collector_emitter_pF: _NotNegative = 0.0
    built_in_V: _Positive
    grading: _NotNegative
    transit_ns: _NotNegative
    source: _Text


class _BipolarNoise(_Model):
    base_ohm: _NotNegative
    flicker_corner_Hz: _NotNegative
    source: _Text


class _BipolarRatings(_Model):
    collector_emitter_max_V: _Positive | None = None
    collector_base_max_V: _Positive | None = None
    emitter_base_max_V: _Positive | None = None
    collector_current_max_A: _Positive | None = None
    dissipation_max_W: _Positive | None = None
    source: _Text


class _BipolarSpread(_Model):
    gain_typical: _Positive
    gain_least: _Positive
    gain_most: _Positive
    source: _Text


class _BipolarEntry(_Named):
    law: _BipolarLaw
    capacitance: _BipolarCapacitance
    noise: _BipolarNoise
    ratings: _BipolarRatings
    spread: _BipolarSpread | None = None

    def device(self) -> BipolarTransistor:
        c, s = self.capacitance, self.spread
        law = self.law.model_dump(exclude={"source"}, exclude_none=True)
        return BipolarTransistor(
            name=self.name,
            aliases=self.aliases,
            description=self.description,
            law=Bipolar(**law),
            base_emitter_0_F=c.base_emitter_0_pF * _PICO,
            base_collector_0_F=c.base_collector_0_pF * _PICO,
            collector_emitter_F=c.collector_emitter_pF * _PICO,
            built_in_V=c.built_in_V,
            grading=c.grading,
            transit_s=c.transit_ns * _NANO,
            forward_gain_range=(s.gain_least / s.gain_typical, s.gain_most / s.gain_typical)
            if s is not None
            else None,
            sources=_sources(self),
            **self.noise.model_dump(exclude={"source"}),
            **self.ratings.model_dump(exclude={"source"}),
        )


class _Table(_Model):
    fet: tuple[_FetEntry, ...] = Field(default=(), strict=False)
    bipolar: tuple[_BipolarEntry, ...] = Field(default=(), strict=False)


def _sources(entry: _FetEntry | _BipolarEntry) -> DataSources:
    return DataSources(
        law=entry.law.source,
        capacitance=entry.capacitance.source,
        noise=entry.noise.source,
        ratings=entry.ratings.source,
        spread=entry.spread.source if entry.spread is not None else "",
    )


@cache
def transistors() -> tuple[Transistor, ...]:
    """Return the built-in table."""
    text = resources.files("objectives").joinpath("data/transistors.toml").read_text("utf-8")
    return read_transistors(text, "transistors.toml")


def load_transistors(path: str | Path) -> tuple[Transistor, ...]:
    """Return the transistors of a user's TOML file.

    Raises
    ------
    ValueError
        If the file cannot be read as a transistor table; the message names file, field, value and
        what is allowed.
    """
    try:
        text = Path(path).read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ValueError(f"{path}: not readable as a UTF-8 text file: {error}") from error
    return read_transistors(text, str(path))


def read_transistors(text: str, where: str) -> tuple[Transistor, ...]:
    """Return the transistors of a TOML text; ``where`` names it in errors.

    Raises
    ------
    ValueError
        As :func:`load_transistors`.
    """
    try:
        table = _Table.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise ValueError(f"{where}: not valid TOML: {error}") from error
    except ValidationError as error:
        first = error.errors()[0]
        field = ".".join(str(part) for part in first["loc"])
        raise ValueError(f"{where}: {field}: {first['input']!r}: {first['msg']}") from error
    found: tuple[Transistor, ...] = (
        *(entry.device() for entry in table.fet),
        *(entry.device() for entry in table.bipolar),
    )
    if not found:
        raise ValueError(f"{where}: must hold at least one [[fet]] or [[bipolar]] table")
    _require_unique(found, where)
    return found


def _require_unique(found: Iterable[Transistor], where: str) -> None:
    seen: dict[str, str] = {}
    for entry in found:
        for name in (entry.name, *entry.aliases):
            if name.casefold() in seen:
                raise ValueError(
                    f"{where}: {entry.name}: name or alias {name!r}: must be unique, "
                    f"but {seen[name.casefold()]} has it too"
                )
            seen[name.casefold()] = entry.name
