"""The tables of a brief for the supply, for what drives the stage and for what it drives."""

from __future__ import annotations

import math
from typing import Annotated, Self

import numpy as np
from pydantic import Field, model_validator

from explorer.brief.base import Section, Share
from explorer.brief.errors import NOT_GIVEN
from explorer.brief.parts import PART_ELEMENTS, Freed, PartChoice, nominal, quantity_of
from explorer.units import (
    Farads,
    Hertz,
    Ohms,
    PositiveOhms,
    PositiveVolts,
    QuantityField,
    Volts,
    format_quantity,
)
from objectives.checks import InputError, Written, did_you_mean
from objectives.circuit import follower
from objectives.elements import DRIVER, ELEMENTS
from objectives.radio.tables import wiring, wirings
from objectives.stage import Stage

_Value = float | PartChoice
_PositiveVolts = Annotated[_Value, QuantityField("V", above=0)]
_PositiveOhms = Annotated[_Value, QuantityField("ohm", above=0)]
_Ohms = Annotated[_Value, QuantityField("ohm", minimum=0)]
_BypassFarads = Annotated[_Value, quantity_of(PART_ELEMENTS["bypass"])]
_LoadOhms = Annotated[float, quantity_of(ELEMENTS["load_ohm"])]


def _freed(name: str) -> Freed:
    """Return the annotation of a value that may be chosen like a part."""
    return Freed(ELEMENTS[name], quantity_of(ELEMENTS[name]))


_TRACK = _freed(f"{DRIVER}divider_shunt_ohm")
_LEVEL = Freed(ELEMENTS[f"{DRIVER}level_fraction"], QuantityField("ratio", minimum=0, maximum=1))


_USUAL_F_PER_M = 100e-12
"""Capacitance of a metre of a usual screened cable (common practice, no source)."""


def _exactly_one(table: Section, *names: str) -> None:
    given = [name for name in names if getattr(table, name) is not None]
    if len(given) != 1:
        shown = Written(" and ".join(given)) if given else NOT_GIVEN
        raise InputError("", shown, f"expected exactly one of {', '.join(names)}")


class BiasDivider(Section):
    """Two resistors that bias the grid from the supply; in parallel they are its leak."""

    upper: PositiveOhms = Field(description="From the supply to the grid's side (ohm).")
    lower: PositiveOhms = Field(description="From there to ground (ohm).")

    @property
    def share(self) -> float:
        """Share of the supply that they divide down to."""
        return self.lower / (self.upper + self.lower)

    @property
    def parallel_ohm(self) -> float:
        """Resistance of both in parallel."""
        return self.upper * self.share


class Supply(Section):
    """The supply and the fixed potentials about the valve."""

    voltage: Annotated[_Value, _freed("supply_V")] = Field(
        description="Supply voltage at the top of the plate load (V)."
    )
    heater_elevation: Volts = Field(
        default=0.0,
        description="Direct voltage of the heater to ground (V), for its rating.",
        examples=["60 V"],
    )
    grid_bias: Volts = Field(
        default=0.0,
        description="Fixed bias that the cold end of the grid leak returns to (V).",
        examples=["-1.5 V"],
    )
    grid_bias_ratio: Share = Field(
        default=0.0,
        description="Share of the supply that is added to grid_bias, as by a divider.",
        examples=[0.1],
    )
    bias_divider: BiasDivider | None = Field(
        default=None,
        description="The divider itself, in place of grid_bias, grid_bias_ratio and a value of "
        "parts.grid_leak.",
    )

    ripple: PositiveVolts | None = Field(
        default=None,
        description="R.m.s. ripple on the supply, ahead of the decoupling (V), for hum scores.",
        examples=["10 mV"],
    )
    ripple_frequency: Hertz = Field(
        default=100.0,
        description="Frequency of the ripple: twice that of the mains after a full-wave rectifier.",
        examples=["120 Hz"],
    )
    decoupling_resistor: Ohms = Field(
        default=0.0,
        description="Resistance ahead of the top of the plate load, for ripple and signals; "
        "voltage is stated behind it (ohm).",
        examples=["10k"],
    )
    decoupling_capacitor: Farads = Field(
        default=0.0,
        description="Capacitor to ground at the top of the plate load (F).",
        examples=["22 uF"],
    )

    @model_validator(mode="after")
    def _one_bias(self) -> Self:
        if self.bias_divider is not None:
            for name, unit in (("grid_bias", "V"), ("grid_bias_ratio", "ratio")):
                value = getattr(self, name)
                if value != 0:
                    shown = Written(format_quantity(value, unit))
                    raise InputError(name, shown, "expected nothing: bias_divider gives the bias")
        return self

    @property
    def bias_share(self) -> float:
        """Share of the supply that the grid's bias takes, however it is stated."""
        return self.grid_bias_ratio if self.bias_divider is None else self.bias_divider.share


