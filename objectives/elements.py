"""The elements of a stage: the name of each, its place in the circuit, what stresses it.

An element is a field of :class:`objectives.stage.Stage`, or of what drives it, or a part that makes
up such a field. Labels are templates
for :meth:`objectives.devices.terms.Terms.write`, since a transistor's grid is a gate or a base.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final, Literal

from objectives.devices.terms import VALVE, Terms

Kind = Literal["resistor", "capacitor", "inductor", "setting"]
GROUND: Final = "0"
"""The node that all voltages are relative to, and the supply for signals."""


@dataclass(frozen=True)
class Element:
    """One field of a stage.

    Attributes
    ----------
    name : field of :class:`~objectives.stage.Stage`, which ends in its unit
    label : template of the trade's name
    kind : what it is; a setting is no part
    between : the two nodes that it joins (see :data:`objectives.circuit.nodal.UNKNOWNS`); empty for
        a setting, and for a stray capacitance that adds to one of the device's own
    part : whether it is a part of the stage itself, which a brief may fix or vary
    words : what a value at an end of the range means: 0 ohm is ``none``
    short : template of a name that fits beside a symbol; empty where the label does
    in_series : whether it may be a short (0 ohm, 0 H, an infinite capacitance), so that its current
        is an unknown of the network; otherwise it may be absent
    needs : the part without which this one is not fitted either
    direct_current : which direct current flows through it, ``supply`` or ``cathode``; else empty
    voltage : the direct voltage that a capacitor must withstand: ``supply_V`` or ``source_V`` (the
        supply of what drives the stage) at switch-on, ``cathode_V`` (that of the bypassed section)
        at rest
    purpose : template of what a part is for
    """

    name: str
    label: str
    kind: Kind
    between: tuple[str, ...] = ()
    part: bool = False
    words: Mapping[float, str] = field(default_factory=dict)
    short: str = ""
    in_series: bool = False
    needs: str = ""
    direct_current: Literal["", "supply", "cathode"] = ""
    voltage: Literal["", "supply_V", "source_V", "cathode_V"] = ""
    purpose: str = ""

    @property
    def key(self) -> str:
        """Key in a brief: the name without its unit."""
        return self.name.rpartition("_")[0] if self.kind != "setting" else self.name

    @property
    def unit(self) -> str:
        """Unit that the field ends in; empty for a position or a share."""
        tail = self.name.rpartition("_")[2]
        return tail if tail in ("ohm", "F", "H", "V") else ""

    def label_for(self, terms: Terms = VALVE) -> str:
        """Return the trade's name for a kind of device."""
        return terms.write(self.label)

    def word(self, value: float) -> str | None:
        """Return what a value means where it is no part value: ``full``; else None."""
        return self.words.get(float(value))


DRIVER: Final = "driver."
"""Begins the name of what belongs to the driver of a stage, and is no field of it."""


BIAS_UPPER, BIAS_LOWER = "bias_divider.upper_ohm", "bias_divider.lower_ohm"
"""The two resistors that give ``grid_bias_ratio`` and ``grid_leak_ohm`` of a stage."""


_NONE: Final = {0.0: "none"}
_DIRECT: Final = {math.inf: "direct"}
_OPEN: Final = {math.inf: "none"}


def _elements(*entries: Element) -> Mapping[str, Element]:
    return MappingProxyType({entry.name: entry for entry in entries})


