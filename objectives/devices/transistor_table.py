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

from functools import cache
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, TypeAlias

from pydantic import Field

from objectives.devices.bipolar import Bipolar, BipolarTransistor
from objectives.devices.connection_entries import BipolarCase, FetCase
from objectives.devices.connections import NOT_KNOWN
from objectives.devices.field_effect import JunctionFet, SquareLawFet
from objectives.devices.junctions import capacitance_spreads
from objectives.devices.protocol import DataSources
from objectives.devices.table import (
    Entry,
    NamedEntry,
    NotNegative,
    Positive,
    Sourced,
    Text,
    read_table,
)
from objectives.tolerance.spreads import Spread
from objectives.user_files import read_text

Transistor: TypeAlias = JunctionFet | BipolarTransistor
_Negative = Annotated[float, Field(lt=0, allow_inf_nan=False)]
_SI = {"pF": ("F", 1e-12), "ns": ("s", 1e-9)}


class _FetLaw(Sourced):
    idss_A: Positive
    cutoff_V: _Negative
    channel_modulation_per_V: NotNegative = 0.0
    gate_saturation_A: NotNegative = 0.0
    gate_leakage_A: NotNegative = 0.0
    temperature_K: Positive = 298.15


class _FetCapacitance(Sourced):
    gate_source_0_pF: NotNegative
    gate_drain_0_pF: NotNegative
    drain_source_pF: NotNegative = 0.0
    built_in_V: Positive
    grading: NotNegative


class _FetNoise(Sourced):
    channel_noise_factor: Positive = 2.0 / 3.0
    flicker_corner_Hz: NotNegative


class _FetRatings(Sourced):
    plate_voltage_max_V: Positive | None = Field(None, alias="drain_source_max_V")
    drain_gate_max_V: Positive | None = None
    gate_source_reverse_max_V: Positive | None = None
    gate_current_max_A: Positive | None = None
    plate_dissipation_max_W: Positive | None = Field(None, alias="dissipation_max_W")


class _Spread(Sourced):
    """How transistors differ; each capacitance plus and minus three sigma, relative."""

    capacitance: NotNegative = 0.10
    capacitance_source: Text = "common practice, no source"


class _FetSpread(_Spread):
    cutoff_least_V: _Negative
    cutoff_most_V: _Negative
    idss_power: NotNegative


class _BipolarSpread(_Spread):
    gain_typical: Positive
    gain_least: Positive
    gain_most: Positive


class _Transistor(NamedEntry):
    law: Sourced
    capacitance: Sourced
    noise: Sourced
    ratings: Sourced
    spread: _Spread | None = None
    case: FetCase | BipolarCase | None = None

    def data(self, own: Spread | None) -> dict[str, Any]:
        """Return all of the device but its law; ``own`` is the spread of its kind."""
        s = self.spread
        of_all = () if s is None else (s.capacitance, s.capacitance_source)
        common = capacitance_spreads(*of_all)
        return {
            **self.heading,
            **dict(_in_si(name, value) for name, value in self.capacitance.numbers.items()),
            **self.noise.numbers,
            **self.ratings.numbers,
            "spreads": common if own is None else (own, *common),
            "connections": NOT_KNOWN if self.case is None else self.case.connections(),
            "sources": DataSources(
                law=self.law.source,
                capacitance=self.capacitance.source,
                noise=self.noise.source,
                ratings=self.ratings.source,
            ),
        }


class _FetEntry(_Transistor):
    law: _FetLaw
    capacitance: _FetCapacitance
    noise: _FetNoise
    ratings: _FetRatings
    spread: _FetSpread | None = None
    case: FetCase | None = None

    def device(self) -> JunctionFet:
        s, own = self.spread, None
        if s is not None:
            low, high = (
                end / self.law.cutoff_V - 1.0 for end in (s.cutoff_least_V, s.cutoff_most_V)
            )
            powers = {"cutoff_V": 1.0, "idss_A": s.idss_power}
            own = _published("transistor_cutoff_voltage", low, high, s.source, powers)
        return JunctionFet(law=SquareLawFet(**self.law.numbers), **self.data(own))


class _BipolarLaw(Sourced):
    saturation_A: Positive
    forward_gain: Positive
    early_V: Positive | None = None
    ideality: Positive = 1.0
    leakage_A: NotNegative = 0.0
    leakage_ideality: Positive = 2.0
    temperature_K: Positive = 298.15


class _BipolarCapacitance(Sourced):
    base_emitter_0_pF: NotNegative
    base_collector_0_pF: NotNegative
    collector_emitter_pF: NotNegative = 0.0
    built_in_V: Positive
    grading: NotNegative
    transit_ns: NotNegative


class _BipolarNoise(Sourced):
    base_ohm: NotNegative
    flicker_corner_Hz: NotNegative


class _BipolarRatings(Sourced):
    plate_voltage_max_V: Positive | None = Field(None, alias="collector_emitter_max_V")
    collector_base_max_V: Positive | None = None
    emitter_base_max_V: Positive | None = None
    collector_current_max_A: Positive | None = None
    plate_dissipation_max_W: Positive | None = Field(None, alias="dissipation_max_W")


class _BipolarEntry(_Transistor):
    law: _BipolarLaw
    capacitance: _BipolarCapacitance
    noise: _BipolarNoise
    ratings: _BipolarRatings
    spread: _BipolarSpread | None = None
    case: BipolarCase | None = None

    def device(self) -> BipolarTransistor:
        s, own = self.spread, None
        if s is not None:
            low, high = (end / s.gain_typical - 1.0 for end in (s.gain_least, s.gain_most))
            # The base's leakage goes with the rest of its current: the gain falls at all currents.
            powers = {"forward_gain": 1.0, "leakage_A": -1.0}
            own = _published("transistor_current_gain", low, high, s.source, powers)
        return BipolarTransistor(law=Bipolar(**self.law.numbers), **self.data(own))


class _Table(Entry):
    fet: tuple[_FetEntry, ...] = Field(default=(), strict=False)
    bipolar: tuple[_BipolarEntry, ...] = Field(default=(), strict=False)


def _published(
    quantity: str, low: float, high: float, source: str, powers: dict[str, float]
) -> Spread:
    # The shape between the limits is common practice, no source: makers say nothing of it, and
    # few transistors lie at either end.
    return Spread(quantity, low, high, "rounded", source, powers)


def _in_si(name: str, value: float) -> tuple[str, float]:
    stem, _, unit = name.rpartition("_")
    if unit not in _SI:
        return name, value
    symbol, scale = _SI[unit]
    return f"{stem}_{symbol}", value * scale


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
        Where it is no transistor table, naming file, field, value and what is allowed.
    """
    return read_transistors(read_text(path, "TOML"), str(path))


def read_transistors(text: str, where: str) -> tuple[Transistor, ...]:
    """Return the transistors of a TOML text; ``where`` names it in errors."""
    return read_table(
        text,
        where,
        _Table,
        lambda table: {"fet": table.fet, "bipolar": table.bipolar},
        lambda entry: entry.device(),
    )