class _NeighbourStage(Section):
    """A common-cathode stage before or behind the one under design."""

    valve: str = Field(description="Name in the valve table.", examples=["12AX7"])
    supply: _PositiveVolts = Field(description="Its supply voltage (V).")
    plate_load: _PositiveOhms = Field(description="Its plate load (ohm).", examples=["100k"])
    cathode_resistor: _Ohms = Field(
        description="Its cathode resistor, the bypassed section (ohm).", examples=["1k5"]
    )
    cathode_unbypassed: _Ohms = Field(
        default=0.0, description="Its unbypassed cathode section (ohm).", examples=["470"]
    )
    bypass: _BypassFarads = Field(
        default=math.inf, description='Its bypass (F), or "none" or "full".', examples=["22 uF"]
    )
    grid_bias: Volts = Field(
        default=0.0, description="Fixed bias on its grid (V).", examples=["-1.5 V"]
    )

    def _stage(self, **more: float) -> Stage:
        return Stage(
            supply_V=nominal(self.supply),
            plate_load_ohm=nominal(self.plate_load),
            cathode_resistor_ohm=nominal(self.cathode_resistor),
            cathode_unbypassed_ohm=nominal(self.cathode_unbypassed),
            bypass_F=nominal(self.bypass),
            grid_bias_V=self.grid_bias,
            # Coupled directly, save where the source would short a fixed bias: then by a capacitor
            # large enough to be a short for every signal.
            input_coupling_F=1.0 if self.grid_bias != 0 else math.inf,
            **more,
        )


class DriverStage(_NeighbourStage):
    """An earlier common-cathode stage, from which the source resistance is computed."""

    supply: Annotated[_Value, _freed(f"{DRIVER}supply_V")] = Field(
        description="Its supply voltage (V)."
    )
    plate_load: Annotated[_Value, _freed(f"{DRIVER}plate_load_ohm")] = Field(
        description="Its plate load (ohm).", examples=["100k"]
    )
    cathode_resistor: Annotated[_Value, _freed(f"{DRIVER}cathode_resistor_ohm")] = Field(
        description="Its cathode resistor, the bypassed section (ohm).", examples=["1k5"]
    )
    cathode_unbypassed: Annotated[_Value, _freed(f"{DRIVER}cathode_unbypassed_ohm")] = Field(
        default=0.0, description="Its unbypassed cathode section (ohm).", examples=["470"]
    )
    bypass: Annotated[_Value, _freed(f"{DRIVER}bypass_F")] = Field(
        default=math.inf, description='Its bypass (F), or "none" or "full".', examples=["22 uF"]
    )
    source_resistance: Ohms = Field(
        default=0.0, description="Resistance that drives its own grid (ohm).", examples=["68k"]
    )

    def record(self) -> Stage:
        """Return the stage, with the first value of a part that is chosen."""
        return self._stage(source_ohm=self.source_resistance)


class LoadStage(_NeighbourStage):
    """A next common-cathode stage; its input capacitance is computed from its own gain."""

    stopper: Ohms = Field(default=0.0, description="Its grid stopper (ohm).", examples=["10k"])
    grid_leak: PositiveOhms = Field(
        default=1e6, description="Its grid leak (ohm).", examples=["1M"]
    )

    def record(self) -> Stage:
        """Return the stage."""
        return self._stage(stopper_ohm=self.stopper, grid_leak_ohm=self.grid_leak)


