"""Targets and conditions of a brief: reference, drive, carrier, tolerances, decision, search."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, Any, Final, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from explorer.aims import FreeScore
from explorer.brief.base import Percentage, Section
from explorer.brief.errors import NOT_GIVEN
from explorer.tolerance_field import PartTolerance
from explorer.units import Hertz, Kelvin, Ohms, QuantityField, format_quantity
from objectives import targets
from objectives.checks import InputError, Written
from objectives.circuit.arrival import (
    WIRING_M,
    AlongCable,
    Arrival,
    AtJack,
    CommonMode,
    ThroughSupply,
    Way,
)
from objectives.radio import detection
from objectives.radio.tables import radio_band


class Reference(Section):
    """The conditions under which the scores are stated."""

    frequency: Hertz = Field(
        default=1000.0,
        description="Frequency at which gain is stated and levels are compared (Hz).",
        examples=["1 kHz"],
    )
    temperature: Kelvin = Field(default=300.0, description="Temperature of the resistors (K).")
    band: tuple[Hertz, Hertz] = Field(
        default=(20.0, 20e3),
        strict=False,
        description="Band over which noise is summed (Hz).",
        examples=[["20 Hz", "20 kHz"]],
    )

    @model_validator(mode="after")
    def _band_rises(self) -> Self:
        if not self.band[0] < self.band[1]:
            shown = Written(" to ".join(format_quantity(edge, "Hz") for edge in self.band))
            raise InputError("band", shown, "expected two frequencies, the lower first")
        return self


class RadioBand(Section):
    """A radio band to reject at the grid: one of the table, or your own with its edges."""

    band: str | None = Field(
        default=None,
        description="A band of the table, which gives name and edges.",
        examples=["AM"],
    )
    name: str = Field(
        default="",
        description="Name shown in reports; needed where band is left out.",
        examples=["medium wave"],
    )
    low: Hertz = Field(
        default=0.0,
        alias="from",
        description="Lower edge (Hz); needed where band is left out.",
        examples=["530 kHz"],
    )
    high: Hertz = Field(
        default=0.0,
        alias="to",
        description="Upper edge (Hz); needed where band is left out.",
        examples=["1.7 MHz"],
    )
    attenuation: Annotated[float, QuantityField("dB", minimum=0)] = Field(
        description="Attenuation required at the grid, from the EMF of the carrier (dB)."
    )

    @model_validator(mode="before")
    @classmethod
    def _from_table(cls, raw: Any) -> Any:
        """Fill in name and edges of a band of the table."""
        if not isinstance(raw, Mapping):
            return raw
        edges = [key for key in ("name", "from", "to") if key not in raw]
        if not isinstance(raw.get("band"), str):
            if edges:
                raise InputError(edges[0], NOT_GIVEN, "required unless band is given")
            return raw
        try:
            known = radio_band(raw["band"])
        except ValueError as error:
            raise InputError("band", raw["band"], str(error)) from None
        table = {"name": known.name, "from": known.low_Hz, "to": known.high_Hz}
        return {**table, **raw}

    @model_validator(mode="after")
    def _rises(self) -> Self:
        if not self.low < self.high:
            low, high = (format_quantity(edge, "Hz") for edge in (self.low, self.high))
            raise InputError("from", Written(low), f"expected less than to ({high})")
        return self

    def record(self) -> targets.RadioBand:
        """Return the band as the scores take it."""
        return targets.RadioBand(self.name, self.low, self.high, self.attenuation)


class Drive(Section):
    """The signal under which stage and driver are judged at large signals."""

    level: Annotated[float, QuantityField("V", above=0)] = Field(
        description="Peak of the sine EMF ahead of the driver, or of the source (V).",
        examples=["20 V"],
    )
    note: Hertz = Field(description="Frequency of the note (Hz).", examples=["220 Hz"])
    harmonics_above: Hertz = Field(
        default=5000.0, description="Harmonics above this frequency count as unwanted (Hz)."
    )
    clip: Annotated[float, QuantityField("V", above=0)] | None = Field(
        default=None,
        description="Without an earlier stage: level at which the source clips, on both sides (V).",
        examples=["8 V"],
    )
    sound: bool = Field(
        default=True, description="Write the signal before and after the stopper as WAV files."
    )

    @model_validator(mode="after")
    def _above_the_note(self) -> Self:
        if not self.note < self.harmonics_above:
            allowed = f"expected more than note ({format_quantity(self.note, 'Hz')})"
            shown = Written(format_quantity(self.harmonics_above, "Hz"))
            raise InputError("harmonics_above", shown, allowed)
        return self


class Carrier(Section):
    """The radio carrier: how it arrives, and the level at which its detection is estimated."""

    arrives: Way = Field(
        default="at the jack",
        description="Where its EMF enters: at the input terminals, whatever lies ahead of them; in "
        "series with the conductor of the cable; along the screen of a lead, across its bond to "
        "the chassis; or at the top of the plate load, whatever lies ahead of it.",
        examples=["through the supply"],
    )
    impedance: Ohms | None = Field(
        default=None,
        description="What the EMF stands behind (ohm): 50 at the jack and through the supply, 150 "
        "in common mode, unless stated; none along the cable.",
        examples=["75"],
    )
    bond_inductance: Annotated[float, QuantityField("H", above=0)] | None = Field(
        default=None,
        description="In common mode: from the screen to the chassis (H); default: 30 mm of wire.",
        examples=["23 nH"],
    )
    wiring_metres: Annotated[float, QuantityField("ratio", above=0)] = Field(
        default=WIRING_M,
        description="Longest path from the input terminals through stopper and valve and back "
        "along the chassis (m): nothing is said of radio where it is more than a tenth of a wave.",
        examples=[0.1],
    )
    level: Annotated[float, QuantityField("V", above=0)] = Field(
        default=0.1,
        description="EMF of the unmodulated carrier (V r.m.s.).",
        examples=["0.1 V"],
    )
    modulation: Annotated[float, QuantityField("percent", minimum=0, maximum=100)] = Field(
        default=30.0, description="Modulation depth (per cent)."
    )

    @model_validator(mode="after")
    def _of_this_way(self) -> Self:
        if self.impedance is not None and self.arrives == "along the cable":
            shown = Written(format_quantity(self.impedance, "ohm"))
            allowed = "expected nothing: along the cable the source is all there is"
            raise InputError("impedance", shown, allowed)
        if self.bond_inductance is not None and self.arrives != "common mode":
            shown = Written(format_quantity(self.bond_inductance, "H"))
            raise InputError("bond_inductance", shown, 'expected only with arrives = "common mode"')
        return self

    def arrival(self, cable_m: float, cable_F: float) -> Arrival:
        """Return how it arrives, with so much cable (m, F) ahead of the stage."""
        stated = {
            "impedance_ohm": self.impedance,
            "bond_H": self.bond_inductance,
            "cable_F": cable_F if self.arrives == "along the cable" else None,
        }
        return _WAYS[self.arrives](
            wiring_m=self.wiring_metres,
            cable_m=cable_m,
            **{name: value for name, value in stated.items() if value is not None},
        )

    def record(self, cable_m: float, cable_F: float) -> detection.Carrier:
        """Return the carrier as the scores take it."""
        arrival = self.arrival(cable_m, cable_F)
        return detection.Carrier(self.level, self.modulation / 100, arrival=arrival)


_WAYS: Final[Mapping[Way, type[Arrival]]] = MappingProxyType(
    {kind.way: kind for kind in (AtJack, AlongCable, CommonMode, ThroughSupply)}
)


class Tolerance(Section):
    """How far parts, valve and supply vary, in the tolerance study and the yield score."""

    study: bool = Field(default=True, description="Put a tolerance study into the report.")
    front: bool = Field(
        default=True,
        description="Study the yields of the front (of 256 designs where it has more), not only of "
        "the designs shown.",
    )
    resistors: PartTolerance | None = Field(
        default=None,
        description="Tolerance of resistors, unless the part or its line of the drawer states one; "
        "default: as sold, 5 % or that of their style or fine series.",
        examples=["1 %"],
    )
    capacitors: PartTolerance | None = Field(
        default=None,
        description="Tolerance of capacitors, unless the part or its line of the drawer states "
        "one; default: as sold, 10 %, from 1 µF up -20/+50 %.",
        examples=["K"],
    )
    supply: Percentage | None = Field(
        default=None,
        description="Tolerance of the supply voltage (± per cent); default: the mains', 10.",
    )
    valve_transconductance: Percentage | None = Field(
        default=None,
        description="Transconductance of the valve, three sigma (per cent); default: the table's.",
    )
    valve_amplification_factor: Percentage | None = Field(
        default=None,
        description="Amplification factor of the valve, three sigma (per cent); default: the "
        "table's.",
    )
    valve_capacitance: Percentage | None = Field(
        default=None,
        description="Each capacitance of the valve, three sigma (per cent); default: the table's.",
    )
    draws: int = Field(
        default=256,
        ge=16,
        le=100_000,
        description="Builds per candidate for the yield score.",
        examples=[1024],
    )


class Targets(Section):
    """Targets that scores are measured against."""

    input_corner: Hertz | None = Field(
        default=None, description="Target of the input corner, where the grid is 3.01 dB down (Hz)."
    )
    input_corner_tolerance: Annotated[float, QuantityField("percent", above=0, maximum=99)] = Field(
        default=10.0, description="How far the input corner may lie from its target (per cent)."
    )
    radio_bands: tuple[RadioBand, ...] = Field(
        default=(), strict=False, description="Radio bands to reject at the grid."
    )

    def free_scores(self) -> tuple[FreeScore, ...]:
        """Return what the targets make of scores, each to be met without being listed."""
        scores = []
        if self.input_corner is not None:
            wide = float(np.log2(1 + self.input_corner_tolerance / 100))
            corner = "input_corner_error_octaves"
            scores.append(FreeScore(corner, "minimise", wanted=0.0, good_enough=wide))
        if self.radio_bands:
            scores.append(FreeScore("rf_margin_dB", "reach", 0.0))
        return tuple(scores)


class Decision(Section):
    """How one design is picked from the front."""

    yield_at_least: Annotated[float, QuantityField("percent", minimum=0, maximum=100)] = Field(
        default=90.0,
        description="Share of builds in which the pick keeps its targets and limits (per cent).",
    )
    order: tuple[str, ...] = Field(
        default=(),
        strict=False,
        description="Scores in order of importance, the most important first, in place of weights.",
        examples=[["noise_dBu", "gain_dB"]],
    )


class Search(Section):
    """How the design space is searched."""

    seed: int = Field(default=0, ge=0, description="Seed of every random choice.", examples=[3])
    patience: Annotated[float, QuantityField("s", above=0)] = Field(
        default=20.0,
        description="Every candidate is worked out where that takes no longer than this, judged by "
        "a probe; otherwise some of them are searched (s).",
        examples=["60 s"],
    )
    evaluations: int = Field(
        default=200_000,
        ge=1,
        description="Otherwise, candidates to work out, in whole blocks.",
        examples=[1_000_000],
    )
    batch: int = Field(
        default=16, ge=1, description="Coarse choices proposed together.", examples=[32]
    )
    sampler: Literal["evolution", "estimator", "random"] = Field(
        default="evolution", description="How coarse choices are proposed."
    )
    storage: str = Field(
        default="",
        description="Database URL or file of the study; empty: a file beside the results.",
        examples=["search.log"],
    )