ELEMENTS: Final = _elements(
    Element("device", "{kind}", "setting"),
    Element("supply_V", "supply", "setting"),
    Element("stopper_ohm", "{grid} stopper", "resistor", ("a", "m"), True, _NONE, in_series=True,
            purpose="keeps radio out, and with the {grid}'s capacitance sets the input corner"),
    Element("plate_load_ohm", "{plate} load", "resistor", ("q", "t"), True,
            direct_current="supply",
            purpose="turns the {plate} current into the output voltage"),
    Element("cathode_resistor_ohm", "{cathode} resistor", "resistor", ("j", GROUND), True, _NONE,
            direct_current="cathode",
            purpose="sets the bias"),
    Element("cathode_unbypassed_ohm", "unbypassed {cathode} resistor", "resistor", ("y", "j"), True,
            _NONE, "unbypassed", in_series=True, direct_current="cathode",
            purpose="sets the bias, and by feedback trades gain for evenness"),
    Element("bypass_F", "{cathode} bypass", "capacitor", ("b", GROUND), True,
            {0.0: "none", math.inf: "full"}, "bypass", in_series=True, voltage="cathode_V",
            needs="cathode_resistor_ohm",
            purpose="restores the gain that the {cathode} resistor costs"),
    Element("bypass_series_ohm", "resistor in series with the bypass", "resistor", ("j", "b"), True,
            _NONE, "in series", in_series=True, needs="bypass_F",
            purpose="limits how much the bypass restores"),
    Element("grid_leak_ohm", "{grid_leak}", "resistor", ("a", GROUND), True, _OPEN,
            purpose="holds the {grid} at its bias"),
    Element("leak_at_grid", "position of the {grid_leak}", "setting",
            words={0.0: "before the stopper", 1.0: "after the stopper"}),
    Element("input_coupling_F", "input coupling capacitor", "capacitor", ("c", "a"), True, _DIRECT,
            "input coupling", in_series=True, voltage="source_V",
            purpose="keeps direct voltage from the {grid}"),
    Element("output_coupling_F", "output coupling capacitor", "capacitor", ("q", "o"), True,
            _DIRECT, "output coupling", in_series=True, voltage="supply_V",
            purpose="keeps the {plate}'s direct voltage from the load"),
    Element("plate_capacitor_F", "capacitor across the {plate} load", "capacitor", ("z", "t"),
            True, _NONE, "across the load", voltage="supply_V",
            purpose="cuts treble"),
    Element("plate_capacitor_series_ohm", "resistor in series with the capacitor across the load",
            "resistor", ("q", "z"), True, _NONE, "in series", in_series=True,
            needs="plate_capacitor_F",
            purpose="ends the treble cut"),
    Element("grid_capacitor_F", "capacitor from {grid} to ground", "capacitor", ("x", "w"), True,
            _NONE, "{grid} to ground",
            purpose="keeps radio out, and lowers the input corner"),
    Element("grid_bias_V", "fixed {grid} bias", "setting"),
    Element("grid_bias_ratio", "{grid} bias as a share of the supply", "setting"),
    Element("decoupling_ohm", "supply decoupling resistor", "resistor", ("t", GROUND),
            words=_NONE, short="decoupling", in_series=True,
            purpose="keeps ripple and other stages' signals away, with the capacitor behind it"),
    Element("decoupling_F", "supply decoupling capacitor", "capacitor", ("t", GROUND),
            words=_NONE, short="decoupling", voltage="supply_V",
            purpose="holds the supply still for signals, and shorts the ripple that is left"),
    Element("source_ohm", "{source} resistance", "resistor", ("c", GROUND), short="{source}",
            in_series=True),
    Element("source_ratio", "share of the {source} voltage behind its resistance", "setting"),
    Element("driver_noise_ohm", "noise resistance of the driving stage", "setting"),
    Element("driver_flicker_Hz", "flicker corner of the driving stage", "setting"),
    Element("cable_F", "cable capacitance", "capacitor", ("c", GROUND), words=_NONE, short="cable"),
    Element("load_ohm", "load resistance", "resistor", ("o", GROUND), words=_OPEN, short="load"),
    Element("load_F", "load capacitance", "capacitor", ("o", GROUND), words=_NONE, short="load"),
    Element("stopper_shunt_F", "capacitance of the stopper itself", "capacitor", ("a", "m"),
            words=_NONE),
    Element("stopper_lead_H", "inductance of the stopper's leads", "inductor", ("m", "x"),
            words=_NONE, in_series=True),
    Element("grid_capacitor_lead_H", "inductance of the capacitor from {grid} to ground",
            "inductor", ("w", GROUND), words=_NONE, in_series=True),
    Element("stray_grid_plate_F", "stray {grid}–{plate}", "capacitor"),
    Element("stray_grid_cathode_F", "stray {grid}–{cathode}", "capacitor"),
    Element("stray_plate_cathode_F", "stray {plate}–{cathode}", "capacitor"),
    Element("stray_grid_ground_F", "stray {grid}–ground", "capacitor", ("x", GROUND)),
    Element("stray_plate_ground_F", "stray {plate}–ground", "capacitor", ("q", GROUND)),
    Element("grid_lead_H", "inductance of the {grid} lead", "inductor", ("x", "g"),
            in_series=True),
    Element("plate_lead_H", "inductance of the {plate} lead", "inductor", ("p", "q"),
            in_series=True),
    Element("cathode_lead_H", "inductance of the {cathode} lead", "inductor", ("k", "y"),
            in_series=True),
    Element(BIAS_UPPER, "upper resistor of the {grid} bias divider", "resistor",
            short="upper bias", purpose="sets the {grid}'s bias, together with the lower one"),
    Element(BIAS_LOWER, "lower resistor of the {grid} bias divider", "resistor",
            short="lower bias", purpose="sets the {grid}'s bias, together with the upper one"),
    Element(f"{DRIVER}supply_V", "supply of the driving stage", "setting"),
    Element(f"{DRIVER}plate_load_ohm", "plate load of the driving stage", "resistor"),
    Element(f"{DRIVER}cathode_resistor_ohm", "cathode resistor of the driving stage", "resistor",
            words=_NONE),
    Element(f"{DRIVER}cathode_unbypassed_ohm",
            "unbypassed cathode resistor of the driving stage", "resistor", words=_NONE),
    Element(f"{DRIVER}bypass_F", "cathode bypass of the driving stage", "capacitor",
            words={0.0: "none", math.inf: "full"}),
    Element(f"{DRIVER}divider_series_ohm", "series resistor of the attenuator", "resistor",
            words=_NONE, short="attenuator",
            purpose="attenuates, together with its shunt"),
    Element(f"{DRIVER}divider_shunt_ohm", "shunt resistor of the attenuator", "resistor",
            short="shunt", purpose="attenuates"),
    Element(f"{DRIVER}level_fraction", "setting of the attenuator", "setting"),
)  # fmt: skip
"""Every field of a stage by its name; parts first, in the order of a parts list; driver last."""


def _parts(kind: Kind) -> tuple[str, ...]:
    return tuple(e.name for e in ELEMENTS.values() if e.part and e.kind == kind)


# Draws of a tolerance study follow this order, so it stays: resistors before the grid come last.
RESISTORS: Final = tuple(
    sorted(_parts("resistor"), key=lambda name: ELEMENTS[name].between[0] == "a")
)
"""Fields of a stage that are resistors of the stage itself."""

CAPACITORS: Final = _parts("capacitor")
"""Fields of a stage that are capacitors of the stage itself."""