class Driver(Section):
    """What drives the stage: a Thevenin source or an earlier stage, and what lies between."""

    resistance: Ohms | None = Field(
        default=None, description="Thevenin resistance of the source (ohm).", examples=["68k"]
    )
    stage: DriverStage | None = Field(
        default=None, description="An earlier stage, in place of resistance."
    )
    voltage: Annotated[float, QuantityField("V", above=0)] = Field(
        default=1.0,
        description="Open-circuit signal voltage of the source (V r.m.s.).",
        examples=["100 mV"],
    )
    cable_capacitance: Farads = Field(
        default=0.0,
        description="Shunt capacitance to ground after the source resistance (F).",
        examples=["100 pF"],
    )
    cable: str | None = Field(
        default=None,
        description="Kind of cable, from the table of wiring; gives the capacitance by its length.",
        examples=["microphone cable"],
    )
    cable_metres: Annotated[float, QuantityField("ratio", above=0)] | None = Field(
        default=None, description="Length of the cable (m).", examples=[2]
    )
    divider_series_resistance: Annotated[_Value, _freed(f"{DRIVER}divider_series_ohm")] = Field(
        default=0.0,
        description="Resistor in series with the source, before the level control (ohm).",
    )
    divider_shunt_resistance: Annotated[_Value, _TRACK] | None = Field(
        default=None,
        description="Whole track of the level control, to ground (ohm); none if left out.",
    )
    level_fraction: Annotated[
        _Value,
        _LEVEL,
    ] = Field(
        default=1.0,
        description="Setting of the level control: share of its track below the wiper.",
        examples=[0.5],
    )

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        if (self.cable is None) != (self.cable_metres is None):
            missing = "cable" if self.cable is None else "cable_metres"
            raise InputError(missing, NOT_GIVEN, "expected both of cable, cable_metres")
        known = [w.name for w in wirings() if w.per == "metre"]
        if self.cable is not None and self.cable not in known:
            allowed = f"expected one of {', '.join(known)}{did_you_mean(self.cable, known)}"
            raise InputError("cable", self.cable, allowed)
        _exactly_one(self, "resistance", "stage")
        if self.level_fraction != 1.0 and self.divider_shunt_resistance is None:
            allowed = "expected 1 unless divider_shunt_resistance is given"
            raise InputError("level_fraction", self.level_fraction, allowed)
        return self

    @property
    def cable_F(self) -> float:
        """Shunt capacitance of the cable (F): stated, and by kind and length."""
        if self.cable is None or self.cable_metres is None:
            return self.cable_capacitance
        return self.cable_capacitance + float(wiring(self.cable).total_F(self.cable_metres))

    @property
    def cable_m(self) -> float:
        """Length of the cable (m): stated, or that of a usual cable of its capacitance."""
        return self.cable_metres or self.cable_F / _USUAL_F_PER_M

    @property
    def divider(self) -> dict[str, float]:
        """The attenuator as arguments of :func:`objectives.circuit.neighbours.driver_of`."""
        track = self.divider_shunt_resistance
        return {
            "divider_series_ohm": nominal(self.divider_series_resistance),
            "divider_shunt_ohm": np.inf if track is None else nominal(track),
            "level_fraction": nominal(self.level_fraction),
        }


class CathodeFollower(Section):
    """A directly coupled cathode follower."""

    valve: str = Field(description="Name in the valve table.", examples=["12AU7"])
    supply: PositiveVolts = Field(description="Its supply voltage (V).")
    cathode_resistor: PositiveOhms = Field(
        description="Its cathode resistor (ohm).", examples=["47k"]
    )
    load_resistance: _LoadOhms = Field(
        default=math.inf, description='Load for signals at its cathode (ohm), or "none".'
    )

    def record(self) -> follower.CathodeFollower:
        """Return the follower as the assessment takes it."""
        return follower.CathodeFollower(
            supply_V=self.supply,
            cathode_resistor_ohm=self.cathode_resistor,
            load_ohm=self.load_resistance,
        )


class Load(Section):
    """What the stage drives: a resistance, a next stage, or a cathode follower."""

    resistance: _LoadOhms | None = Field(
        default=None, description='Load to ground (ohm), or "none".', examples=["1M"]
    )
    capacitance: Farads = Field(
        default=0.0, description="Shunt capacitance to ground at the load (F).", examples=["50 pF"]
    )
    stage: LoadStage | None = Field(
        default=None, description="A next stage, in place of resistance."
    )
    cathode_follower: CathodeFollower | None = Field(
        default=None, description="A directly coupled cathode follower, in place of resistance."
    )

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        _exactly_one(self, "resistance", "stage", "cathode_follower")
        return self
