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
from collections.abc import Iterable
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Annotated, TypeAlias

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from objectives.devices.bipolar import Bipolar, BipolarTransistor
from objectives.devices.field_effect import JunctionFet, SquareLawFet
from objectives.devices.junctions import DataSources

__all__ = ["Transistor", "load_transistors", "read_transistors", "transistors"]

Transistor: TypeAlias = JunctionFet | BipolarTransistor
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
